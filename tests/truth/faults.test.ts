import { beforeAll, describe, expect, test } from 'vitest';
import { StallmarkError } from '../../src/base/error.js';
import { type Fault, FAULTS, type FaultName } from '../../src/bench/fault.js';
import type { Decision } from '../../src/decision/decision.js';
import type { Performed } from '../../src/run/runner.js';
import { decisionOn, runItem, shippedDocuments, withStages } from '../support/simulated-run.js';

// Every fault at its middle severity on one serial, played on the stages that matter to it and decided
// on the shipped limits.
const SERIAL = 'H12-26-00001';
const documents = shippedDocuments();

/** Stages of every run: zeros at start and end, and the first torque. */
const ALWAYS = ['zero', 'polarity', 'close'];
/** Rows and gates may be off by chance on other serials; this one is accepted on every stage. */
const USED = [
  ...new Set([...ALWAYS, ...FAULTS.flatMap((fault): readonly string[] => fault.stages)]),
];

interface Tried {
  /** Codes of the error that broke the run off or kept it from power. */
  readonly codes: readonly string[];
  readonly performed: Performed | undefined;
  readonly decision: Decision | undefined;
}

async function tried(stages: readonly string[], ...faults: readonly FaultName[]): Promise<Tried> {
  const played = withStages(documents, [...ALWAYS, ...stages]);
  try {
    const performed = await runItem(played, { serial: SERIAL, faults, ready: true });
    return { codes: [], performed, decision: decisionOn(played, performed) };
  } catch (error) {
    if (!(error instanceof StallmarkError)) throw error;
    const codes = error.problems.map(({ code }) => code);
    return { codes, performed: undefined, decision: undefined };
  }
}

/** The code of a fault that the item reports of itself; such a run ends with a verdict. */
const DEVICE_FAULT = 'bench/device-fault';

const rowsThat = (decision: Decision, ...outcomes: readonly string[]): readonly string[] =>
  decision.results
    .filter(({ verdict }) => outcomes.includes(verdict.outcome))
    .map(({ limit }) => limit.characteristic);

const broken = (decision: Decision): Decision['gates'] =>
  decision.gates.filter((gate) => !gate.holds);

/** Everything that speaks against the item or the measurement, by id. */
function foundBy({ codes, decision, performed }: Tried): readonly string[] {
  if (decision === undefined) return codes;
  if (performed?.itemFault !== undefined) return [DEVICE_FAULT];
  const gates = broken(decision).map(({ id }) => id);
  return [...gates, ...rowsThat(decision, 'nonconforming', 'inconclusive')];
}

test('every stage that a fault needs is shipped', () => {
  expect(documents.procedure.stages.map(({ id }) => id)).toEqual(expect.arrayContaining(USED));
});

test('the serial is accepted on all of these stages when nothing is wrong', async () => {
  const { decision, codes } = await tried(USED);
  expect(codes).toEqual([]);
  expect(decision?.verdict.word, decision?.reason).toBe('ACCEPT');
});

/** A stop that is slow shows in nothing but a proof of it: tests/truth/stop-proof.test.ts. */
const ALL: readonly (Fault & { readonly name: FaultName })[] = FAULTS.filter(
  ({ name }) => name !== 'slow-stop',
);

/** Faults of sensors and site that must keep the bench from power. */
const UNPOWERED: readonly string[] = [
  ...['stuck-channel', 'channel-at-rail', 'missing-channel', 'invalid-samples', 'bridge-chain'],
  ...['swapped-channels', 'thermometer', 'winding-thermometer', 'wrong-ambient', 'wrong-supply'],
  'wrong-humidity',
  ...[
    'cold-amplifier',
    'wrong-transducer',
    'wrong-adapter',
    'shunt-left-on',
    'hand-on-wheel',
    'hot-item',
  ],
];

describe.each(ALL)('$name', ({ name, blames, expect: ids, stages }) => {
  let found: Tried;
  beforeAll(async () => {
    found = await tried(stages, name);
  });

  test(`is found by one of ${ids.join(', ')}`, () => {
    const by = foundBy(found);
    expect(
      by.filter((id) => ids.includes(id)),
      by.join(', '),
    ).not.toEqual([]);
  });

  test('is not accepted, and the item is rejected for its own faults alone', () => {
    const { decision, codes } = found;
    if (decision === undefined) {
      expect(codes).not.toEqual([]); // no verdict at all: the attempt is aborted
      return;
    }
    expect(decision.verdict.word, decision.reason).not.toBe('ACCEPT');
    if (blames !== 'item') expect(decision.verdict.word, decision.reason).toBe('HOLD');
  });

  test(`is blamed on the ${blames}`, () => {
    if (found.decision === undefined) return; // an error blames nobody: its text says what happened
    const gates = broken(found.decision);
    for (const gate of gates) expect(gate.blames, `${gate.name}: ${gate.evidence}`).toBe(blames);
    if (blames === 'item') return;
    expect(gates).not.toEqual([]);
    expect(found.decision.reason).toContain(`points at the ${blames}`);
  });

  if (name === 'reversed-polarity') {
    test('stops the run before more torque than 0.6 N·m', async () => {
      const { performed } = await tried(['static'], name);
      expect(performed?.brokenOff).toBe('polarity');
      expect(performed?.outcomes.map(({ stage }) => stage)).toEqual(['zero', 'polarity', 'run']);
    });
  }

  if (name === 'swapped-channels') {
    test('stops the run before any torque, and names the channel that has the shunt', () => {
      const { performed } = found;
      expect(performed?.brokenOff).toBe('zero');
      expect(performed?.energized).toBeUndefined();
      const shunt = performed?.outcomes[0]?.gates.find(({ id }) => id === 'shunt');
      expect(shunt?.evidence).toContain('It shows on the channel current instead');
    });
  }

  if (UNPOWERED.includes(name)) {
    test('is found before any torque', () => {
      expect(found.performed?.energized).toBeUndefined();
      expect(found.performed?.brokenOff ?? found.codes[0]).toBeDefined();
    });
  }

  if (name === 'swapped-smoothing') {
    test('is within every limit at setting 2: only the order of the settings shows it', () => {
      const { decision } = found;
      if (decision === undefined) throw new Error('the run was broken off');
      const order = ['grain-ratio', 'lag-increase'];
      expect(rowsThat(decision, 'nonconforming', 'inconclusive').toSorted()).toEqual(order);
      expect(rowsThat(decision, 'conforming')).toEqual(expect.arrayContaining(['lag', 'grain']));
    });
  }
});
