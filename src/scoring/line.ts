import { unreachable } from '../base/error.js';
import { extremesOf, momentsOf } from '../kernel/sums.js';

/** NaN stands for "no value" in this folder: `measured` turns it into a reason. Infinity does not. */
function finite(value: number): number {
  return Number.isFinite(value) ? value : Number.NaN;
}

/** Mean of `x[from … to)`; `to` past the end is cut. NaN when no sample is left or one is not finite. */
export function mean(x: ArrayLike<number>, from = 0, to = x.length): number {
  const end = Math.min(to, x.length);
  if (!(end > from)) return Number.NaN;
  let sum = 0;
  for (let i = from; i < end; i++) sum += x[i] as number;
  const first = sum / (end - from);
  // A second pass takes up what the first rounded off: 1e6 + 0.1 keeps its last digits.
  let rest = 0;
  for (let i = from; i < end; i++) rest += (x[i] as number) - first;
  return finite(first + rest / (end - from));
}

/**
 * Standard deviation of a sample with n − 1, in two passes.
 *
 * @param x - Any unit, n ≥ 2.
 * @returns Same unit; NaN for fewer than two samples or one that is not finite.
 *
 * Check: tests/checks/statistics.check.ts.
 */
export function standardDeviation(x: ArrayLike<number>, from = 0, to = x.length): number {
  const end = Math.min(to, x.length);
  const centre = mean(x, from, end);
  let squares = 0;
  for (let i = from; i < end; i++) squares += ((x[i] as number) - centre) ** 2;
  return end - from < 2 ? Number.NaN : finite(Math.sqrt(squares / (end - from - 1)));
}

/** Greatest less least value. NaN when there is none or one is not finite. */
export function range(x: ArrayLike<number>): number {
  if (x.length === 0) return Number.NaN;
  const [least, greatest] = extremesOf(x);
  return finite(greatest - least);
}

/**
 * Correlation of a series with itself one sample later; NaN when it is constant or not finite.
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
 * @returns undefined when the columns are linearly dependent or too short, or a value is not finite.
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
  const scales = columns.map(lengthOf);
  const q = columns.map((column, j) => over(column, scales[j] as number));
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
  if (!Number.isFinite(residualSquares)) return undefined;
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

/** Square root of the sum of squares, scaled so that no square overflows or vanishes. */
function lengthOf(x: ArrayLike<number>): number {
  const greatest = greatestMagnitude(x);
  if (greatest === 0) return 0;
  let sum = 0;
  for (let i = 0; i < x.length; i++) {
    const share = (x[i] as number) / greatest;
    sum += share * share;
  }
  return greatest * Math.sqrt(sum);
}

function over(x: ArrayLike<number>, scale: number): Float64Array {
  const out = new Float64Array(x.length);
  for (let i = 0; i < out.length; i++) out[i] = (x[i] as number) / scale;
  return out;
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
 * @returns undefined when no such line exists or a value is not finite.
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
  if (n < 2 || !(range(x) > 0) || !(range(y) >= 0)) return undefined;
  switch (kind) {
    case 'terminal':
      return lineThrough(x, y, 0, n - 1);
    case 'least-squares': {
      const { meanX, meanY, xx, xy } = momentsOf(x, y);
      return lineOf(xy / xx, meanY - (xy / xx) * meanX);
    }
    case 'through-zero': {
      let [xx, xy] = [0, 0];
      for (let i = 0; i < n; i++) {
        xx += (x[i] as number) ** 2;
        xy += (x[i] as number) * (y[i] as number);
      }
      return lineOf(xy / xx, 0);
    }
    case 'minimax':
      return minimaxLine(x, y);
    default:
      return unreachable(kind);
  }
}

function lineOf(slope: number, intercept: number): Line | undefined {
  return Number.isFinite(slope) && Number.isFinite(intercept) ? { slope, intercept } : undefined;
}

function lineThrough(
  x: ArrayLike<number>,
  y: ArrayLike<number>,
  i: number,
  j: number,
): Line | undefined {
  const [x0, y0] = [x[i] as number, y[i] as number];
  const slope = ((y[j] as number) - y0) / ((x[j] as number) - x0);
  return lineOf(slope, y0 - slope * x0);
}

/**
 * The narrowest strip around points has one edge along a side of their hull and the other through
 * the farthest corner across. From side to side that corner only moves on, so time grows with the hull.
 */
function minimaxLine(x: ArrayLike<number>, y: ArrayLike<number>): Line | undefined {
  const order = risingOrder(x);
  const [low, high] = [hullOf(x, y, order, 1), hullOf(x, y, order, -1)];
  let best: Line | undefined;
  let narrowest = Infinity;
  for (const [sides, corners, sense] of [
    [low, high, 1],
    [high, low, -1],
  ] as const) {
    let far = corners.length - 1;
    for (let k = 0; k + 1 < sides.length; k++) {
      const slope = lineThrough(x, y, sides[k] as number, sides[k + 1] as number)?.slope;
      if (slope === undefined) continue;
      const above = (i: number): number => (y[i] as number) - slope * (x[i] as number);
      const reach = (corner: number): number => sense * above(corners[corner] as number);
      while (far > 0 && reach(far - 1) >= reach(far)) far--;
      const base = above(sides[k] as number);
      const width = reach(far) - sense * base;
      if (width >= narrowest) continue;
      narrowest = width;
      best = { slope, intercept: base + (sense * width) / 2 };
    }
  }
  return best;
}

/** Indices in the order of rising x. */
function risingOrder(x: ArrayLike<number>): Uint32Array {
  const order = Uint32Array.from({ length: x.length }, (_, i) => i);
  let rising = true;
  for (let i = 1; i < x.length && rising; i++) rising = (x[i] as number) >= (x[i - 1] as number);
  return rising ? order : order.sort((i, j) => (x[i] as number) - (x[j] as number));
}

/** Corners of the hull below (side 1) or above (side −1) the points, from the least x to the greatest. */
function hullOf(
  x: ArrayLike<number>,
  y: ArrayLike<number>,
  order: Uint32Array,
  side: 1 | -1,
): readonly number[] {
  const hull: number[] = [];
  const turn = (i: number, j: number, k: number): number =>
    ((x[j] as number) - (x[i] as number)) * ((y[k] as number) - (y[i] as number)) -
    ((y[j] as number) - (y[i] as number)) * ((x[k] as number) - (x[i] as number));
  for (const k of order) {
    const last = hull[hull.length - 1];
    if (last !== undefined && x[last] === x[k]) {
      if (side * (y[k] as number) >= side * (y[last] as number)) continue;
      hull.pop();
    }
    while (
      hull.length > 1 &&
      side * turn(hull[hull.length - 2] as number, hull[hull.length - 1] as number, k) <= 0
    ) {
      hull.pop();
    }
    hull.push(k);
  }
  return hull;
}

/** Deviations of the points from a line, in the unit of y. */
export function deviationsFrom(
  line: Line,
  x: ArrayLike<number>,
  y: ArrayLike<number>,
): readonly number[] {
  return Array.from(y, (v, i) => v - line.slope * (x[i] as number) - line.intercept);
}

/** Greatest magnitude in a list; 0 for an empty one, NaN when one is NaN. */
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
