import { expect, test } from 'vitest';
import {
  deviationsFrom,
  fitLine,
  greatestMagnitude,
  loopArea,
  loopWidths,
  mean,
  range,
  type LineKind,
} from '../../src/scoring/line.js';
import rows from './linearity.json' with { type: 'json' };

function near(found: number | undefined, expected: number, abs: number): void {
  expect(Math.abs((found ?? Number.NaN) - expected)).toBeLessThanOrEqual(abs);
}

function allNear(found: readonly number[], expected: readonly number[], abs: number): void {
  expect(found.length).toBe(expected.length);
  found.forEach((value, i) => {
    near(value, expected[i] as number, abs);
  });
}

/** Means over cycles, point by point. */
const columnMeans = (cycles: readonly (readonly number[])[]): number[] =>
  (cycles[0] ?? []).map((_, i) => mean(cycles.map((cycle) => cycle[i] as number)));

test('E-1: four lines give four linearities', () => {
  const { inputs, expected, tolerance } = rows['E-1'];
  const { x, y } = inputs;
  const kinds: readonly (readonly [
    LineKind,
    { slope: number; intercept?: number; max_abs_dev: number },
  ])[] = [
    ['terminal', expected.terminal],
    ['least-squares', expected.least_squares],
    ['through-zero', expected.through_zero_ls],
    ['minimax', expected.independent_minimax],
  ];
  for (const [kind, want] of kinds) {
    const line = fitLine(kind, x, y);
    if (line === undefined) throw new Error(`no ${kind} line`);
    near(line.slope, want.slope, tolerance.abs);
    near(line.intercept, want.intercept ?? 0, tolerance.abs);
    near(greatestMagnitude(deviationsFrom(line, x, y)), want.max_abs_dev, tolerance.abs);
  }
});

test('E-3: hysteresis and linearity of up and down cycles', () => {
  const { inputs, expected, tolerance } = rows['E-3'];
  const { points_pct: x, up, down } = inputs;
  const widths = up.map((cycle, k) => greatestMagnitude(loopWidths(cycle, down[k] ?? [])));
  near(Math.max(...widths), expected.hysteresis_max_same_cycle, tolerance.abs);
  const [rising, falling] = [columnMeans(up), columnMeans(down)];
  const wide = greatestMagnitude(loopWidths(rising, falling));
  near(wide, expected.hysteresis_from_averages, tolerance.abs);
  const errors = (y: readonly number[]): number[] => y.map((v, i) => v - (x[i] as number));
  allNear(errors(rising), expected.avg_up_err, tolerance.abs);
  allNear(errors(falling), expected.avg_down_err, tolerance.abs);
  const all = columnMeans([rising, falling]);
  allNear(errors(all), expected.avg_err, tolerance.abs);
  const worst = greatestMagnitude([...up, ...down].flatMap(errors));
  near(worst, expected.max_measured_error, tolerance.abs);
  const line = fitLine('terminal', x, all);
  if (line === undefined) throw new Error('no line');
  const bent = greatestMagnitude(deviationsFrom(line, x, all));
  near(bent, expected.nonlinearity_terminal_of_avg, tolerance.abs);
  const ranges = [up, down].flatMap((cycles) =>
    x.map((_, i) => range(cycles.map((cycle) => cycle[i] as number))),
  );
  near(Math.max(...ranges), expected.repeatability_max_range, tolerance.abs);
});

test('E-5: relative errors of one step of a calibration after ISO 376', () => {
  const { inputs, expected, tolerance } = rows['E-5'];
  const { X1, X2, X3, X4_dec, X5, X6_dec, i0, XN } = inputs;
  const reference = mean([X1, X3, X5]);
  near(reference, expected.Xr, tolerance.abs);
  near((100 * range([X1, X3, X5])) / reference, expected.b_pct, tolerance.abs);
  near((100 * range([X1, X2])) / mean([X1, X2]), expected.b_prime_pct, tolerance.abs);
  const [w3 = 0, w5 = 0] = loopWidths([X3, X5], [X4_dec, X6_dec]);
  near(100 * mean([w3 / X3, w5 / X5]), expected.v_pct, tolerance.abs);
  near((100 * (inputs.if - i0)) / XN, expected.f0_pct, tolerance.abs);
});

test('E-6: calibration of a torque transducer in three positions', () => {
  const { inputs, expected, tolerance } = rows['E-6'];
  const {
    M_Nm: x,
    increasing_mV_V_by_position: up,
    decreasing_mV_V_by_position: down,
    repeat_series_position1: again,
  } = inputs;
  const y = columnMeans(up);
  allNear(y, expected.Y_mean, tolerance.abs);
  const spread = x.map((_, i) => range(up.map((series) => series[i] as number)));
  allNear(spread, expected.b_reproducibility, tolerance.abs);
  const percent = (of: readonly number[]): number[] =>
    of.map((v, i) => (100 * v) / (y[i] as number));
  allNear(percent(spread), expected.b_rel_pct, tolerance.abs);
  const repeat = loopWidths(up[0] ?? [], again).map(Math.abs);
  allNear(repeat, expected.b_prime_repeatability, tolerance.abs);
  const reversal = columnMeans(
    up.map((series, k) => loopWidths(series, down[k] ?? []).map(Math.abs)),
  );
  allNear(reversal, expected.h_reversibility, tolerance.abs);
  allNear(percent(reversal), expected.h_rel_pct, tolerance.abs);
  const line = fitLine('through-zero', x, y);
  if (line === undefined) throw new Error('no line');
  near(line.slope, expected.slope_ls_zero_mV_V_per_Nm, tolerance.abs);
  allNear(deviationsFrom(line, x, y), expected.fa_interpolation_dev, tolerance.abs);
});

test('E-8: area of an ideal friction loop', () => {
  const { inputs, expected, tolerance } = rows['E-8'];
  const area = loopArea(
    inputs.vertices.map((v) => v[0] as number),
    inputs.vertices.map((v) => v[1] as number),
  );
  near(area, expected.area, tolerance.abs);
  near(area, expected.expected_2Tc_times_stroke, tolerance.abs);
});
