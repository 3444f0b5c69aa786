import { beforeAll, describe, expect, test } from 'vitest';
import { FAULTS, type FaultName } from '../../src/bench/fault.js';
import type { Blame } from '../../src/capture/gate.js';
import type { Decision } from '../../src/decision/decision.js';
import type { Performed } from '../../src/run/runner.js';
import { decisionOn, runItem, shippedDocuments } from '../support/simulated-run.js';

// Every fault runs through the whole shipped procedure and is decided on the shipped limits.
const SERIAL = 'H12-26-00001';
const documents = shippedDocuments();

interface Tried {
  readonly performed: Performed;
  readonly decision: Decision;
}

async function tried(...faults: readonly FaultName[]): Promise<Tried> {
  const performed = await runItem(documents, { serial: SERIAL, faults });
  return { performed, decision: decisionOn(documents, performed) };
}

const rowsThat = (decision: Decision, outcome: string): readonly string[] =>
  decision.results
    .filter(({ verdict }) => verdict.outcome === outcome)
    .map(({ limit }) => `${limit.stage}.${limit.characteristic}`);

const broken = (decision: Decision): Decision['gates'] =>
  decision.gates.filter((gate) => !gate.holds);

test('the serial is accepted when nothing is wrong with it', async () => {
  const { performed, decision } = await tried();
  expect(decision.verdict.word, decision.reason).toBe('ACCEPT');
  expect(rowsThat(decision, 'conforming')).toHaveLength(documents.limits.rows.length);
  expect(performed.brokenOff).toBeUndefined();
});

/** Rows that a faulty item must be rejected for, and rows that may be as well or be inconclusive. */
const ITEM: Readonly<Partial<Record<FaultName, { must: string[]; may: string[] }>>> = {
  'weak-magnets': {
    must: ['static.static-gain', 'static.torque-constant'],
    may: ['peak.peak-torque'],
  },
  'high-resistance': { must: ['ripple.ripple'], may: ['thermal.winding-rise'] },
  'detuned-high': {
    must: ['steps-0.overshoot'],
    may: ['steps-0.rise-time', 'response.gain-peaking'],
  },
  'detuned-low': { must: ['steps-0.rise-time'], may: ['response.phase-bandwidth'] },
  'wrong-slew': { must: ['full-step.slew-rate'], may: ['steps-0.rise-time'] },
  'swapped-smoothing': { must: ['smoothing.grain-ratio', 'smoothing.lag-increase'], may: [] },
  'late-firmware': {
    must: ['steps-0.dead-time', 'smoothing.lag', 'response.phase-bandwidth'],
    may: ['field.lag-updates'],
  },
};

/** The gate that must not hold, and every other that may not. */
const AROUND: Readonly<Partial<Record<FaultName, { blames: Blame; gate: string; may: string[] }>>> =
  {
    'reversed-polarity': { blames: 'stand', gate: 'polarity', may: [] },
    'loose-coupling': {
      blames: 'stand',
      gate: 'stand resonance',
      may: ['converter clip', 'coherence', 'two-way agreement', 'return to zero'],
    },
    'converter-clip': { blames: 'stand', gate: 'converter clip', may: [] },
    'transducer-dropouts': { blames: 'link', gate: 'samples complete', may: [] },
    'zero-drift': { blames: 'stand', gate: 'return to zero', may: [] },
  };

test('every fault of the bench is tried', () => {
  const names = [...Object.keys(ITEM), ...Object.keys(AROUND)].sort();
  expect(names).toEqual(FAULTS.map(({ name }) => name).sort());
});

for (const { name, blames } of FAULTS) {
  const [item, around] = [ITEM[name], AROUND[name]];
  describe(name, () => {
    let found: Tried;
    beforeAll(async () => {
      found = await tried(name);
    });

    if (item !== undefined) {
      test(`is rejected for ${item.must.join(', ')}`, () => {
        const { decision } = found;
        expect(blames).toBe('item');
        expect(decision.verdict.word, decision.reason).toBe('REJECT');
        expect(rowsThat(decision, 'nonconforming')).toEqual(expect.arrayContaining(item.must));
        const others = ['nonconforming', 'inconclusive', 'invalid', 'not-run'].flatMap((outcome) =>
          rowsThat(decision, outcome),
        );
        expect([...item.must, ...item.may]).toEqual(expect.arrayContaining(others));
        expect(broken(decision)).toEqual([]);
      });
    }

    if (around !== undefined) {
      test(`is held, and ${around.gate} points at the ${around.blames}`, () => {
        const { decision } = found;
        expect(blames).toBe(around.blames);
        expect(decision.verdict).toEqual({ outcome: 'invalid', word: 'HOLD' });
        expect(rowsThat(decision, 'nonconforming')).toEqual([]);
        const names = new Set(broken(decision).map((gate) => gate.name));
        expect(names).toContain(around.gate);
        expect([around.gate, ...around.may]).toEqual(expect.arrayContaining([...names]));
        for (const gate of broken(decision)) expect(gate.blames, gate.name).toBe(around.blames);
        expect(decision.reason).toContain(`points at the ${around.blames}`);
      });
    }

    if (name === 'reversed-polarity') {
      test('stops the run before more torque than 0.6 N·m', () => {
        const { performed } = found;
        expect(performed.brokenOff).toBe('polarity');
        expect(performed.outcomes.map(({ stage }) => stage)).toEqual(['zero', 'idle', 'polarity']);
      });
    }

    if (name === 'swapped-smoothing') {
      test('passes every row at setting 2: only the order of the settings shows it', () => {
        const order = ['smoothing.grain-ratio', 'smoothing.lag-increase'];
        const { decision } = found;
        expect(rowsThat(decision, 'nonconforming').toSorted()).toEqual(order);
        expect(rowsThat(decision, 'conforming')).toHaveLength(documents.limits.rows.length - 2);
      });
    }
  });
}
