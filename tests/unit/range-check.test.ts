import { expect, test } from 'vitest';
import { celsius, newtonMetre, volt } from '../../src/base/units.js';
import type { Ratings } from '../../src/bench/bench.js';
import { readinessChecks, readinessProblems } from '../../src/readiness/readiness.js';
import { NOTHING_ENTERED } from '../support/empty-ledger.js';
import { shippedDocuments } from '../support/simulated-run.js';

const { procedure, station } = shippedDocuments();
const { ceiling } = procedure;

// Requirement: 1.2 to 5 times the ceiling, refused below 1.2 and above 10.
for (const [times, state, refuses] of [
  [1.19, 'failed', true],
  [1.2, 'ok', false],
  [5, 'ok', false],
  [5.01, 'failed', false],
  [10, 'failed', false],
  [10.1, 'failed', true],
  [NaN, 'failed', true],
] as const) {
  test(`a transducer of ${times} times the ceiling: ${state}, ${refuses ? 'refused' : 'not refused'}`, () => {
    const checks = readinessChecks({
      ...{ procedure, station, ...NOTHING_ENTERED, last: undefined },
      ratings: {
        ...{ torqueRange: times * ceiling, fixtures: [], channels: [] },
        ...{ indexing: 'bench', closedLoop: true },
      } as unknown as Ratings,
      interlocks: { guard: 'closed', emergencyStop: 'released', presence: 'held', age: 0 },
      environment: { ambient: celsius(23), humidity: 0.4, supply: volt(48), poweredFor: 1e5 },
      ...{ freeBytes: 1e12, recordBytes: 1e6 },
      now: Date.parse('2026-11-25T10:00:00Z'),
      sealUntil: Date.parse('2027-11-25T10:00:00Z'),
    });
    const range = checks.filter(({ name }) => name === 'transducer range');
    expect(range.map((check) => check.state)).toEqual([state]);
    expect(readinessProblems(range)).toHaveLength(refuses ? 1 : 0);
  });
}

test('the shipped transducer and ceiling need nothing', () => {
  const times = station.torqueRange / newtonMetre(ceiling);
  expect(times).toBeGreaterThanOrEqual(1.2);
  expect(times).toBeLessThanOrEqual(5);
});
