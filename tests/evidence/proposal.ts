import { acceptanceZone, decide, isInside } from '../../src/decision/rule.js';
import { RULES } from '../../src/decision/rules.js';
import type { Limit, Tolerance } from '../../src/procedure/limits.js';
import { expandedFor } from '../../src/scoring/budget.js';
import type { RunDocuments } from '../support/simulated-run.js';
import { type Kept, valueOf } from './kept.js';
import { deviationOf, meanOf, quantileOf } from './report.js';

/** Values of one row over all items that have one, sorted, base unit. */
export interface Spread {
  readonly limit: Limit;
  readonly sorted: readonly number[];
  readonly mean: number;
  readonly deviation: number;
  /** Mean of U over the items; undefined when none is stated. */
  readonly expanded: number | undefined;
}

export function spreadOf(limit: Limit, items: readonly Kept[], { station }: RunDocuments): Spread {
  const values = items.flatMap((kept) => valueOf(kept, limit.stage, limit.characteristic) ?? []);
  const stated = station.uncertainty.get(limit.characteristic);
  return {
    limit,
    sorted: [...values].sort((a, b) => a - b),
    mean: meanOf(values),
    deviation: deviationOf(values),
    expanded: stated === undefined ? undefined : meanOf(values.map((v) => expandedFor(v, stated))),
  };
}

/** Least share of U that a row must scatter for its limits to be drawn from its distribution. */
const PHYSICAL = 0.2;

/** Whether a row scatters because items differ, and not by noise or not at all. */
export function isPhysical({ deviation, expanded }: Spread): boolean {
  return expanded !== undefined && deviation > PHYSICAL * expanded;
}

/** Steps that read as round, from the largest that moves a limit by a quarter of a deviation at most. */
function roundStep(deviation: number): number {
  const decade = 10 ** Math.floor(Math.log10(deviation / 4));
  const [, factor = 1] =
    [1, 2, 5].map((f) => [f * decade, f] as const).findLast(([step]) => step <= deviation / 4) ??
    [];
  return factor * decade;
}

/**
 * Draws limits for one row so that a share of `tail` lies beyond the acceptance limit at each end that
 * the row has, rounded to a round number of its unit. The guard band of its rule is added outside.
 */
function drawn({ limit, sorted, deviation, expanded }: Spread, tail: number): Tolerance {
  const scale = 10 ** limit.unit.exponent;
  const step = roundStep(deviation / scale);
  const guard = RULES[limit.rule].accept * (expanded ?? 0);
  const round = (value: number): number =>
    Number((Math.round(value / scale / step) * step).toPrecision(6)) * scale;
  const lower = round(quantileOf(sorted, tail) - guard);
  const upper = round(quantileOf(sorted, 1 - tail) + guard);
  switch (limit.tolerance.kind) {
    case 'at-least':
      return { kind: 'at-least', lower };
    case 'at-most':
      return { kind: 'at-most', upper };
    case 'between':
      return { kind: 'between', lower, upper };
    default:
      throw new Error('a tolerance of no known kind');
  }
}

/** Whether an item conforms in every row; gates were held before. */
function isAccepted(kept: Kept, rows: readonly Limit[], { station }: RunDocuments): boolean {
  return rows.every((limit) => {
    const value = valueOf(kept, limit.stage, limit.characteristic);
    if (value === undefined) return false;
    const stated = station.uncertainty.get(limit.characteristic);
    const expanded = stated === undefined ? undefined : expandedFor(value, stated);
    return decide(value, expanded, limit.tolerance, limit.rule).outcome === 'conforming';
  });
}

/** First-pass yield of items under rows of limits, 0 … 1. */
export function yieldUnder(
  items: readonly Kept[],
  rows: readonly Limit[],
  documents: RunDocuments,
): number {
  const good = items.filter(
    (kept) => kept.gates.every((gate) => gate.holds) && isAccepted(kept, rows, documents),
  );
  return good.length / items.length;
}

export interface Proposal {
  readonly rows: readonly Limit[];
  /** Share beyond each acceptance limit. */
  readonly tail: number;
  readonly share: number;
}

/** Proposes limits that let about `aim` of the items through, with the rejections spread evenly over the rows that scatter. */
export function propose(
  spreads: readonly Spread[],
  items: readonly Kept[],
  documents: RunDocuments,
  aim = 0.97,
): Proposal {
  const at = (tail: number): Proposal => {
    const rows = spreads.map((spread) =>
      isPhysical(spread) ? { ...spread.limit, tolerance: drawn(spread, tail) } : spread.limit,
    );
    return { rows, tail, share: yieldUnder(items, rows, documents) };
  };
  let [low, high] = [0, 0.02];
  for (let round = 0; round < 20; round++) {
    const middle = (low + high) / 2;
    if (at(middle).share > aim) low = middle;
    else high = middle;
  }
  // Rounding makes the yield jump: of both sides the nearer one.
  const [more, less] = [at(low), at(high)];
  return Math.abs(more.share - aim) <= Math.abs(less.share - aim) ? more : less;
}

/** Whether a true value lies beyond a limit or nearer to one than U: then a reject is right or owed to U. */
export function explains(truth: number, limit: Limit, expanded: number): boolean {
  const zone = acceptanceZone(limit.tolerance, expanded, 'guarded');
  return zone === undefined || !isInside(truth, zone);
}
