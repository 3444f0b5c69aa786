import { expect, test } from 'vitest';
import type { FaultName } from '../../src/bench/fault.js';
import type { Blame } from '../../src/capture/gate.js';
import { decisionOn, runItem, shippedDocuments, withStages } from '../support/simulated-run.js';

// What keeps an item from more torque than the first: who is blamed, and whether the item is rejected.
const documents = withStages(shippedDocuments(), ['zero', 'polarity', 'close']);

const CASES: readonly {
  readonly fault: FaultName;
  readonly word: 'HOLD' | 'REJECT';
  readonly blames: Blame;
  readonly says: string;
}[] = [
  { fault: 'weak-magnets:severe', word: 'REJECT', blames: 'item', says: 'the motor is too weak' },
  { fault: 'wrong-model:severe', word: 'HOLD', blames: 'operator', says: 'another model' },
  // Half a bridge reads half the torque although the shunt is right.
  { fault: 'reversed-polarity:slight', word: 'HOLD', blames: 'stand', says: 'disagree' },
  { fault: 'reversed-polarity:middle', word: 'HOLD', blames: 'stand', says: 'disagree' },
  { fault: 'reversed-polarity:severe', word: 'HOLD', blames: 'stand', says: 'disagree' },
];

for (const { fault, word, blames, says } of CASES) {
  test(`${fault} is ${word} and points at the ${blames}`, async () => {
    const performed = await runItem(documents, { serial: 'H12-26-00003', faults: [fault] });
    const { verdict, gates, reason, itemFault } = decisionOn(documents, performed);
    expect(performed.brokenOff).toBe('polarity');
    const closed = gates.filter((gate) => !gate.holds).map((gate) => [gate.id, gate.blames]);
    expect(closed).toEqual([['polarity', blames]]);
    expect(verdict.word, reason).toBe(word);
    expect(reason).toContain(says);
    expect(itemFault !== undefined).toBe(word === 'REJECT');
  });
}

test('a fault that the device reports rejects the item, one at the guard does not', async () => {
  const performed = await runItem(documents, { serial: 'H12-26-00003', faults: ['fault-code'] });
  const { verdict, reason } = decisionOn(documents, performed);
  expect(verdict).toEqual({ outcome: 'nonconforming', word: 'REJECT' });
  expect(reason).toMatch(/^The item itself is at fault: .*fault 14.*guard.*supply/u);
  const opened = runItem(documents, { serial: 'H12-26-00003', faults: ['guard-opened'] });
  await expect(opened).rejects.toThrow(/guard/iu);
});
