import { expect, test } from 'vitest';
import {
  angleOfDelay,
  correlate,
  delayFromAngles,
  fitShape,
  leastDelayError,
  parabolicPeak,
  unwrap,
} from '../../src/scoring/delay.js';
import { turnAt } from '../../src/scoring/phase.js';
import { filterOnce } from '../../src/scoring/filter.js';
import { greatestMagnitude } from '../../src/scoring/line.js';
import { linesByPeriod } from '../../src/scoring/spectrum.js';
import { lcg, lcgNormal } from '../support/lcg.js';
import { expectClose, rowsOf, type Row } from '../support/rows.js';

const row = rowsOf('delay');

const noiseFrom = (seed: number, length: number): Float64Array => {
  const next = lcg(seed);
  return Float64Array.from({ length }, () => next() - 0.5);
};
const late = (x: Float64Array, samples: number): Float64Array =>
  x.map((_, n) => x[n - samples] ?? 0);

function peakOf(r: Float64Array): number {
  return r.reduce((best, value, i) => (value > (r[best] ?? NaN) ? i : best), 0);
}

test('D-1: whole-sample delay by correlation', () => {
  const { expected, tolerance } = row('D-1') as Row<
    unknown,
    { argmax: number; R_at_6_7_8: number[] }
  >;
  const x = noiseFrom(99, 512);
  const r = correlate(x, late(x, 7), { from: -20, to: 20 }, 'zero');
  expect(peakOf(r) - 20).toBe(expected.argmax);
  expectClose(r.slice(26, 29), expected.R_at_6_7_8, tolerance);
});

test('D-2: parabola through three values', () => {
  const { inputs, expected, tolerance } = row('D-2') as Row<
    { R: [number, number, number][] },
    { offset: number[]; peak_value: number[] }
  >;
  const peaks = inputs.R.map((r) => parabolicPeak(...r));
  expectClose(
    peaks.map((p) => p.offset),
    expected.offset,
    tolerance,
  );
  expectClose(
    peaks.map((p) => p.value),
    expected.peak_value,
    tolerance,
  );
});

test('D-3: a quarter sample by the slope of the phase', () => {
  const { inputs, expected, tolerance } = row('D-3') as Row<
    { N: number; a: number[]; p: number[]; true_delay_samples: number },
    { phase_rad_k1_5: number[]; delay_samples: number }
  >;
  const record = (delay: number): Float64Array =>
    Float64Array.from({ length: inputs.N }, (_, n) =>
      inputs.a.reduce((sum, a, i) => {
        const w = (2 * Math.PI * (i + 1)) / inputs.N;
        return sum + a * Math.cos(w * (n - delay) + (inputs.p[i] ?? NaN));
      }, 0),
    );
  const bins = [1, 2, 3, 4, 5];
  const whole = { start: 0, period: inputs.N, periods: 1 };
  const [x] = linesByPeriod(record(0), whole, bins);
  const [y] = linesByPeriod(record(inputs.true_delay_samples), whole, bins);
  if (x === undefined || y === undefined) throw new Error('no period');
  const angle = unwrap(
    x.re.map((_, k) => {
      const at = ({ re, im }: typeof x): number => Math.atan2(im[k] ?? NaN, re[k] ?? NaN);
      const apart = at(y) - at(x);
      return Math.atan2(Math.sin(apart), Math.cos(apart));
    }),
  );
  expectClose(angle, expected.phase_rad_k1_5, tolerance);
  const { delay } = delayFromAngles({
    frequency: Float64Array.from(bins, (k) => k / inputs.N),
    angle,
    coherence: new Float64Array(5).fill(0.9),
    averages: 16,
  });
  expectClose([delay], [expected.delay_samples], tolerance);
});

test('D-5: the parabola is biased towards whole samples by a known amount', () => {
  const { inputs, expected, tolerance } = row('D-5') as Row<
    { period_samples: number; true_offset: number[] },
    { parabolic_estimate: number[] }
  >;
  const at = (k: number): number => Math.cos((2 * Math.PI * k) / inputs.period_samples);
  const found = inputs.true_offset.map((d) => parabolicPeak(at(-1 - d), at(-d), at(1 - d)).offset);
  expectClose(found, expected.parabolic_estimate, tolerance);
});

test('D-7: least standard error of the delay of a known shape in white noise', () => {
  const { inputs, expected, tolerance } = row('D-7') as Row<
    { A: number; f_Hz: number; fs_Hz: number; N: number; sigma: number },
    { sigma_tau_s: number; closed_form_s: number }
  >;
  const turn = 2 * Math.PI * inputs.f_Hz;
  const slope = Float64Array.from(
    { length: inputs.N },
    (_, n) => inputs.A * turn * Math.cos((turn * n) / inputs.fs_Hz),
  );
  expectClose([leastDelayError(slope, inputs.sigma)], [expected.sigma_tau_s], tolerance);
  expectClose([leastDelayError(slope, inputs.sigma)], [expected.closed_form_s], tolerance);
});

test('the fit of the shape of D-7 states the least standard error there is, and keeps to it', () => {
  const { inputs, expected } = row('D-7') as Row<
    { A: number; f_Hz: number; fs_Hz: number; N: number; sigma: number },
    { sigma_tau_s: number }
  >;
  const shape = (t: number): number => inputs.A * Math.sin(2 * Math.PI * inputs.f_Hz * t);
  const time = Float64Array.from({ length: inputs.N }, (_, n) => n / inputs.fs_Hz);
  const noise = lcgNormal(5);
  const fits = Array.from({ length: 200 }, () =>
    fitShape(
      time.map((t) => shape(t - 0.0123) + inputs.sigma * noise()),
      time,
      shape,
      { start: 0.01, skew: 0 },
    ),
  );
  const stated = fits.reduce((sum, fit) => sum + (fit?.standardError ?? NaN), 0) / fits.length;
  const found = Math.sqrt(
    fits.reduce((sum, fit) => sum + ((fit?.delay ?? NaN) - 0.0123) ** 2, 0) / fits.length,
  );
  // The slope is a chord over one sample: 1 % weak. 200 records give a spread good to 5 %, ± 3 sd.
  expect(stated / expected.sigma_tau_s).toBeCloseTo(1, 1);
  expect(Math.abs(found / expected.sigma_tau_s - 1)).toBeLessThan(0.15);
});

test('D-8: standard error of the phase slope is the bound from coherence', () => {
  const { inputs, expected, tolerance } = row('D-8') as Row<
    { T_s: number[]; f1_Hz: number[]; f2_Hz: number[]; msc: number[] },
    { sigma_tau_s: number[] }
  >;
  const found = inputs.T_s.map((seconds, i) => {
    const [low, high] = [inputs.f1_Hz[i] ?? NaN, inputs.f2_Hz[i] ?? NaN];
    const spacing = 0.001; // Hz: the sum over lines is then the integral to 1 part in 10¹⁰
    const count = Math.round((high - low) / spacing);
    const frequency = Float64Array.from({ length: count }, (_, k) => low + (k + 0.5) * spacing);
    return delayFromAngles({
      frequency,
      angle: new Float64Array(count),
      coherence: new Float64Array(count).fill(inputs.msc[i] ?? NaN),
      averages: seconds * spacing,
    }).standardError;
  });
  expectClose(found, expected.sigma_tau_s, tolerance);
});

test('D-10: angle of a pure delay', () => {
  const { inputs, expected, tolerance } = row('D-10') as Row<
    { f_Hz: number[]; T_s: number },
    { lag_deg: number[] }
  >;
  expectClose(
    inputs.f_Hz.map((f) => -angleOfDelay(f, inputs.T_s)),
    expected.lag_deg,
    tolerance,
  );
});

test('D-11: one line leaves whole turns open, unwrapped lines do not', () => {
  const { inputs, expected, tolerance } = row('D-11') as Row<
    { delay_s: number; f_Hz: number },
    { wrapped_lag_deg: number; candidates_s: number[] }
  >;
  const wrap = (degrees: number): number => {
    const angle = (degrees * Math.PI) / 180;
    return Math.atan2(Math.sin(angle), Math.cos(angle));
  };
  const read = (frequencies: readonly number[]): number => {
    const frequency = Float64Array.from(frequencies);
    return delayFromAngles({
      frequency,
      angle: unwrap(frequency.map((f) => wrap(angleOfDelay(f, inputs.delay_s)))),
      coherence: frequency.map(() => 0.9),
      averages: 16,
    }).delay;
  };
  expectClose([read([inputs.f_Hz])], [expected.candidates_s[0] ?? NaN], tolerance);
  expectClose([read([10, 30, 60, inputs.f_Hz])], [inputs.delay_s], tolerance);
  const lag = (-wrap(angleOfDelay(inputs.f_Hz, inputs.delay_s)) * 180) / Math.PI;
  expectClose([lag], [expected.wrapped_lag_deg], tolerance);
});

test('O-7: the transducer trace is the motor torque, seven samples later', () => {
  const { inputs, expected } = row('O-7') as Row<
    { b: [number, number, number]; a: [number, number, number]; sample_s: number },
    {
      delay_samples: number;
      delay_s: number;
      max_abs_residual_after_shift: number;
      normalised_correlation_at_7: number;
      rms_error_without_shift: number;
      x_rms: number;
      x_100_104: number[];
    }
  >;
  const section = { b: inputs.b, a: [inputs.a[1], inputs.a[2]] as const };
  const x = filterOnce([section], noiseFrom(11, 600)).map((value) => 20 * value);
  expectClose(x.slice(100, 105), expected.x_100_104, { abs: 1e-9 });
  const y = late(x, 7);
  const rms = (values: Float64Array): number =>
    Math.sqrt(values.reduce((sum, value) => sum + value * value, 0) / values.length);
  const unshifted = rms(y.map((value, n) => value - (x[n] ?? NaN)));
  expectClose([rms(x), unshifted], [expected.x_rms, expected.rms_error_without_shift], {
    abs: 1e-9,
  });
  const left = greatestMagnitude(y.slice(7).map((value, n) => value - (x[n] ?? NaN)));
  expect(left).toBe(expected.max_abs_residual_after_shift);
  const r = correlate(x, y, { from: 0, to: 20 }, 'zero');
  expect(peakOf(r)).toBe(expected.delay_samples);
  const norm = Math.sqrt(
    x.subarray(0, 593).reduce((s, v) => s + v * v, 0) * y.reduce((s, v) => s + v * v, 0),
  );
  expectClose([(r[7] ?? NaN) / norm], [expected.normalised_correlation_at_7], { abs: 1e-9 });
  const shape = (t: number): number => {
    const [at, whole] = [t / inputs.sample_s, Math.floor(t / inputs.sample_s + 1e-9)];
    const [low, high] = [x[whole] ?? 0, x[whole + 1] ?? 0];
    return low + (high - low) * (at - whole);
  };
  const time = Float64Array.from({ length: 570 }, (_, n) => (n + 20) * inputs.sample_s);
  const fit = fitShape(y.slice(20, 590), time, shape, { start: 0.0066, skew: 0 });
  expectClose([fit?.delay ?? NaN], [expected.delay_s], { abs: 0.05 * inputs.sample_s });
});

test('D-10: a pure delay turns by 360 f T and has that group delay, read off a few lines', () => {
  const { inputs, expected, tolerance } = row('D-10') as Row<
    { f_Hz: number[]; T_s: number },
    { lag_deg: number[] }
  >;
  const frequency = Float64Array.from({ length: 60 }, (_, k) => k + 1);
  const value = frequency.map((f) => angleOfDelay(f, inputs.T_s));
  const turns = inputs.f_Hz.map((f) => turnAt({ frequency, value }, f));
  expectClose(
    turns.map((turn) => -(turn?.angle ?? NaN)),
    expected.lag_deg,
    tolerance,
  );
  for (const turn of turns) expectClose([turn?.groupDelay ?? NaN], [inputs.T_s], tolerance);
});
