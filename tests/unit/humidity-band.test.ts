import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { expect, test } from 'vitest';
import { StallmarkError, type Problem } from '../../src/base/error.js';
import { celsius, volt } from '../../src/base/units.js';
import type { Ratings } from '../../src/bench/bench.js';
import type { FaultName } from '../../src/bench/fault.js';
import { simulatedBench } from '../../src/bench/simulated.js';
import type { Procedure } from '../../src/procedure/procedure.js';
import { readProcedure } from '../../src/procedure/schema.js';
import { readinessChecks, type Check } from '../../src/readiness/readiness.js';
import { PACKAGE_ROOT } from '../../src/run/documents.js';
import { environmentGates } from '../../src/scoring/gates-environment.js';
import { handClock } from '../support/clock.js';
import { NOTHING_ENTERED } from '../support/empty-ledger.js';
import { decisionOn, runItem, withStages } from '../support/simulated-run.js';
import { readLimits, readStation } from '../../src/procedure/schema.js';

const folder = join(PACKAGE_ROOT, 'procedures');
const FILE = 'procedures/h12-acceptance.yaml';
/** The shipped procedure without a band of its own, so that each test writes the one it needs. */
const bare = readFileSync(join(PACKAGE_ROOT, FILE), 'utf8').replace(/^humidity: .*\n/mu, '');
const read = (band: string): Procedure =>
  readProcedure(bare.replace(/^attempts:/mu, `${band}attempts:`), FILE, (name) =>
    readFileSync(join(folder, name)),
  );
const procedure = read('humidity: { from: 20 %, to: 70 % }\n');
const station = readStation(
  readFileSync(join(folder, 'benches/tw-1.yaml'), 'utf8'),
  'procedures/benches/tw-1.yaml',
);

test('a band of humidity is read as shares; without one there is none', () => {
  expect(procedure.humidity).toEqual({ from: 0.2, to: 0.7 });
  expect(read('').humidity).toBeUndefined();
});

const WRONG: readonly (readonly [band: string, code: Problem['code'], says: RegExp])[] = [
  ['{ from: 20, to: 70 % }', 'procedure/bare-number', /20 without a unit/u],
  ['{ from: 20 °C, to: 70 % }', 'procedure/unit-mismatch', /ratio in %/u],
  ['{ from: 70 %, to: 20 % }', 'document/value', /must be below 20 %/u],
  ['{ from: 20 %, to: 120 % }', 'document/value', /120 %, but must be at most 100 %/u],
  ['{ from: -5 %, to: 70 % }', 'document/value', /above 0/u],
  ['{ from: 20 % }', 'document/key', /has no "to"/u],
  ['{ from: 20 %, to: 70 %, dew: 5 °C }', 'document/key', /unknown key "dew"/u],
];

for (const [band, code, says] of WRONG) {
  test(`humidity: ${band} is refused as ${code}`, () => {
    let problems: readonly Problem[] = [];
    try {
      read(`humidity: ${band}\n`);
    } catch (error) {
      if (!(error instanceof StallmarkError)) throw error;
      problems = error.problems;
    }
    expect(problems.map((problem) => problem.code)).toEqual([code]);
    expect(problems[0]?.what).toMatch(says);
  });
}

function checkAt(humidity: number, of: Procedure): readonly Check[] {
  const checks = readinessChecks({
    ...{ procedure: of, station, ...NOTHING_ENTERED, last: undefined },
    ratings: {
      ...{ torqueRange: 20, fixtures: [], channels: [], indexing: 'bench', closedLoop: true },
    } as unknown as Ratings,
    interlocks: { guard: 'closed', emergencyStop: 'released', presence: 'held', age: 0 },
    environment: { ambient: celsius(23), humidity, supply: volt(48), poweredFor: 1e5 },
    ...{ freeBytes: 1e12, recordBytes: 1e6 },
    now: Date.parse('2026-11-25T10:00:00Z'),
    sealUntil: Date.parse('2027-11-25T10:00:00Z'),
  });
  return checks.filter(({ name }) => name === 'humidity');
}

const READY: readonly (readonly [humidity: number, state: Check['state']])[] = [
  [0.199, 'failed'],
  [0.2, 'ok'],
  [0.55, 'ok'],
  [0.7, 'ok'],
  [0.701, 'failed'],
  [NaN, 'failed'],
];

for (const [humidity, state] of READY) {
  test(`${100 * humidity} % before a start: ${state}`, () => {
    const [check, ...others] = checkAt(humidity, procedure);
    expect(others).toEqual([]);
    expect(check?.state).toBe(state);
    expect(check?.found).toBe(`${(100 * humidity).toFixed(1)} %, allowed 20 … 70 %`);
    expect(check?.clear).toBe('maintenance');
  });
}

test('a procedure without a band says nothing of humidity', () => {
  expect(checkAt(0.99, read(''))).toEqual([]);
});

const steady = { before: 23, after: 23, band: { from: 18, to: 28 } };
const KEPT: readonly (readonly [before: number, after: number, holds: boolean])[] = [
  [0.45, 0.46, true],
  [0.2, 0.7, true],
  [0.45, 0.71, false],
  [0.45, 0.19, false],
  [0.71, 0.45, false],
  [0.45, NaN, false],
];

for (const [before, after, holds] of KEPT) {
  test(`humidity from ${100 * before} to ${100 * after} % ${holds ? 'was kept' : 'voids the run'}`, () => {
    const band = { from: 0.2, to: 0.7 };
    const gates = environmentGates(steady, steady, { before, after, band });
    expect(gates.map(({ id }) => id)).toEqual(['ambient-kept', 'supply-kept', 'humidity-kept']);
    expect(gates[2]).toMatchObject({ holds, blames: 'stand', reach: 'run', unit: '%' });
    expect(gates[2]?.evidence).toContain('allowed 20 … 70 %');
  });
}

test('without a band no gate on humidity is judged', () => {
  expect(environmentGates(steady, steady).map(({ id }) => id)).toEqual([
    'ambient-kept',
    'supply-kept',
  ]);
});

const FAULTS: readonly (readonly [fault: FaultName, before: boolean, after: boolean])[] = [
  ['wrong-humidity:slight', true, true],
  ['wrong-humidity', false, false],
  ['wrong-humidity:severe', false, false],
  ['damp-air:slight', true, true],
  ['damp-air', true, false],
  ['damp-air:severe', true, false],
];

const limits = readLimits(
  readFileSync(join(PACKAGE_ROOT, 'limits/as-h12.yaml'), 'utf8'),
  'limits/as-h12.yaml',
);
const short = withStages({ procedure, limits, station }, ['zero', 'idle', 'close']);

for (const [fault, before, after] of FAULTS) {
  const what = !before ? 'keeps the bench from power' : after ? 'is accepted' : 'is held';
  test(`simulated ${fault} ${what}`, async () => {
    const run = runItem(short, { serial: 'H12-26-00001', faults: [fault], ready: true });
    if (!before) {
      await expect(run).rejects.toMatchObject({ problems: [{ code: 'readiness/not-ready' }] });
      return;
    }
    const { verdict, reason } = decisionOn(short, await run);
    expect(verdict.word, reason).toBe(after ? 'ACCEPT' : 'HOLD');
    if (!after) expect(reason).toMatch(/humidity kept.*points at the stand/su);
  });
}

test('the simulated bench is inside 20 … 70 % for 1,000 serials', async () => {
  const clock = handClock();
  const seen = [];
  for (let n = 0; n < 1000; n += 1) {
    const serial = `H12-26-${String(n).padStart(5, '0')}`;
    const bench = simulatedBench({ station, serial, attempt: 1, faults: [], clock, pace: 'fast' });
    seen.push((await bench.environment()).humidity);
  }
  expect(Math.min(...seen)).toBeGreaterThan(0.2);
  expect(Math.max(...seen)).toBeLessThan(0.7);
});
