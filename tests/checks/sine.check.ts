import { expect, test } from 'vitest';
import {
  bitsOfRatio,
  effectiveBits,
  fitSine,
  fitSineAndFrequency,
  idealRatio,
  jitterRatio,
  type SineFit,
} from '../../src/scoring/sine.js';
import { standardFromStep } from '../../src/scoring/uncertainty.js';
import { expectClose, rowsOf, type Row } from '../support/rows.js';

const row = rowsOf('sine');

test('C-1: signal-to-noise ratio of ideal converters', () => {
  const { inputs, expected, tolerance } = row('C-1') as Row<
    { N: number[] },
    { exact_dB: number[]; rule_dB: number[] }
  >;
  expectClose(inputs.N.map(idealRatio), expected.exact_dB, tolerance);
  expectClose(expected.rule_dB.map(bitsOfRatio), inputs.N, tolerance);
});

test('C-2: effective bits from what a sine fit leaves over, and from a ratio by the rounded rule', () => {
  const { inputs, expected, tolerance } = row('C-2') as Row<
    { SINAD_dB: number[]; rms_res: number[]; FSR_LSB: number; N: number },
    { enob_from_sinad: number[]; enob_from_rms: number[]; equiv_loss_bits: number[] }
  >;
  const found = inputs.rms_res.map((rms) => effectiveBits(inputs.FSR_LSB, rms));
  expectClose(found, expected.enob_from_rms, tolerance);
  expectClose(
    found.map((bits) => inputs.N - bits),
    expected.equiv_loss_bits,
    tolerance,
  );
  expectClose(inputs.SINAD_dB.map(bitsOfRatio), expected.enob_from_sinad, tolerance);
});

interface Fitted {
  readonly A0: number;
  readonly B0: number;
  readonly C0: number;
  readonly amplitude: number;
  readonly theta_rad?: number;
  readonly rms_residual: number;
}

function expectFit(
  fit: SineFit | undefined,
  expected: Fitted,
  tolerance: { readonly abs?: number },
): void {
  if (fit === undefined) throw new Error('no fit');
  const { A0, B0, C0, amplitude, rms_residual } = expected;
  expectClose(
    [fit.a, fit.b, fit.offset, fit.amplitude, fit.residual],
    [A0, B0, C0, amplitude, rms_residual],
    tolerance,
  );
  if (expected.theta_rad !== undefined) expectClose([fit.angle], [expected.theta_rad], tolerance);
}

test('C-3: three-parameter fit without noise', () => {
  const { inputs, expected, tolerance } = row('C-3') as Row<{ f_Hz: number }, Fitted>;
  const w = (2 * Math.PI * inputs.f_Hz) / 1000;
  const y = Float64Array.from(
    { length: 64 },
    (_, n) => 3 * Math.cos(w * n) + 4 * Math.sin(w * n) + 1.25,
  );
  expectFit(fitSine(y, 1000, inputs.f_Hz), expected, tolerance);
});

test('C-4: three-parameter fit of whole numbers', () => {
  const { inputs, expected, tolerance } = row('C-4') as Row<
    { y_int: number[]; fs_Hz: number; f_Hz: number },
    Fitted & { enob_if_FSR_256: number }
  >;
  const fit = fitSine(Float64Array.from(inputs.y_int), inputs.fs_Hz, inputs.f_Hz);
  expectFit(fit, expected, tolerance);
  expectClose([effectiveBits(256, fit?.residual ?? NaN)], [expected.enob_if_FSR_256], tolerance);
});

test('C-5: four-parameter fit, started 1.6 % off', () => {
  const { inputs, expected, tolerance } = row('C-5') as Row<
    { fs_Hz: number; f_start_Hz: number },
    Fitted & { f_Hz: number }
  >;
  const { y_int } = row('C-4').inputs as { y_int: number[] };
  const fit = fitSineAndFrequency(Float64Array.from(y_int), inputs.fs_Hz, inputs.f_start_Hz);
  expectFit(fit, expected, tolerance);
  expectClose([fit?.frequency ?? NaN], [expected.f_Hz], tolerance);
});

test('C-7: standard uncertainty of a converter step, and the ratio that jitter leaves', () => {
  const { inputs, expected, tolerance } = row('C-7') as Row<
    { range_Nm: [number, number]; bits: number; f_Hz: number; jitter_rms_s: number },
    { lsb_Nm: number; u_quant_Nm: number; snr_jitter_dB: number }
  >;
  const step = (inputs.range_Nm[1] - inputs.range_Nm[0]) / 2 ** inputs.bits;
  expectClose([step], [expected.lsb_Nm], tolerance);
  expectClose([standardFromStep(step)], [expected.u_quant_Nm], tolerance);
  const ratio = jitterRatio(inputs.f_Hz, inputs.jitter_rms_s);
  expectClose([ratio], [expected.snr_jitter_dB], tolerance);
});

test('a record without a sine gives no four-parameter fit', () => {
  expect(fitSineAndFrequency(new Float64Array(64), 1000, 43)).toBeUndefined();
});
