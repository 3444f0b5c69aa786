import { expect, test } from 'vitest';
import type { Take } from '../../src/capture/capture.js';
import { ELECTRICAL } from '../../src/scoring/electrical.js';
import type { Outcome } from '../../src/scoring/scoring.js';
import {
  answering,
  hold,
  type Making,
  normalFrom,
  reasonOf,
  scoreIn,
  steps,
  takeOf,
  valueOf,
} from '../support/made-capture.js';

function scoreTakes(id: string, pattern: Making['pattern'], takes: readonly Take[]): Outcome {
  return scoreIn(ELECTRICAL, id, { pattern, takes });
}

const score = (id: string, making: Making): Outcome =>
  scoreTakes(id, making.pattern, [takeOf(making)]);

const full = steps([-12, 12], 0.06, 3);

test('a supply that sags by 0.7 V under load: its mean over 100 ms counts, not a dip of 1 ms', () => {
  const normal = normalFrom(2);
  const supply = (t: number): number =>
    48 - 0.7 * -Math.expm1(-t / 0.002) - (t > 0.2 && t < 0.201 ? 3 : 0) + 0.005 * normal();
  const outcome = score('supply-sag', { pattern: full, supply });
  // The dip takes 3 V for 1 of 100 ms: 30 mV; the start takes 20 of 400 µs' sag: 60 mV.
  expect(Math.abs(valueOf(outcome) - (0.7 + 0.03 - 0.06))).toBeLessThan(0.02);
});

test('the sag of the worst take counts; a take shorter than the mean has none', () => {
  const supply = (t: number): number => (t < 0.001 ? 48 : 47);
  const [mild, hard] = [takeOf({ pattern: full }), takeOf({ pattern: full, supply })];
  expect(valueOf(scoreTakes('supply-sag', full, [mild, hard, mild]))).toBeCloseTo(1, 3);
  expect(reasonOf(score('supply-sag', { pattern: hold(1, 0.05) }))).toContain('0.05 s');
});

test('a supply that dips and comes back with a time constant of 2 ms is within 1 % after a few times that', () => {
  const normal = normalFrom(4);
  const dip = answering(full, (t, change) =>
    change > 0 ? -2.4 * Math.exp(-t / 0.002) : -0.1 * Math.exp(-t / 0.002),
  );
  const supply = (t: number): number => 48 + 12 + dip(t) + 0.005 * normal();
  const outcome = score('supply-recovery', { pattern: full, supply });
  // Three rising steps dip by 2.4 V, two falling ones by 0.1 V: 1.48 V on average.
  const wanted = 0.002 * Math.log(1.48 / 0.48);
  expect(Math.abs(valueOf(outcome) - wanted)).toBeLessThan(0.0003);
});

test('a supply that stays within the band needs no time; one that ends outside is not evaluated', () => {
  expect(valueOf(score('supply-recovery', { pattern: full }))).toBe(0);
  const odd = steps([0, 12], 0.06);
  const supply = (t: number): number => (t > 0.1155 ? 40 : 48);
  expect(reasonOf(score('supply-recovery', { pattern: odd, supply }))).toContain('does not stay');
  expect(reasonOf(score('supply-recovery', { pattern: hold(1, 1) }))).toContain('no step');
});

test('the margin to saturation is what the busiest take left', () => {
  const take = takeOf({ pattern: full });
  const at = (duty: number): Take => ({ ...take, device: { ...take.device, duty } });
  const margin = (...duties: number[]): Outcome =>
    scoreTakes('saturation-margin', full, duties.map(at));
  expect(valueOf(margin(0.42, 0.81, 0.3))).toBeCloseTo(0.19, 12);
  expect(valueOf(margin(1))).toBe(0);
  expect(reasonOf(margin(0.5, 1.2))).toContain('1.2');
  expect(reasonOf(margin(Number.NaN))).toContain('NaN');
  const { updates, missing, time, fault } = take.device;
  const silent = { updates, missing, time, fault };
  expect(reasonOf(scoreTakes('saturation-margin', full, [{ ...take, device: silent }]))).toContain(
    'does not report',
  );
});

test('without a supply channel there is a reason', () => {
  const take = takeOf({ pattern: full });
  const { command } = take.channels;
  const bare = { ...take, channels: command === undefined ? {} : { command } };
  for (const id of ['supply-minimum', 'supply-sag', 'supply-recovery']) {
    expect(reasonOf(scoreTakes(id, full, [bare]))).toContain('no channel supply');
  }
});
