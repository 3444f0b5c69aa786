import { expect, test } from 'vitest';
import { fitPolynomial } from '../../src/scoring/curve.js';
import { filterOnce } from '../../src/scoring/filter.js';
import { linesByPeriod } from '../../src/scoring/spectrum.js';
import { ageWhileHeld } from '../../src/scoring/tracking.js';
import { expectClose, rowsOf, type Row } from '../support/rows.js';

const row = rowsOf('smoothing');

test('B-12: a local polynomial on a uniform grid has the weights of Savitzky and Golay', () => {
  const { expected, tolerance } = row('B-12') as Row<
    unknown,
    Record<
      | 'sg5_2'
      | 'sg7_2'
      | 'sg9_4'
      | 'sg5_2_d1_use_conv'
      | 'sg5_2_times35'
      | 'sg7_2_times21'
      | 'sg9_4_times429',
      number[]
    >
  >;
  const weights = (length: number, degree: number, power: number): number[] => {
    const x = Float64Array.from({ length }, (_, i) => i - (length - 1) / 2);
    return [...x.keys()].map((at) => {
      const impulse = x.map((_, i) => (i === at ? 1 : 0));
      return fitPolynomial(x, impulse, 0, degree)?.[power] ?? NaN;
    });
  };
  expectClose(weights(5, 2, 0), expected.sg5_2, tolerance);
  expectClose(weights(7, 2, 0), expected.sg7_2, tolerance);
  expectClose(weights(9, 4, 0), expected.sg9_4, tolerance);
  // The whole numbers of the printed tables; the row's tolerance times the common denominator.
  for (const [length, degree, whole, denominator] of [
    [5, 2, expected.sg5_2_times35, 35],
    [7, 2, expected.sg7_2_times21, 21],
    [9, 4, expected.sg9_4_times429, 429],
  ] as const) {
    const scaled = weights(length, degree, 0).map((weight) => weight * denominator);
    expectClose(scaled, whole, { abs: denominator * (tolerance.abs ?? 0) });
  }
  // The row lists the weights of the slope in the order of a convolution.
  expectClose(weights(5, 2, 1).reverse(), expected.sg5_2_d1_use_conv, tolerance);
});

const RATE = 6000;
const SINE = 2;
const UPDATES = 60;

/** A 2 Hz sine held at 60 updates a second, sampled at 6 kHz; ten repeats. */
const command = Float64Array.from({ length: 10 * 3000 }, (_, n) =>
  Math.sin((2 * Math.PI * SINE * Math.floor((n * UPDATES) / RATE)) / UPDATES),
);
const last = { start: 9 * 3000, period: 3000, periods: 1 };

function lines(x: Float64Array, frequencies: readonly number[]): { size: number; angle: number }[] {
  const [spectrum] = linesByPeriod(
    x,
    last,
    frequencies.map((f) => f / 2),
  );
  if (spectrum === undefined) throw new Error('no period');
  return frequencies.map((_, k) => {
    const [re, im] = [spectrum.re[k] ?? NaN, spectrum.im[k] ?? NaN];
    return { size: Math.hypot(re, im), angle: Math.atan2(im, re) };
  });
}

/**
 * Phase lag of the sine in s; the sine itself has its peak a quarter turn late. The second line, up at
 * 1.5 kHz, keeps samples from being averaged, which would fold 1 part in 10⁵ back.
 */
const lagOf = (x: Float64Array): number =>
  (-Math.PI / 2 - (lines(x, [SINE, 1500])[0]?.angle ?? NaN)) / (2 * Math.PI * SINE);

test('O-2: inside one family a heavier grade has more lag and less staircase', () => {
  const { inputs, expected, tolerance } = row('O-2') as Row<
    { grades_g: number[] },
    { content_rms: number[]; lag_s: number[]; lag_in_update_periods: number[] }
  >;
  // All lines from 30 Hz up to below half the sample rate, 2 Hz apart; the last one counts double.
  const high = Array.from({ length: 1485 }, (_, i) => 30 + 2 * i);
  const graded = inputs.grades_g.map((grade) => {
    const a = grade === 0 ? 0 : Math.exp(-1 / (100 * grade));
    return filterOnce([{ b: [1 - a, 0, 0], a: [-a, 0] }], command);
  });
  const content = graded.map((x) =>
    Math.sqrt(lines(x, high).reduce((sum, { size }) => sum + size ** 2 / 2, 0)),
  );
  const lag = graded.map(lagOf);
  expectClose(content, expected.content_rms, tolerance);
  expectClose(lag, expected.lag_s, tolerance);
  expectClose(
    lag.map((s) => s * UPDATES),
    expected.lag_in_update_periods,
    tolerance,
  );
  for (let i = 1; i < graded.length; i++) {
    expect(lag[i]).toBeGreaterThan(lag[i - 1] ?? NaN);
    expect(content[i]).toBeLessThan(content[i - 1] ?? NaN);
  }
});

test('O-3: an average over whole update periods removes the update lines', () => {
  const { inputs, expected, tolerance } = row('O-3') as Row<
    { periods: number[] },
    { ideal_gain_at_58_62_Hz: [number, number][]; added_lag_update_periods: number[] }
  >;
  // The third line keeps samples from being averaged, as in `lagOf`.
  const atImages = (x: Float64Array): { size: number }[] => lines(x, [58, 62, 1500]).slice(0, 2);
  const before = atImages(command);
  inputs.periods.forEach((periods, i) => {
    const length = periods * (RATE / UPDATES);
    let sum = 0;
    const averaged = command.map((value, n) => {
      sum += value - (command[n - length] ?? 0);
      return sum / length;
    });
    // The lines lie 2 Hz beside a zero of the average. The row states the gain in continuous time;
    // of n samples it is greater by πf/rate over its sine, 1 part in 6000.
    const gains = atImages(averaged).map(({ size }, k) => size / (before[k]?.size ?? NaN));
    const ideal = expected['ideal_gain_at_58_62_Hz'][i] ?? [NaN, NaN];
    expectClose(gains, ideal, tolerance);
    const sampled = ideal.map((gain, k) => {
      const half = (Math.PI * (k === 0 ? 58 : 62)) / RATE;
      return (gain * half) / Math.sin(half);
    });
    expectClose(gains, sampled, { abs: 1e-9 });
    // A sampled average over n samples is late by (n − 1)/2: half a sample less than half its length.
    const added = (lagOf(averaged) - lagOf(command) + 0.5 / RATE) * UPDATES;
    expectClose([added], [expected.added_lag_update_periods[i] ?? NaN], tolerance);
  });
});

test('O-4: lags of two, three and four update periods in ms; holding alone is half a period', () => {
  const { inputs, expected } = row('O-4') as Row<
    { update_Hz: number[]; lag_periods: number[] },
    { lag_ms: number[][]; accept_band_periods: [number, number][] }
  >;
  inputs.update_Hz.forEach((rate, i) => {
    inputs.lag_periods.forEach((periods, k) => {
      const seconds = (expected.lag_ms[i]?.[k] ?? NaN) / 1000;
      const [low, high] = expected.accept_band_periods[k] ?? [NaN, NaN];
      // The item updates a hundred times as fast as its source, so the age is that of the hold.
      const found = seconds / (2 * ageWhileHeld(rate, 100 * rate));
      expect(found).toBeGreaterThan(low);
      expect(found).toBeLessThan(high);
      expect(found).toBeCloseTo(periods, 5);
    });
  });
});
