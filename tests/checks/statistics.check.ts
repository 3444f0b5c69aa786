import { expect, test } from 'vitest';
import {
  fitLine,
  lagOneAutocorrelation,
  leastSquares,
  mean,
  standardDeviation,
} from '../../src/scoring/line.js';
import rows from './statistics.json' with { type: 'json' };

/** Relative agreement; for an expected zero the tolerance is absolute. */
function near(found: number | undefined, expected: number, rel: number): void {
  const limit = rel * (expected === 0 ? 1 : Math.abs(expected));
  expect(Math.abs((found ?? Number.NaN) - expected)).toBeLessThanOrEqual(limit);
}

function allNear(found: readonly number[], expected: readonly number[], rel: number): void {
  expect(found.length).toBe(expected.length);
  found.forEach((value, i) => {
    near(value, expected[i] as number, rel);
  });
}

const ones = (n: number): number[] => new Array<number>(n).fill(1);
const squaresAbout = (y: readonly number[], centre: number): number =>
  y.reduce((sum, v) => sum + (v - centre) ** 2, 0);

test('F-1 Norris, NIST StRD: a straight line with its standard deviations', () => {
  const { inputs, expected, tolerance } = rows['F-1'];
  const fit = leastSquares([ones(inputs.x.length), inputs.x], inputs.y);
  allNear(fit?.coefficients ?? [], [expected.B0, expected.B1], tolerance.rel);
  allNear(fit?.deviations ?? [], [expected.sd_B0, expected.sd_B1], tolerance.rel);
  near(fit?.residualDeviation, expected.resid_sd, tolerance.rel);
  near(fit?.residualSquares, expected.RSS, tolerance.rel);
  const total = squaresAbout(inputs.y, mean(inputs.y));
  near(1 - (fit?.residualSquares ?? 0) / total, expected.R2, tolerance.rel);
  const line = fitLine('least-squares', inputs.x, inputs.y);
  near(line?.slope, expected.B1, tolerance.rel);
  near(line?.intercept, expected.B0, tolerance.rel);
});

test('F-2 Longley, NIST StRD: six columns that nearly depend on each other', () => {
  const { inputs, expected, tolerance } = rows['F-2'];
  const column = (k: number): number[] => inputs.rows.map((row) => row[k] as number);
  const y = column(0);
  const fit = leastSquares([ones(y.length), ...[1, 2, 3, 4, 5, 6].map(column)], y);
  allNear(fit?.coefficients ?? [], expected.B, tolerance.rel);
  allNear(fit?.deviations ?? [], expected.sd_B, tolerance.rel);
  near(fit?.residualDeviation, expected.resid_sd, tolerance.rel);
  near(1 - (fit?.residualSquares ?? 0) / squaresAbout(y, mean(y)), expected.R2, tolerance.rel);
});

test('F-3 Pontius, NIST StRD: calibration of a load cell, a parabola', () => {
  const { inputs, expected, tolerance } = rows['F-3'];
  const x = inputs.y.map((_, i) => 150_000 * ((i % 20) + 1));
  const fit = leastSquares([ones(x.length), x, x.map((v) => v * v)], inputs.y);
  allNear(fit?.coefficients ?? [], expected.B, tolerance.rel);
  allNear(fit?.deviations ?? [], expected.sd_B, tolerance.rel);
  near(fit?.residualDeviation, expected.resid_sd, tolerance.rel);
});

test('F-4 NoInt1, NIST StRD: a line through the origin', () => {
  const { inputs, expected, tolerance } = rows['F-4'];
  const fit = leastSquares([inputs.x], inputs.y);
  allNear(fit?.coefficients ?? [], [expected.B1], tolerance.rel);
  allNear(fit?.deviations ?? [], [expected.sd_B1], tolerance.rel);
  near(fit?.residualDeviation, expected.resid_sd, tolerance.rel);
  const uncentred = 1 - (fit?.residualSquares ?? 0) / squaresAbout(inputs.y, 0);
  near(uncentred, expected.R2_uncentred, tolerance.rel);
  near(fitLine('through-zero', inputs.x, inputs.y)?.slope, expected.B1, tolerance.rel);
});

test('F-6 Wampler1, NIST StRD: an exact polynomial of degree five', () => {
  const { inputs, expected, tolerance } = rows['F-6'];
  const x = inputs.y.map((_, i) => i);
  const fit = leastSquares(
    [0, 1, 2, 3, 4, 5].map((power) => x.map((v) => v ** power)),
    inputs.y,
  );
  expected.B.forEach((b, i) => {
    expect(Math.abs((fit?.coefficients[i] ?? Number.NaN) - b)).toBeLessThanOrEqual(tolerance.abs);
  });
  expect(fit?.residualDeviation).toBeLessThanOrEqual(tolerance.abs);
});

const alternating = (first: number, a: number, b: number): number[] => [
  first,
  ...Array.from({ length: 1000 }, (_, i) => (i % 2 === 0 ? a : b)),
];
const series = [
  { row: rows['F-8'], y: rows['F-8'].inputs.y },
  { row: rows['F-9'], y: alternating(1.2, 1.1, 1.3) },
  { row: rows['F-10'], y: alternating(1_000_000.2, 1_000_000.1, 1_000_000.3) },
  { row: rows['F-12'], y: rows['F-12'].inputs.y },
  { row: rows['F-13'], y: rows['F-13'].inputs.y },
];

for (const { row, y } of series) {
  test(`${row.id}, NIST StRD: mean, standard deviation and lag-1 autocorrelation`, () => {
    near(mean(y), row.expected.mean, row.tolerance.rel);
    near(standardDeviation(y), row.expected.sd, row.tolerance.rel);
    near(lagOneAutocorrelation(y), row.expected.r1, row.tolerance.rel);
  });
}
