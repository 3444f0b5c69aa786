import { expect, test } from 'vitest';
import { histogramLevels, plateauLevel } from '../../src/scoring/levels.js';
import {
  findTransition,
  overshoot,
  settledAt,
  undershootBefore,
} from '../../src/scoring/transition.js';
import rows from './transition.json' with { type: 'json' };

const UNIT = { low: 0, high: 1 };

function near(found: number | undefined, expected: number, abs: number): void {
  expect(Math.abs((found ?? Number.NaN) - expected)).toBeLessThanOrEqual(abs);
}

function sampled(f: (t: number) => number, step: number, n: number): Float64Array {
  return Float64Array.from({ length: n }, (_, i) => f(i * step));
}

/** Crossing times, s, of samples that start at 0. */
function times(
  y: ArrayLike<number>,
  step: number,
  levels = UNIT,
): Record<'t10' | 't50' | 't90', number> {
  const found = findTransition(y, levels);
  const at = (share: number): number => (found?.at(share) ?? Number.NaN) * step;
  return { t10: at(0.1), t50: (found?.half ?? Number.NaN) * step, t90: at(0.9) };
}

/** Unit step response of two poles with damping ζ < 1. */
function ring(t: number, zeta: number, wn: number): number {
  const root = Math.sqrt(1 - zeta * zeta);
  const wave = Math.cos(wn * root * t) + (zeta / root) * Math.sin(wn * root * t);
  return 1 - Math.exp(-zeta * wn * t) * wave;
}

test('A-1: first-order lag, crossings; the step is fine enough for straight lines', () => {
  const { inputs, expected, tolerance } = rows['A-1'];
  const step = 1e-7;
  const y = sampled((t) => -Math.expm1(-t / inputs.tau_s), step, 300_000);
  const found = times(y, step);
  near(found.t10, expected.t10_s, tolerance.abs);
  near(found.t50, expected.t50_s, tolerance.abs);
  near(found.t90, expected.t90_s, tolerance.abs);
  near(found.t90 - found.t10, expected.t10_90_s, tolerance.abs);
  const ratio = (found.t90 - found.t10) / inputs.tau_s;
  near(ratio, expected.t10_90_over_tau, tolerance.abs / inputs.tau_s);
});

test('A-2: first-order lag, settling from the start of the step', () => {
  const { inputs, expected, tolerance } = rows['A-2'];
  const step = 5e-5;
  const y = sampled((t) => -Math.expm1(-t / inputs.tau_s), step, 200_000);
  inputs.bands.forEach((band, i) => {
    near(
      (settledAt(y, UNIT, band) ?? Number.NaN) * step,
      expected.ts_over_tau[i] as number,
      tolerance.abs,
    );
  });
});

test('A-3: overshoot of two poles', () => {
  const { inputs, expected, tolerance } = rows['A-3'];
  inputs.zeta.forEach((zeta, i) => {
    const peak = Math.PI / Math.sqrt(1 - zeta * zeta);
    const y = sampled((t) => ring(t, zeta, 1), peak / 20_000, 60_000);
    near(100 * overshoot(y, UNIT), expected.overshoot_pct[i] as number, tolerance.abs);
  });
});

test('A-4: crossings and exact settling of two poles', () => {
  const { inputs, expected, tolerance } = rows['A-4'];
  const step = 1e-6;
  inputs.zeta.forEach((zeta, i) => {
    const y = sampled((t) => ring(t, zeta, inputs.wn_rad_s), step, 200_000);
    const found = times(y, step);
    near(found.t10, expected.t10_s[i] as number, tolerance.abs);
    near(found.t50, expected.t50_s[i] as number, tolerance.abs);
    near(found.t90, expected.t90_s[i] as number, tolerance.abs);
    near(found.t90 - found.t10, expected.tr_s[i] as number, tolerance.abs);
    near(
      (settledAt(y, UNIT, 0.02) ?? Number.NaN) * step,
      expected.ts2_s[i] as number,
      tolerance.abs,
    );
    near(
      (settledAt(y, UNIT, 0.05) ?? Number.NaN) * step,
      expected.ts5_s[i] as number,
      tolerance.abs,
    );
  });
});

test('A-6: a slew-limited step', () => {
  const { inputs, expected, tolerance } = rows['A-6'];
  const step = 1e-4;
  const y = sampled((t) => Math.min(inputs.step_Nm, inputs.slew_Nm_per_s * t), step, 400);
  const levels = { low: 0, high: inputs.step_Nm };
  const found = times(y, step, levels);
  near(found.t90 - found.t10, expected.t10_90_s, tolerance.abs);
  near(found.t50, expected.t50_s, tolerance.abs);
  near((settledAt(y, levels, 1e-12) ?? Number.NaN) * step, expected.t_end_s, tolerance.abs);
  near(100 * overshoot(y, levels), expected.overshoot_pct, tolerance.abs);
});

test('A-9: crossings by straight lines between given samples', () => {
  const { inputs, expected, tolerance } = rows['A-9'];
  const found = times(inputs.y, inputs.dt, { low: inputs.s1, high: inputs.s2 });
  near(found.t10, expected.t10, tolerance.abs);
  near(found.t50, expected.t50, tolerance.abs);
  near(found.t90, expected.t90, tolerance.abs);
});

test('A-10: overshoot, undershoot and settling of given samples', () => {
  const { inputs, expected, tolerance } = rows['A-10'];
  const levels = { low: inputs.s1, high: inputs.s2 };
  const half = findTransition(inputs.y, levels)?.half ?? Number.NaN;
  near(half, expected.t50, tolerance.abs);
  near(100 * overshoot(inputs.y, levels), expected.overshoot_pct, tolerance.abs);
  const before = undershootBefore(inputs.y, levels, Math.floor(half));
  near(100 * before, expected.undershoot_pre_pct, tolerance.abs);
  const settled = settledAt(inputs.y, levels, inputs.settle_band_pct / 100);
  near(settled, expected.t_last_entry, tolerance.abs);
  near((settled ?? Number.NaN) - half, expected.settling_duration, tolerance.abs);
});

test('A-12: state levels by the modes of the histogram, and by the last fifth of each plateau', () => {
  const { inputs, expected } = rows['A-12'];
  let state = 12345;
  const uniform = (): number => {
    state = (Math.imul(1664525, state) + 1013904223) >>> 0;
    return (state >>> 8) / 16777216;
  };
  const shape = (i: number): number => (i < 400 ? 0 : i < 431 ? (8 * (i - 399)) / 32 : 8);
  const y = Float64Array.from({ length: inputs.n }, (_, i) => shape(i) + 0.25 * (uniform() - 0.5));
  expected.first3.forEach((v, i) => {
    near(y[i], v, 1e-12);
  });
  const levels = histogramLevels(y);
  // All digits are known, so the row's own tolerance of one bin would be needlessly loose.
  near(levels?.low, expected.low, 1e-9);
  near(levels?.high, expected.high, 1e-9);
  near(levels?.low, 0, expected.bin_width);
  near(levels?.high, 8, expected.bin_width);
  near(plateauLevel(y, 0, 400), 0, expected.bin_width);
  near(plateauLevel(y, 431, inputs.n), 8, expected.bin_width);
});

test('A-14: a slew limit before a first-order lag', () => {
  const { inputs, expected, tolerance } = rows['A-14'];
  const { slew_per_s: slew, tau_s: tau, step: size } = inputs;
  const ramp = (t: number): number => (t <= 0 ? 0 : slew * (t + tau * Math.expm1(-t / tau)));
  const step = 1e-6;
  const y = sampled((t) => ramp(t) - ramp(t - size / slew), step, 60_000);
  const found = times(y, step, { low: 0, high: size });
  near(found.t10, expected.t10_s, tolerance.abs);
  near(found.t50, expected.t50_s, tolerance.abs);
  near(found.t90, expected.t90_s, tolerance.abs);
  near(y[15_000], expected.y_at_ramp_end, tolerance.abs);
  // Late in the ramp the lag has died out: e^(−5) of it is left.
  const behind = slew * 0.015 - (y[15_000] ?? Number.NaN);
  near(behind, expected.ramp_lag_amplitude * -Math.expm1(-5), tolerance.abs);
  near(expected.ramp_lag_amplitude / slew, expected.ramp_lag_time_s, tolerance.abs);
  expect(overshoot(y, { low: 0, high: size })).toBeLessThanOrEqual(tolerance.abs);
});

test('A-15: straight lines between coarse samples shorten the rise by what they must', () => {
  const { inputs, expected, tolerance } = rows['A-15'];
  const y = sampled((t) => -Math.expm1(-t / inputs.tau_s), inputs.dt_s, inputs.n);
  const found = times(y, inputs.dt_s);
  near(found.t10, expected.t10_s, tolerance.abs);
  near(found.t90, expected.t90_s, tolerance.abs);
  near(found.t90 - found.t10, expected.t10_90_s, tolerance.abs);
  expect(found.t90 - found.t10).toBeLessThan(expected.analytic_tr_s);
});

test('O-5: small steps rise alike, large ones as their size over the slew limit', () => {
  const { inputs, expected, tolerance } = rows['O-5'];
  const [slew, wn] = [1000, 400]; // as the row's model states
  const ramp = (t: number): number =>
    t <= 0 ? 0 : slew * (t - 2 / wn + Math.exp(-wn * t) * (t + 2 / wn));
  const step = 1e-5;
  inputs.steps_Nm.forEach((size, i) => {
    const y = sampled((t) => ramp(t) - ramp(t - size / slew), step, 10_000);
    const levels = { low: 0, high: size };
    const found = times(y, step, levels);
    const want = expected.per_step[i];
    near(found.t10, want?.t10 ?? Number.NaN, tolerance.abs);
    near(found.t50, want?.t50 ?? Number.NaN, tolerance.abs);
    near(found.t90, want?.t90 ?? Number.NaN, tolerance.abs);
    near(found.t90 - found.t10, want?.t10_90 ?? Number.NaN, tolerance.abs);
    expect(overshoot(y, levels)).toBeLessThan(1e-9);
  });
  // A step so small that the slew limit is over at once, and one so large that it is all there is.
  const rise = (size: number, fine: number, samples: number): number => {
    const y = sampled((t) => ramp(t) - ramp(t - size / slew), fine, samples);
    const found = times(y, fine, { low: 0, high: size });
    return found.t90 - found.t10;
  };
  near(rise(1e-4, 1e-6, 30_000), expected.small_step_limit_t10_90_s, tolerance.abs);
  near(rise(200, 1e-5, 30_000), (0.8 * 200) / slew, tolerance.abs);
  const late = 0.1 - ramp(0.1) / slew; // late in a ramp of 100 ms
  near(late, expected.large_step_added_delay_s, tolerance.abs);
});
