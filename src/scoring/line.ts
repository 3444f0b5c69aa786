import { unreachable } from '../base/error.js';

/** Mean of `x[from … to)`; `to` past the end is cut. NaN when no sample is left. */
export function mean(x: ArrayLike<number>, from = 0, to = x.length): number {
  const end = Math.min(to, x.length);
  if (!(end > from)) return Number.NaN;
  let sum = 0;
  for (let i = from; i < end; i++) sum += x[i] as number;
  const first = sum / (end - from);
  // A second pass takes up what the first rounded off: 1e6 + 0.1 keeps its last digits.
  let rest = 0;
  for (let i = from; i < end; i++) rest += (x[i] as number) - first;
  return first + rest / (end - from);
}

/**
 * Standard deviation of a sample with n − 1, in two passes.
 *
 * @param x - Any unit, n ≥ 2.
 * @returns Same unit; NaN for fewer than two samples.
 *
 * Check: tests/checks/statistics.check.ts.
 */
export function standardDeviation(x: ArrayLike<number>, from = 0, to = x.length): number {
  const end = Math.min(to, x.length);
  const centre = mean(x, from, end);
  let squares = 0;
  for (let i = from; i < end; i++) squares += ((x[i] as number) - centre) ** 2;
  return Math.sqrt(squares / (end - from - 1));
}

/** Greatest less least value. */
export function range(x: ArrayLike<number>): number {
  let least = Infinity;
  let greatest = -Infinity;
  for (let i = 0; i < x.length; i++) {
    least = Math.min(least, x[i] as number);
    greatest = Math.max(greatest, x[i] as number);
  }
  return greatest - least;
}

/**
 * Correlation of a series with itself one sample later.
 *
 * Source: NIST StRD, univariate statistics, definition of the lag-1 autocorrelation (from memory).
 * Check: tests/checks/statistics.check.ts.
 */
export function lagOneAutocorrelation(x: ArrayLike<number>): number {
  const centre = mean(x);
  let products = 0;
  let squares = 0;
  for (let i = 0; i < x.length; i++) {
    const here = (x[i] as number) - centre;
    squares += here * here;
    if (i > 0) products += here * ((x[i - 1] as number) - centre);
  }
  return products / squares;
}

/** Coefficients with their standard deviations, and what is left over. */
export interface Fit {
  readonly coefficients: readonly number[];
  readonly deviations: readonly number[];
  /** √(Σ residual² / (n − p)) */
  readonly residualDeviation: number;
  readonly residualSquares: number;
}

/**
 * Fits y by a linear combination of columns with the least sum of squares.
 *
 * Columns are scaled to unit length and reduced by Householder reflections: the normal equations
 * would square the condition number and lose half the digits.
 *
 * @param columns - p columns of n values each, linearly independent, n > p.
 * @param y - n values.
 * @returns undefined when the columns are linearly dependent or too short.
 *
 * Source: Golub and Van Loan, Matrix Computations, Householder QR (from memory).
 * Check: tests/checks/statistics.check.ts (NIST StRD Norris, Longley, Pontius, NoInt1, Wampler1).
 */
export function leastSquares(
  columns: readonly ArrayLike<number>[],
  y: ArrayLike<number>,
): Fit | undefined {
  const p = columns.length;
  const n = y.length;
  if (n <= p) return undefined;
  const scales = columns.map((column) => Math.hypot(...Array.from(column)));
  const q = columns.map((column, j) => Float64Array.from(column, (v) => v / (scales[j] as number)));
  const rest = Float64Array.from(y);
  const diagonal = new Float64Array(p);
  for (let j = 0; j < p; j++) {
    const head = q[j] as Float64Array;
    const length = Math.sqrt(dot(head, head, j));
    if (!(length > 1e-14)) return undefined;
    const turned = (head[j] as number) > 0 ? -length : length;
    head[j] = (head[j] as number) - turned;
    diagonal[j] = turned;
    const half = dot(head, head, j) / 2;
    for (const column of [...q.slice(j + 1), rest]) {
      const share = dot(head, column, j) / half;
      for (let i = j; i < n; i++) column[i] = (column[i] as number) - share * (head[i] as number);
    }
  }
  const residualSquares = dot(rest, rest, p);
  const residualDeviation = Math.sqrt(residualSquares / (n - p));
  const solve = (right: ArrayLike<number>): number[] => backSubstitute(q, diagonal, right);
  const inverse = Array.from({ length: p }, (_, j) =>
    solve(Float64Array.from({ length: p }, (_, i) => (i === j ? 1 : 0))),
  );
  return {
    coefficients: solve(rest).map((c, j) => c / (scales[j] as number)),
    deviations: scales.map(
      (scale, j) =>
        (residualDeviation * Math.hypot(...inverse.map((row) => row[j] as number))) / scale,
    ),
    residualDeviation,
    residualSquares,
  };
}

function dot(a: Float64Array, b: Float64Array, from: number): number {
  let sum = 0;
  for (let i = from; i < a.length; i++) sum += (a[i] as number) * (b[i] as number);
  return sum;
}

/** Solves R c = right; R has `diagonal` and, above it, the heads of the reduced columns. */
function backSubstitute(
  q: readonly Float64Array[],
  diagonal: Float64Array,
  right: ArrayLike<number>,
): number[] {
  const c = new Array<number>(q.length).fill(0);
  for (let i = q.length - 1; i >= 0; i--) {
    let sum = right[i] as number;
    for (let j = i + 1; j < q.length; j++)
      sum -= ((q[j] as Float64Array)[i] as number) * (c[j] as number);
    c[i] = sum / (diagonal[i] as number);
  }
  return c;
}

/** y ≈ slope · x + intercept. */
export interface Line {
  readonly slope: number;
  readonly intercept: number;
}

/**
 * Which line a deviation is counted from: through the end points, least squares, least squares
 * through the origin, or the one whose greatest deviation is least.
 */
export type LineKind = 'terminal' | 'least-squares' | 'through-zero' | 'minimax';

/**
 * Fits a line of the named kind.
 *
 * @param x - n ≥ 2 values that are not all equal; for 'terminal' the ends are first and last.
 * @returns undefined when no such line exists.
 *
 * Source: IEC 61298-2, terminal-based, zero-based and independent linearity (from memory).
 * Check: tests/checks/linearity.check.ts.
 */
export function fitLine(
  kind: LineKind,
  x: ArrayLike<number>,
  y: ArrayLike<number>,
): Line | undefined {
  const n = x.length;
  if (n < 2 || !(range(x) > 0)) return undefined;
  switch (kind) {
    case 'terminal':
      return lineThrough(x, y, 0, n - 1);
    case 'least-squares': {
      const [x0, y0] = [mean(x), mean(y)];
      let [xx, xy] = [0, 0];
      for (let i = 0; i < n; i++) {
        xx += ((x[i] as number) - x0) ** 2;
        xy += ((x[i] as number) - x0) * ((y[i] as number) - y0);
      }
      return { slope: xy / xx, intercept: y0 - (xy / xx) * x0 };
    }
    case 'through-zero': {
      let [xx, xy] = [0, 0];
      for (let i = 0; i < n; i++) {
        xx += (x[i] as number) ** 2;
        xy += (x[i] as number) * (y[i] as number);
      }
      return { slope: xy / xx, intercept: 0 };
    }
    case 'minimax':
      return minimaxLine(x, y);
    default:
      return unreachable(kind);
  }
}

function lineThrough(
  x: ArrayLike<number>,
  y: ArrayLike<number>,
  i: number,
  j: number,
): Line | undefined {
  const [x0, y0] = [x[i] as number, y[i] as number];
  const slope = ((y[j] as number) - y0) / ((x[j] as number) - x0);
  return Number.isFinite(slope) ? { slope, intercept: y0 - slope * x0 } : undefined;
}

/** The narrowest strip around points has one edge through two of them; so every pair is tried. */
function minimaxLine(x: ArrayLike<number>, y: ArrayLike<number>): Line | undefined {
  let best: Line | undefined;
  let narrowest = Infinity;
  for (let i = 0; i < x.length; i++) {
    for (let j = i + 1; j < x.length; j++) {
      const slope = lineThrough(x, y, i, j)?.slope;
      if (slope === undefined) continue;
      const residuals = Array.from(y, (v, k) => v - slope * (x[k] as number));
      const width = range(residuals);
      if (width >= narrowest) continue;
      narrowest = width;
      best = { slope, intercept: Math.min(...residuals) + width / 2 };
    }
  }
  return best;
}

/** Deviations of the points from a line, in the unit of y. */
export function deviationsFrom(
  line: Line,
  x: ArrayLike<number>,
  y: ArrayLike<number>,
): readonly number[] {
  return Array.from(y, (v, i) => v - line.slope * (x[i] as number) - line.intercept);
}

/** Greatest magnitude in a list; 0 for an empty one. */
export function greatestMagnitude(x: ArrayLike<number>): number {
  let greatest = 0;
  for (let i = 0; i < x.length; i++) greatest = Math.max(greatest, Math.abs(x[i] as number));
  return greatest;
}

/**
 * Widths of a loop: falling less rising branch at the same abscissas.
 *
 * @param rising - n values; @param falling - n values at the same places.
 *
 * Source: IEC 61298-2, hysteresis as the difference of downscale and upscale readings (from memory).
 * Check: tests/checks/linearity.check.ts.
 */
export function loopWidths(
  rising: ArrayLike<number>,
  falling: ArrayLike<number>,
): readonly number[] {
  return Array.from(falling, (v, i) => v - (rising[i] as number));
}

/**
 * Area of a closed loop, by the trapezoids under its sides; positive when it runs counterclockwise.
 *
 * Source: shoelace formula. Check: tests/checks/linearity.check.ts.
 */
export function loopArea(x: ArrayLike<number>, y: ArrayLike<number>): number {
  let twice = 0;
  for (let i = 0; i < x.length; i++) {
    const j = (i + 1) % x.length;
    twice += (x[i] as number) * (y[j] as number) - (x[j] as number) * (y[i] as number);
  }
  return twice / 2;
}

/** Difference of two values over their mean, both by magnitude: how much stronger one side is. */
export function relativeDifference(a: number, b: number): number {
  return (2 * (Math.abs(a) - Math.abs(b))) / (Math.abs(a) + Math.abs(b));
}
