import { expect, test } from 'vitest';
import { secondEstimate } from '../../src/scoring/coherence.js';
import { firstDescent } from '../../src/scoring/curve.js';
import { angleOfDelay, delayFromAngles, unwrap } from '../../src/scoring/delay.js';
import { butterworth, filterOnce, gainOf, type Section } from '../../src/scoring/filter.js';
import { averageResponse, randomError, standGain } from '../../src/scoring/response.js';
import {
  coherenceOf,
  figuresOf,
  responseOf,
  welch,
  windowOf,
  type WindowKind,
} from '../../src/scoring/spectrum.js';
import { hertz } from '../../src/base/units.js';
import { lcg, lcgStep } from '../support/lcg.js';
import { expectClose, rowsOf, type Row } from '../support/rows.js';

const row = rowsOf('spectrum');
const RAD = Math.PI / 180;

/** Frequencies closely around one place, so that straight lines between them are exact enough. */
const around = (f: number): Float64Array =>
  Float64Array.from({ length: 2001 }, (_, i) => f * (1 + (i - 1000) * 1e-6));
const decibel = (gain: number): number => 20 * Math.log10(gain);

const lag = (f: number, tau: number): { size: number; angle: number } => {
  const x = 2 * Math.PI * f * tau;
  return { size: 1 / Math.hypot(1, x), angle: -Math.atan(x) };
};

test('B-1: −3 dB point and delay of a first-order lag', () => {
  const { inputs, expected, tolerance } = row('B-1') as Row<
    { tau_s: number },
    {
      f3dB_Hz: number;
      mag_at_f3dB: number;
      phase_at_f3dB_deg: number;
      gd_dc_s: number;
      gd_at_f3dB_s: number;
      tr_times_bw: number;
    }
  >;
  const frequency = around(31.831);
  const gain = frequency.map((f) => decibel(lag(f, inputs.tau_s).size));
  const angle = frequency.map((f) => lag(f, inputs.tau_s).angle / RAD);
  const half = decibel(expected.mag_at_f3dB);
  const found = firstDescent({ frequency, value: gain }, half) ?? NaN;
  expectClose([found], [expected.f3dB_Hz], tolerance);
  const at45 = firstDescent({ frequency, value: angle }, expected.phase_at_f3dB_deg) ?? NaN;
  expectClose([at45], [expected.f3dB_Hz], tolerance);
  const low = Float64Array.of(1e-4, 2e-4);
  const slope = delayFromAngles({
    frequency: low,
    angle: low.map((f) => lag(f, inputs.tau_s).angle),
    coherence: Float64Array.of(0.9, 0.9),
    averages: 16,
  });
  expectClose([slope.delay], [expected.gd_dc_s], tolerance);
  // The slope of the angle itself, by a chord so short that it is good to 1 part in 10⁹.
  const h = 1e-5 * expected.f3dB_Hz;
  const chord = lag(found + h, inputs.tau_s).angle - lag(found - h, inputs.tau_s).angle;
  expectClose([-chord / (4 * Math.PI * h)], [expected.gd_at_f3dB_s], tolerance);
  expectClose([Math.log(9) * inputs.tau_s * found], [expected.tr_times_bw], tolerance);
});

test('B-2: bandwidth, peak, phase and delay of the spring and mass of the stand', () => {
  const { inputs, expected, tolerance } = row('B-2') as Row<
    { zeta: number[] },
    Record<'bw_over_wn' | 'Mr' | 'wr_over_wn' | 'phase_at_wn_deg' | 'gd_dc_times_wn', number[]>
  >;
  inputs.zeta.forEach((damping, i) => {
    const stand = { resonance: hertz(1), damping };
    const at = (f: number): { size: number; angle: number } => {
      const { re, im } = standGain(f, stand);
      return { size: Math.hypot(re, im), angle: Math.atan2(im, re) };
    };
    const frequency = around(expected.bw_over_wn[i] ?? NaN);
    const value = frequency.map((f) => decibel(at(f).size));
    const found = firstDescent({ frequency, value }, decibel(Math.SQRT1_2)) ?? NaN;
    expectClose([found], [expected.bw_over_wn[i] ?? NaN], tolerance);
    expectClose([at(expected.wr_over_wn[i] ?? NaN).size], [expected.Mr[i] ?? NaN], tolerance);
    const peak = expected.wr_over_wn[i] ?? NaN;
    expect(at(peak + 0.01).size).toBeLessThan(at(peak).size);
    expectClose([at(1).angle / RAD], [expected.phase_at_wn_deg[i] ?? NaN], tolerance);
    const low = Float64Array.of(1e-6, 2e-6);
    const { delay } = delayFromAngles({
      frequency: low,
      angle: low.map((f) => at(f).angle),
      coherence: Float64Array.of(0.9, 0.9),
      averages: 16,
    });
    expectClose([delay * 2 * Math.PI], [expected.gd_dc_times_wn[i] ?? NaN], tolerance);
  });
});

test('B-4: Hann window of eight, periodic and symmetric', () => {
  const { expected, tolerance } = row('B-4') as Row<
    unknown,
    { periodic: number[]; symmetric: number[] }
  >;
  expectClose(windowOf('hann', 8), expected.periodic, tolerance);
  expectClose(windowOf('hann', 8, 'symmetric'), expected.symmetric, tolerance);
});

test('B-5: noise bandwidth, coherent gain and scalloping of five windows', () => {
  const { inputs, expected, tolerance } = row('B-5') as Row<
    { N: number; scipy_names: WindowKind[] },
    Record<WindowKind, { enbw_bins: number; coherent_gain: number; scallop_dB: number }> & {
      published_Harris_Table1: Partial<Record<WindowKind, [number, number]>>;
    }
  >;
  for (const kind of inputs.scipy_names) {
    const figures = figuresOf(windowOf(kind, inputs.N));
    const { enbw_bins, coherent_gain, scallop_dB } = expected[kind];
    expectClose(
      [figures.noiseBandwidth, figures.coherentGain, figures.scalloping],
      [enbw_bins, coherent_gain, scallop_dB],
      tolerance,
    );
    const [bandwidth, loss] = expected.published_Harris_Table1[kind] ?? [enbw_bins, scallop_dB];
    // Printed to two decimals; of the Hamming window the printed 1.78 dB is 0.03 above the exact loss.
    expectClose([figures.noiseBandwidth], [bandwidth], { abs: 0.005 });
    expectClose([figures.scalloping], [loss], { abs: kind === 'hamming' ? 0.03 : 0.005 });
  }
});

/** The record of row B-7: smoothed, delayed and noisy. */
function record(): { readonly x: Float64Array; readonly y: Float64Array } {
  const { inputs } = row('B-7') as Row<{ n: number; a: number; d: number; noise: number }, unknown>;
  const [first, second] = [lcg(1), lcg(2)];
  const x = Float64Array.from({ length: inputs.n }, () => first() - 0.5);
  let p = 0;
  const y = x.map((_, n) => {
    p = inputs.a * p + (1 - inputs.a) * (x[n - inputs.d] ?? 0);
    return p + inputs.noise * (second() - 0.5);
  });
  return { x, y };
}

const sum = (values: Float64Array): number => values.reduce((total, value) => total + value, 0);

test('B-7: the test record, bit for bit', () => {
  const { expected, tolerance } = row('B-7') as Row<
    unknown,
    {
      states_seed1: number[];
      x_first6: number[];
      y_first8: number[];
      x_sum: number;
      y_sum: number;
      y_last: number;
    }
  >;
  let state = 1;
  expect(expected.states_seed1.map(() => (state = lcgStep(state)))).toEqual(expected.states_seed1);
  const { x, y } = record();
  expectClose(x.slice(0, 6), expected.x_first6, tolerance);
  expectClose(y.slice(0, 8), expected.y_first8, tolerance);
  expectClose([y[y.length - 1] ?? NaN], [expected.y_last], tolerance);
  // Sums of 4096 numbers round more than once.
  expectClose([sum(x), sum(y)], [expected.x_sum, expected.y_sum], { abs: 1e-11 });
});

test('B-8: Welch densities, coherence and H1', () => {
  const { inputs, expected, tolerance } = row('B-8') as Row<
    { fs_Hz: number; nperseg: number; noverlap: number },
    Record<
      | 'bins'
      | 'f_Hz'
      | 'Pxx'
      | 'Pyy'
      | 'Pxy_re'
      | 'Pxy_im'
      | 'coherence'
      | 'H1_mag'
      | 'H1_phase_rad',
      number[]
    > & { sum_Pxx: number; sum_coherence: number }
  >;
  const { x, y } = record();
  const found = welch(x, y, {
    rate: inputs.fs_Hz,
    segment: inputs.nperseg,
    overlap: inputs.noverlap,
  });
  const pick = (values: Float64Array): number[] => expected.bins.map((k) => values[k] ?? NaN);
  const coherence = coherenceOf(found);
  const { re, im } = responseOf(found);
  expect(found.segments).toBe(31);
  expectClose(pick(found.frequency), expected.f_Hz, tolerance);
  expectClose(pick(found.xx), expected.Pxx, tolerance);
  expectClose(pick(found.yy), expected.Pyy, tolerance);
  expectClose(pick(found.xy.re), expected.Pxy_re, tolerance);
  // Bins 0 and 128 are real: their imaginary part is rounding.
  expectClose(pick(found.xy.im), expected.Pxy_im, { ...tolerance, abs: 1e-18 });
  expectClose(pick(coherence), expected.coherence, tolerance);
  expectClose(
    pick(re.map((value, k) => Math.hypot(value, im[k] ?? NaN))),
    expected.H1_mag,
    tolerance,
  );
  // Half a turn and minus half a turn are one angle.
  const angles = pick(re.map((value, k) => Math.atan2(im[k] ?? NaN, value)));
  expectClose(
    angles.map((angle, i) => Math.cos(angle - (expected.H1_phase_rad[i] ?? NaN))),
    angles.map(() => 1),
    tolerance,
  );
  expectClose(angles.slice(1, -1), expected.H1_phase_rad.slice(1, -1), tolerance);
  expectClose(
    [sum(found.xx), sum(coherence)],
    [expected.sum_Pxx, expected.sum_coherence],
    tolerance,
  );
});

test('B-10: Butterworth coefficients of order 2', () => {
  const { inputs, expected, tolerance } = row('B-10') as Row<
    { order: number; fc_Hz: number; fs_Hz: number },
    { b: number[]; a: number[] }
  >;
  const [section, ...others] = butterworth(inputs.order, inputs.fc_Hz, inputs.fs_Hz).sections;
  expect(others).toEqual([]);
  expectClose(section?.b ?? [], expected.b, tolerance);
  expectClose([1, ...(section?.a ?? [])], expected.a, tolerance);
});

/** y = a·y + (1 − a)·x as a section. */
const smoother = (a: number): Section => ({ b: [1 - a, 0, 0], a: [-a, 0] });

/** Delay in samples from the slope of the angle over angular frequency. */
function groupDelay(angleAt: (w: number) => number, w: number): number {
  const h = 1e-4;
  return -(angleAt(w + h) - angleAt(w - h)) / (2 * h);
}

test('B-15: delay of averages and of the first-order smoother', () => {
  const { inputs, expected, tolerance } = row('B-15') as Row<
    { MA_N: number[]; a: number[] },
    { ma: number[]; ema_dc: number[]; 'ema_a0.8_at_w_0.5_1.0': number[] }
  >;
  const emaAngle =
    (a: number) =>
    (w: number): number => {
      const { re, im } = gainOf([smoother(a)], w, 2 * Math.PI);
      return Math.atan2(im, re);
    };
  const maAngle =
    (n: number) =>
    (w: number): number => {
      let [re, im] = [0, 0];
      for (let k = 0; k < n; k++) [re, im] = [re + Math.cos(w * k), im - Math.sin(w * k)];
      return Math.atan2(im, re);
    };
  const slope = (angleAt: (w: number) => number): number =>
    delayFromAngles({
      frequency: Float64Array.of(1e-5 / (2 * Math.PI)),
      angle: Float64Array.of(angleAt(1e-5)),
      coherence: Float64Array.of(0.9),
      averages: 16,
    }).delay;
  expectClose(
    inputs.MA_N.map((n) => slope(maAngle(n))),
    expected.ma,
    tolerance,
  );
  expectClose(
    inputs.a.map((a) => slope(emaAngle(a))),
    expected.ema_dc,
    tolerance,
  );
  expectClose(
    [0.5, 1].map((w) => groupDelay(emaAngle(0.8), w)),
    expected['ema_a0.8_at_w_0.5_1.0'],
    tolerance,
  );
});

test('B-17: coherence is SNR/(1 + SNR), of one segment 1, and sets the random error', () => {
  const { inputs, expected, tolerance } = row('B-17') as Row<
    { snr_out: number[] },
    {
      gamma2: number[];
      single_segment_coherence: number;
      'rel_random_error_H1_at_gamma2_0.9_nd_50': number;
    }
  >;
  const line = (re: number): { re: Float64Array; im: Float64Array } => ({
    re: Float64Array.of(re),
    im: Float64Array.of(0),
  });
  const found = inputs.snr_out.map((snr) => {
    const noise = 1 / Math.sqrt(snr);
    const y = [line(1 + noise), line(1 - noise)];
    return averageResponse(Float64Array.of(10), [line(1), line(1)], y).coherence[0] ?? NaN;
  });
  expectClose(found, expected.gamma2, tolerance);
  const { x, y } = record();
  const single = coherenceOf(welch(x, y, { rate: 1000, segment: 4096, overlap: 0 }));
  expectClose(
    single.slice(1),
    new Float64Array(2048).fill(expected.single_segment_coherence),
    tolerance,
  );
  expectClose(
    [randomError(0.9, 50)],
    [expected['rel_random_error_H1_at_gamma2_0.9_nd_50']],
    tolerance,
  );
});

test('B-18: response of a first-order smoother, by formula and by filtering', () => {
  const { inputs, expected, tolerance } = row('B-18') as Row<
    { f_Hz: number[]; fs: number },
    { mag: number[]; phase_deg: number[]; f3dB_Hz: number }
  >;
  const at = (f: number): { re: number; im: number } => gainOf([smoother(0.75)], f, inputs.fs);
  expectClose(
    inputs.f_Hz.map((f) => Math.hypot(at(f).re, at(f).im)),
    expected.mag,
    tolerance,
  );
  expectClose(
    inputs.f_Hz.map((f) => Math.atan2(at(f).im, at(f).re) / RAD),
    expected.phase_deg,
    tolerance,
  );
  const frequency = around(46.105);
  const value = frequency.map((f) => decibel(Math.hypot(at(f).re, at(f).im)));
  const found = firstDescent({ frequency, value }, decibel(Math.SQRT1_2)) ?? NaN;
  expectClose([found], [expected.f3dB_Hz], tolerance);
  const x = Float64Array.from({ length: 200 }, (_, n) => Math.sin(n));
  let y = 0;
  const byHand = x.map((value2) => (y = 0.75 * y + 0.25 * value2));
  expectClose(filterOnce([smoother(0.75)], x), byHand, { abs: 1e-15 });
});

test('J-7: angles of delay, hold and lag add up', () => {
  const { inputs, expected, tolerance } = row('J-7') as Row<
    { f_Hz: number[]; delay_s: number; hold_T_s: number; tau_s: number },
    Record<'delay_deg' | 'hold_deg' | 'lag_deg' | 'sum_deg', number[]>
  >;
  const delay = inputs.f_Hz.map((f) => -angleOfDelay(f, inputs.delay_s));
  const hold = inputs.f_Hz.map((f) => -angleOfDelay(f, inputs.hold_T_s / 2));
  expectClose(delay, expected.delay_deg, tolerance);
  expectClose(hold, expected.hold_deg, tolerance);
  // All three in one chain: the angle is known within a turn, then unwrapped from line to line.
  const wrapped = Float64Array.from(inputs.f_Hz, (f, i) => {
    const angle = lag(f, inputs.tau_s).angle - ((delay[i] ?? NaN) + (hold[i] ?? NaN)) * RAD;
    return Math.atan2(Math.sin(angle), Math.cos(angle));
  });
  expectClose(
    unwrap(wrapped).map((angle) => -angle / RAD),
    expected.sum_deg,
    tolerance,
  );
});

test('B-17: the first estimate of the gain over the second is the coherence; noise of the output lifts the second', () => {
  const { inputs, expected, tolerance } = row('B-17') as Row<
    { snr_out: number[] },
    { gamma2: number[] }
  >;
  const line = (re: number): { re: Float64Array; im: Float64Array } => ({
    re: Float64Array.of(re),
    im: Float64Array.of(0),
  });
  const gains = inputs.snr_out.map((snr) => {
    const noise = 1 / Math.sqrt(snr);
    const y = [line(2 * (1 + noise)), line(2 * (1 - noise))];
    const first = averageResponse(Float64Array.of(10), [line(1), line(1)], y);
    return [first.ratio.re[0] ?? NaN, secondEstimate(first).ratio.re[0] ?? NaN] as const;
  });
  expectClose(
    gains.map(([first, second]) => first / second),
    expected.gamma2,
    tolerance,
  );
  expectClose(
    gains.map(([first]) => first),
    inputs.snr_out.map(() => 2),
    tolerance,
  );
});
