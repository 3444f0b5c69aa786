import { expect, test } from 'vitest';
import { StallmarkError } from '../../src/base/error.js';
import { readFaults } from '../../src/bench/fault.js';
import { simulatedBench } from '../../src/bench/simulated.js';
import { itemFaultBehind } from '../../src/run/item-fault.js';
import { handClock } from '../support/clock.js';
import { runItem, shippedDocuments, withStages } from '../support/simulated-run.js';
import { answering } from '../support/answering.js';

const short = withStages(shippedDocuments(), ['zero', 'polarity']);
const SERIAL = 'H12-26-00017';
const faults = readFaults(['fault-code:middle']);

test('a fault that the device reports ends the run with what was measured before, power off', async () => {
  const performed = await runItem(short, { serial: SERIAL, faults });
  expect(performed.itemFault?.what).toMatch(/reports fault/u);
  expect(performed.itemFault?.evidence).toMatch(
    /guard closed, emergency stop released; supply 4\d\.\d V, allowed/u,
  );
  expect(performed.outcomes.map(({ stage }) => stage)).toEqual(['zero']);
  expect(performed.run.state).toBe('captured');
  expect(performed.energized?.to).toBeGreaterThanOrEqual(performed.energized?.from ?? Infinity);
});

const deviceFault = new StallmarkError([
  { code: 'bench/device-fault', what: 'The device reports fault 4.', fix: 'Read its log.' },
]);
const unreachable = new StallmarkError([
  { code: 'bench/unreachable', what: 'No answer.', fix: 'Check the link.' },
]);

for (const { title, error, over, isItem } of [
  { title: 'nothing else to blame', error: deviceFault, over: {}, isItem: true },
  {
    title: 'an open guard',
    error: deviceFault,
    over: {
      interlocks: () =>
        Promise.resolve({
          guard: 'open',
          emergencyStop: 'released',
          presence: 'held',
          age: 0,
        } as const),
    },
    isItem: false,
  },
  {
    title: 'no answer about the safety lines',
    error: deviceFault,
    over: { interlocks: () => Promise.reject(unreachable) },
    isItem: false,
  },
  { title: 'a link that is down', error: unreachable, over: {}, isItem: false },
  { title: 'a defect of ours', error: new Error('oops'), over: {}, isItem: false },
]) {
  test(`${title}: the item is ${isItem ? '' : 'not '}at fault`, async () => {
    const inner = simulatedBench({
      station: short.station,
      serial: SERIAL,
      attempt: 1,
      faults: [],
      clock: handClock(),
      pace: 'fast',
    });
    const found = await itemFaultBehind(error, answering(inner, over), short.procedure);
    expect(found !== undefined).toBe(isItem);
    await inner.close();
  });
}

test('a supply outside its band speaks against the stand', async () => {
  const inner = simulatedBench({
    ...{ station: short.station, serial: SERIAL, attempt: 1, faults: [] },
    ...{ clock: handClock(), pace: 'fast' },
  });
  const { to } = short.procedure.supply;
  expect(await itemFaultBehind(deviceFault, inner, { supply: { from: to, to } })).toBeUndefined();
  await inner.close();
});
