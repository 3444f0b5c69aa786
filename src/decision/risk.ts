import { unreachable } from '../base/error.js';
import type { Tolerance } from '../procedure/limits.js';
import { isInside } from './rule.js';

/**
 * Returns the probability that the true value lies in the tolerance, given a measured value with a
 * normal uncertainty and no knowledge from before.
 *
 * @param value - Measured value, unit of the tolerance.
 * @param u - Standard uncertainty, same unit, ≥ 0.
 * @returns 0 … 1.
 *
 * Source: JCGM 106:2012, 7.3 and 7.4 (from memory). Check: tests/checks/decision.check.ts.
 */
export function conformanceProbability(value: number, u: number, tolerance: Tolerance): number {
  if (isExact(u)) return isInside(value, tolerance) ? 1 : 0;
  const [lower, upper] = ends(tolerance);
  return normalCdf((upper - value) / u) - normalCdf((lower - value) / u);
}

/**
 * Returns the probability that an item with this measured value lies outside the tolerance: the
 * risk of accepting it. Summed from the tails, so that one in 10⁹ keeps its digits.
 *
 * @param value - Measured value, unit of the tolerance.
 * @param u - Standard uncertainty, same unit, ≥ 0.
 *
 * Source: ILAC-G8:09/2019, table 1; JCGM 106:2012, 9.3.2 (from memory). Check: tests/checks/decision.check.ts.
 */
export function specificRisk(value: number, u: number, tolerance: Tolerance): number {
  if (isExact(u)) return isInside(value, tolerance) ? 0 : 1;
  const [lower, upper] = ends(tolerance);
  return normalCdf((lower - value) / u) + normalCdf((value - upper) / u);
}

/**
 * Returns the guard band, in standard uncertainties, at which a value on a single acceptance limit
 * conforms with probability `probability`.
 *
 * @param probability - 0 < p < 1; at 0.5 the guard band is 0, below it negative.
 *
 * Source: JCGM 106:2012, 8.3.2 (from memory). Check: tests/checks/decision.check.ts.
 */
export function guardBandMultiplier(probability: number): number {
  if (!(probability > 0 && probability < 1)) {
    throw new Error(`a conformance probability lies between 0 and 1, not at ${probability}`);
  }
  let low = -40;
  let high = 40;
  for (let step = 0; step < 100; step += 1) {
    const middle = (low + high) / 2;
    if (normalCdf(middle) < probability) low = middle;
    else high = middle;
  }
  return (low + high) / 2;
}

/**
 * Returns the measurement capability index Cm = T / (2 U), T the width of the tolerance.
 *
 * @param expanded - U, k = 2, unit of the tolerance, > 0.
 * @returns Undefined for a tolerance that is open on one side: it has no width.
 *
 * Source: JCGM 106:2012, 7.6.3 (from memory). Check: tests/checks/decision.check.ts.
 */
export function capabilityIndex(tolerance: Tolerance, expanded: number): number | undefined {
  if (tolerance.kind !== 'between') return undefined;
  return (tolerance.upper - tolerance.lower) / (2 * expanded);
}

/** A normal process measured with a normal uncertainty; all in the unit of the tolerance. */
export interface MeasuredProcess {
  readonly mean: number;
  /** Standard deviation of the true values, > 0. */
  readonly deviation: number;
  /** Standard uncertainty of the measurement, > 0. */
  readonly uncertainty: number;
}

/** Probabilities for an item drawn from the process, 0 … 1. */
export interface GlobalRisks {
  readonly nonconforming: number;
  /** Accepted and nonconforming: the consumer's risk. */
  readonly falseAccept: number;
  /** Not accepted and conforming: the producer's risk. */
  readonly falseReject: number;
  readonly accepted: number;
}

/**
 * Integrates the global risks of accepting what is measured inside `accepted`.
 *
 * @param accepted - Acceptance limits, as `acceptanceZone` returns them.
 *
 * Source: JCGM 106:2012, 9.5 (from memory). Check: tests/checks/decision.check.ts.
 */
export function globalRisks(
  process: MeasuredProcess,
  tolerance: Tolerance,
  accepted: Tolerance,
): GlobalRisks {
  const { mean, deviation, uncertainty } = process;
  if (!(deviation > 0 && uncertainty > 0)) {
    throw new Error(`deviation ${deviation} and uncertainty ${uncertainty} must be above 0`);
  }
  const step = Math.min(deviation, uncertainty) / 16;
  const acceptedAt = (y: number): number =>
    density((y - mean) / deviation) * conformanceProbability(y, uncertainty, accepted);
  const refusedAt = (y: number): number =>
    density((y - mean) / deviation) * specificRisk(y, uncertainty, accepted);
  const from = mean - 10 * deviation; // 1.5e-23 of the process lies beyond
  const to = mean + 10 * deviation;
  const [lower, upper] = ends(tolerance).map((t) => Math.min(Math.max(t, from), to));
  if (lower === undefined || upper === undefined) throw new Error('a tolerance has two ends');
  const falseAccept =
    (integral(acceptedAt, from, lower, step) + integral(acceptedAt, upper, to, step)) / deviation;
  const falseReject = integral(refusedAt, lower, upper, step) / deviation;
  const conforming = conformanceProbability(mean, deviation, tolerance);
  const nonconforming = specificRisk(mean, deviation, tolerance);
  const accept = conforming - falseReject + falseAccept;
  return { nonconforming, falseAccept, falseReject, accepted: accept };
}

const MOST_PANELS = 200_000;

/** Simpson's rule with panels no wider than `step`. */
function integral(f: (x: number) => number, from: number, to: number, step: number): number {
  if (!(to > from)) return 0;
  const panels = 2 * Math.min(Math.ceil((to - from) / (2 * step)), MOST_PANELS / 2);
  const width = (to - from) / panels;
  let sum = f(from) + f(to);
  for (let i = 1; i < panels; i += 1) sum += (i % 2 === 1 ? 4 : 2) * f(from + i * width);
  return (sum * width) / 3;
}

/** Both ends of a tolerance; infinite where it is open. */
function ends(tolerance: Tolerance): readonly [number, number] {
  switch (tolerance.kind) {
    case 'at-least':
      return [tolerance.lower, Infinity];
    case 'at-most':
      return [-Infinity, tolerance.upper];
    case 'between':
      return [tolerance.lower, tolerance.upper];
    default:
      return unreachable(tolerance);
  }
}

/** Whether nothing is uncertain: then a limit belongs to the tolerance. */
function isExact(u: number): boolean {
  if (u >= 0) return u === 0;
  throw new Error(`a standard uncertainty is 0 or more, not ${u}`);
}

const density = (z: number): number => Math.exp((-z * z) / 2) / Math.sqrt(2 * Math.PI);

/**
 * Normal distribution function, relative error below 1e-12 also in the lower tail.
 *
 * Source: the erfc relation, Abramowitz and Stegun, 26.2.29 (from memory). Check: tests/checks/decision.check.ts.
 */
export function normalCdf(z: number): number {
  return erfc(-z / Math.SQRT2) / 2;
}

/**
 * Complementary error function. Below 2 the series of erf, above it the continued fraction of erfc.
 *
 * Source: Abramowitz and Stegun, 7.1.6 and 7.1.14 (from memory). Check: tests/checks/decision.check.ts.
 */
function erfc(x: number): number {
  if (x < 0) return 2 - erfc(-x);
  if (x < 2) {
    let term = x;
    let sum = x;
    for (let n = 1; n < 60; n += 1) {
      term *= (2 * x * x) / (2 * n + 1);
      sum += term;
    }
    return 1 - (2 / Math.sqrt(Math.PI)) * Math.exp(-x * x) * sum;
  }
  let fraction = x;
  for (let n = 60; n >= 1; n -= 1) fraction = x + n / 2 / fraction;
  return Math.exp(-x * x) / Math.sqrt(Math.PI) / fraction;
}
