import { unreachable } from '../base/error.js';
import type { DecisionRule, Limit, Tolerance } from '../procedure/limits.js';
import type { Verdict } from './decision.js';
import { hasGuardBand, RULES } from './rules.js';

/**
 * Decides one characteristic under a named rule of the table in rules.ts.
 *
 * Values are compared unrounded, without an allowance; each moved limit is computed once, by `moved`,
 * and belongs to what it ends.
 *
 * @param value - Base unit of the characteristic, unrounded.
 * @param expanded - U, k = 2, same unit, ≥ 0; undefined when none is stated.
 * @param tolerance - Limits in the same unit.
 * @returns `invalid` when there is nothing to decide on: a value, limit or U that is no number, or a
 * rule with a guard band without U. NaN never conforms. Where the guard band leaves nothing that
 * conforms without a condition, nothing conforms on condition either.
 *
 * Source: ILAC-G8:09/2019, 4.2.3; JCGM 106:2012, 8.3.2 and 8.3.3 (from memory).
 * Check: tests/checks/decision.check.ts.
 */
export function decide(
  value: number,
  expanded: number | undefined,
  tolerance: Tolerance,
  rule: DecisionRule,
): Verdict {
  const [reason, ...more] = hindrances(value, expanded, tolerance, rule);
  if (reason !== undefined) return { outcome: 'invalid', reasons: [reason, ...more] };
  const accepted = acceptanceZone(tolerance, expanded, rule);
  if (accepted !== undefined && isInside(value, accepted)) return { outcome: 'conforming' };
  const { refuse, between } = RULES[rule];
  const kept = refuse === 0 ? tolerance : moved(tolerance, -refuse * (expanded ?? 0));
  if (!isInside(value, kept)) return { outcome: 'nonconforming' };
  const side = isInside(value, tolerance) ? 'inside' : 'outside';
  switch (between) {
    case 'inconclusive':
      return { outcome: 'inconclusive', side };
    case 'conditional':
      return { outcome: accepted === undefined ? 'inconclusive' : 'conditional', side };
    case 'nothing':
      return { outcome: 'nonconforming' }; // nothing lies between, but for limits that do not rise
    default:
      return unreachable(between);
  }
}

/** What a row has to be decided on, base unit. */
export interface Found {
  readonly value: number;
  /** U; undefined when none is stated. */
  readonly expanded: number | undefined;
  /** Whether the property is only known to be at least the value. */
  readonly isBound: boolean;
}

/** Decides what was measured, a value or a lower bound, under the rule of its limit. */
export function decideFound(
  { value, expanded, isBound }: Found,
  { tolerance, rule }: Pick<Limit, 'tolerance' | 'rule'>,
): Verdict {
  return (isBound ? decideAtLeast : decide)(value, expanded, tolerance, rule);
}

/**
 * Decides one characteristic of which only a lower bound is known: the property is at least the value.
 *
 * A bound decides what no greater value could change: that a least is kept, or a most is exceeded.
 * Everything else is inconclusive.
 */
export function decideAtLeast(
  value: number,
  expanded: number | undefined,
  tolerance: Tolerance,
  rule: DecisionRule,
): Verdict {
  const verdict = decide(value, expanded, tolerance, rule);
  const open = {
    outcome: 'inconclusive',
    side: isInside(value, tolerance) ? 'inside' : 'outside',
  } as const;
  switch (verdict.outcome) {
    case 'conforming':
      return tolerance.kind === 'at-least' ? verdict : open;
    case 'nonconforming':
      return tolerance.kind !== 'at-least' && value > tolerance.upper ? verdict : open;
    case 'conditional':
      return open;
    case 'inconclusive':
    case 'invalid':
    case 'not-run':
      return verdict;
    default:
      return unreachable(verdict);
  }
}

/**
 * Returns the tolerance with its limits moved by the guard band of a rule: values in it conform
 * without a condition.
 *
 * @param expanded - U in the unit of the tolerance, ≥ 0.
 * @returns Undefined when nothing is left to accept: the rule has a guard band and no U is stated, or
 * w is half the tolerance or more. A single point counts as nothing.
 *
 * Source: JCGM 106:2012, 8.3.2 and 8.3.3 (from memory).
 * Check: tests/checks/decision.check.ts.
 */
export function acceptanceZone(
  tolerance: Tolerance,
  expanded: number | undefined,
  rule: DecisionRule,
): Tolerance | undefined {
  if (tolerance.kind === 'between' && !(tolerance.lower <= tolerance.upper)) return undefined;
  if (!hasGuardBand(rule)) return tolerance;
  if (expanded === undefined || !(expanded >= 0)) return undefined;
  const zone = moved(tolerance, RULES[rule].accept * expanded);
  return zone.kind === 'between' && !(zone.lower < zone.upper) ? undefined : zone;
}

/** Whether a value lies in a tolerance, its limits included. NaN does not. */
export function isInside(value: number, tolerance: Tolerance): boolean {
  switch (tolerance.kind) {
    case 'at-least':
      return value >= tolerance.lower;
    case 'at-most':
      return value <= tolerance.upper;
    case 'between':
      return value >= tolerance.lower && value <= tolerance.upper;
    default:
      return unreachable(tolerance);
  }
}

/** Moves every limit inwards by `w`, or outwards when `w` is negative. */
function moved(tolerance: Tolerance, w: number): Tolerance {
  switch (tolerance.kind) {
    case 'at-least':
      return { kind: 'at-least', lower: addDecimals(tolerance.lower, w) };
    case 'at-most':
      return { kind: 'at-most', upper: addDecimals(tolerance.upper, -w) };
    case 'between':
      return {
        kind: 'between',
        lower: addDecimals(tolerance.lower, w),
        upper: addDecimals(tolerance.upper, -w),
      };
    default:
      return unreachable(tolerance);
  }
}

/**
 * Adds two numbers as a person adds their decimals, so that a result equal to the acceptance limit
 * on paper is equal to it here: −0.3 + 0.1 is −0.2, where binary addition gives −0.19999999999999998.
 * The sum is rounded at the 15th significant digit of the larger number, the last that a decimal
 * always keeps in binary64.
 */
function addDecimals(a: number, b: number): number {
  const sum = a + b;
  const [, exponent] = Math.max(Math.abs(a), Math.abs(b)).toExponential().split('e');
  const places = 14 - Number(exponent);
  return places >= 0 && places <= 100 ? Number(sum.toFixed(places)) : sum;
}

function hindrances(
  value: number,
  expanded: number | undefined,
  tolerance: Tolerance,
  rule: DecisionRule,
): readonly string[] {
  const reasons: string[] = [];
  if (!Number.isFinite(value)) reasons.push(`the value is ${String(value)}`);
  if (expanded === undefined && hasGuardBand(rule)) reasons.push('U not stated');
  if (expanded !== undefined && !(Number.isFinite(expanded) && expanded >= 0)) {
    reasons.push(`U is ${String(expanded)}, not a number of 0 or more`);
  }
  const limits = [
    ...(tolerance.kind === 'at-most' ? [] : [tolerance.lower]),
    ...(tolerance.kind === 'at-least' ? [] : [tolerance.upper]),
  ];
  if (!limits.every(Number.isFinite)) reasons.push('a limit is not a number');
  return reasons;
}
