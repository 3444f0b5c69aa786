import { expect, test } from 'vitest';
import { StallmarkError } from '../../src/base/error.js';
import { issuePermit, type Acknowledgement } from '../../src/bench/permit.js';
import { simulatedBench } from '../../src/bench/simulated.js';
import { perform } from '../../src/run/runner.js';
import { answering } from '../support/answering.js';
import { handClock } from '../support/clock.js';
import { shippedDocuments, withStages } from '../support/simulated-run.js';

const SERIAL = 'H12-26-00017';
const clock = handClock();

test('a disk that is full while a later stage plays takes the torque away within two blocks', async () => {
  const { procedure: shipped, station } = withStages(shippedDocuments(), ['zero', 'static']);
  const [zero, last] = shipped.stages;
  if (last === undefined) throw new Error('one stage is left');
  // Without a gate the next stage does not wait for the score of the first.
  const procedure = { ...shipped, stages: [{ ...zero, gates: [] }, last] as const };
  const inner = simulatedBench({
    ...{ station, serial: SERIAL, attempt: 1, faults: [], pace: 'fast' },
    clock: { ...clock, wait: (ms) => clock.advance(ms) },
  });
  const task = { bench: inner.id, serial: SERIAL, attempt: 1, procedureDigest: procedure.digest };
  const replies = procedure.warnings.map(({ hazard, issue }): Acknowledgement => ({
    ...{ hazard, by: 'A. Operator', at: clock.now(), serial: SERIAL, attempt: 1, language: 'en' },
    ...{ textIssue: issue, means: 'command-line option, simulated bench' },
  }));
  const permit = issuePermit(task, [], replies, clock.now());
  if ('outstanding' in permit) throw new Error('no permit');

  let fill: () => void = () => undefined;
  const full = new Promise<never>((_, reject) => {
    const what = 'There is no space left.';
    fill = () => {
      reject(new StallmarkError([{ code: 'storage/full', what, fix: 'Free space.' }]));
    };
  });
  let played = 0;
  let until = Infinity;
  const bench = answering(inner, {
    energize: async (...asked) => {
      const power = await inner.energize(...asked);
      return {
        feed: () => {
          power.feed();
        },
        play: async function* (load) {
          for await (const block of power.play(load)) {
            played += 1;
            if (played === 10) fill();
            if (played === 10) until = 12;
            yield block;
          }
        },
      };
    },
  });
  const run = perform({
    ...{ task, procedure, bench, permit, clock },
    scorer: { score: () => full, close: () => full, abandon: () => Promise.resolve() },
    confirmReady: () => Promise.resolve(),
    arrange: () => Promise.reject(new Error('nobody is asked')),
    stop: new AbortController().signal,
    note: () => undefined,
  });
  const all = async (): Promise<void> => {
    for (;;) if ((await run.next()).done === true) return;
  };
  await expect(all()).rejects.toThrow('storage/full');
  expect(played).toBeGreaterThanOrEqual(10);
  expect(played).toBeLessThanOrEqual(until);
  expect(Math.abs(inner.control.shaftTorque())).toBeLessThan(0.1);
});
