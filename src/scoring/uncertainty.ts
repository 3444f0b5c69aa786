import { unreachable } from '../base/error.js';

/** One input of a budget. */
export interface Contribution {
  /** Standard uncertainty, in the unit of the input. */
  readonly u: number;
  /** Sensitivity: change of the result for a change of the input. */
  readonly c: number;
  /** Degrees of freedom; Infinity when u is taken as exact. */
  readonly freedom: number;
}

/**
 * Combines independent contributions.
 *
 * @returns Combined standard uncertainty, unit of the result.
 *
 * Source: JCGM 100:2008, 5.1.2, equation (10) (from memory). Check: tests/checks/uncertainty.check.ts.
 */
export function combine(contributions: readonly Pick<Contribution, 'u' | 'c'>[]): number {
  return Math.hypot(...contributions.map(({ u, c }) => u * c));
}

/**
 * Covariance of two results of the same correlated inputs; of a result with itself, its variance.
 *
 * @param first - Sensitivities of one result, m values. @param second - Those of the other.
 * @param u - Standard uncertainties of the inputs, m values.
 * @param r - Correlation coefficients, m × m, 1 on the diagonal.
 *
 * Source: JCGM 100:2008, 5.2.2 (13) and H.2.3 (from memory). Check: tests/checks/uncertainty.check.ts.
 */
export function covarianceOf(
  first: readonly number[],
  second: readonly number[],
  u: readonly number[],
  r: readonly (readonly number[])[],
): number {
  let sum = 0;
  for (let i = 0; i < u.length; i++) {
    for (let j = 0; j < u.length; j++) {
      const inputs = (u[i] as number) * (u[j] as number) * (r[i]?.[j] as number);
      sum += (first[i] as number) * (second[j] as number) * inputs;
    }
  }
  return sum;
}

/** Combines correlated contributions. Arguments, Source and Check: as `covarianceOf`. */
export function combineCorrelated(
  c: readonly number[],
  u: readonly number[],
  r: readonly (readonly number[])[],
): number {
  return Math.sqrt(Math.max(0, covarianceOf(c, c, u, r)));
}

/**
 * Effective degrees of freedom of a combined uncertainty. Nothing is rounded on the way.
 *
 * @returns A number above 0; Infinity when no contribution has a finite number.
 *
 * Source: JCGM 100:2008, G.4.1 (G.2b), Welch-Satterthwaite (from memory).
 * Check: tests/checks/uncertainty.check.ts.
 */
export function effectiveFreedom(contributions: readonly Contribution[]): number {
  const fourth = contributions.reduce((sum, { u, c, freedom }) => sum + (u * c) ** 4 / freedom, 0);
  return combine(contributions) ** 4 / fourth;
}

/** What is known of a quantity that lies within ± a of its value. */
export type Distribution =
  | { readonly kind: 'rectangular' | 'triangular' | 'arcsine' }
  /** `top` is the width of the flat top as a share of the base, 0 … 1. */
  | { readonly kind: 'trapezoid'; readonly top: number }
  /** ± a holds this share of a normal distribution, 0 … 1. */
  | { readonly kind: 'normal'; readonly share: number };

/**
 * Standard uncertainty of a quantity known only to lie within ± a.
 *
 * Source: JCGM 100:2008, 4.3.4–4.3.9; arcsine: JCGM 101:2008, 6.4.6 (from memory).
 * Check: tests/checks/uncertainty.check.ts.
 */
export function standardFromLimits(a: number, distribution: Distribution): number {
  switch (distribution.kind) {
    case 'rectangular':
      return a / Math.sqrt(3);
    case 'triangular':
      return a / Math.sqrt(6);
    case 'arcsine':
      return a / Math.SQRT2;
    case 'trapezoid':
      return a * Math.sqrt((1 + distribution.top ** 2) / 6);
    case 'normal':
      return a / coverageFactor(distribution.share, Infinity);
    default:
      return unreachable(distribution);
  }
}

/** Standard uncertainty from a resolution or a converter step. Source: JCGM 100:2008, F.2.2.1 (from memory). */
export function standardFromStep(step: number): number {
  return standardFromLimits(step / 2, { kind: 'rectangular' });
}

/**
 * Factor t for a coverage probability and degrees of freedom: Student's distribution, two-sided.
 *
 * @param share - Coverage probability, above 0 and below 1.
 * @param freedom - Degrees of freedom, above 0; a table wants them cut to a whole number first.
 *
 * Source: JCGM 100:2008, G.3 and Table G.2 (from memory). Check: tests/checks/uncertainty.check.ts.
 */
export function coverageFactor(share: number, freedom: number): number {
  let high = 1;
  while (shareWithin(high, freedom) < share) high *= 2;
  let low = 0;
  // Halving gains one binary digit a round, so 100 rounds end at neighbouring numbers.
  for (let round = 0; round < 100; round++) {
    const middle = (low + high) / 2;
    if (shareWithin(middle, freedom) < share) low = middle;
    else high = middle;
  }
  return (low + high) / 2;
}

/** Share of Student's distribution within ± t. */
function shareWithin(t: number, freedom: number): number {
  if (freedom > 1e7) return 1 - incompleteGammaHalf((t * t) / 2);
  return 1 - incompleteBeta(freedom / (freedom + t * t), freedom / 2, 0.5);
}

/** Q(½, x): what a squared normal deviate of 2x leaves beyond it. */
function incompleteGammaHalf(x: number): number {
  if (x < 2) {
    let [term, sum] = [1 / 0.5, 1 / 0.5];
    for (let n = 1; n < 200; n++) {
      term *= x / (n + 0.5);
      sum += term;
    }
    return 1 - sum * Math.exp(-x) * Math.sqrt(x / Math.PI);
  }
  let fraction = 0;
  for (let n = 200; n >= 1; n--) fraction = (n * (n - 0.5)) / (x + 2 * n + 0.5 - fraction);
  return (Math.exp(-x) * Math.sqrt(x / Math.PI)) / (x + 0.5 - fraction);
}

/** Regularized incomplete beta function I_x(a, b). Source: continued fraction, DLMF 8.17.22 (from memory). */
function incompleteBeta(x: number, a: number, b: number): number {
  if (x > (a + 1) / (a + b + 2)) return 1 - incompleteBeta(1 - x, b, a);
  if (x <= 0) return 0;
  const front = Math.exp(
    a * Math.log(x) + b * Math.log1p(-x) + logGamma(a + b) - logGamma(a) - logGamma(b),
  );
  let fraction = 1;
  for (let m = 300; m >= 1; m--) {
    const odd = (-(a + m - 1) * (a + b + m - 1) * x) / ((a + 2 * m - 2) * (a + 2 * m - 1));
    const even = (m * (b - m) * x) / ((a + 2 * m - 1) * (a + 2 * m));
    fraction = 1 + odd / (1 + even / fraction);
  }
  return front / (a * fraction);
}

/** ln Γ(x), x > 0: Stirling's series after shifting x beyond 15. Source: DLMF 5.11.1 (from memory). */
function logGamma(x: number): number {
  let [shift, z] = [0, x];
  while (z < 15) {
    shift += Math.log(z);
    z += 1;
  }
  const q = 1 / (z * z);
  const series = (1 / 12 - q * (1 / 360 - q * (1 / 1260 - q * (1 / 1680 - q / 1188)))) / z;
  return (z - 0.5) * Math.log(z) - z + 0.5 * Math.log(2 * Math.PI) + series - shift;
}
