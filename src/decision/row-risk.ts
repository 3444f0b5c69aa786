import { unreachable } from '../base/error.js';
import type { DecisionRule, Limit, ProcessSpread, Tolerance } from '../procedure/limits.js';
import type { Budget } from '../procedure/budget.js';
import { budgetTable, expandedFor, type BudgetTable } from '../scoring/budget.js';
import { globalRisks, specificRisk } from './risk.js';
import { RULES } from './rules.js';

/** What one row risks: under its rule alone, and with the spread of the process where it is stated. */
export interface RowRisk {
  readonly limit: Limit;
  /** Greatest U at the limits, base unit; undefined when none is stated. */
  readonly expanded: number | undefined;
  /** Its coverage factor; undefined without U. */
  readonly k: number | undefined;
  /** U over the width of the tolerance; undefined without U or where a tolerance has no width. */
  readonly share: number | undefined;
  /** What the rule accepts; a four-way row accepts once without and once also on condition. */
  readonly acceptances: readonly Acceptance[];
}

export interface Acceptance {
  readonly condition: 'without' | 'also on condition';
  /** Acceptance limits; undefined when nothing is left to accept, or U is not stated but needed. */
  readonly accepted: Tolerance | undefined;
  /** Greatest probability, 0 … 1, that a value on an acceptance limit belongs to an item outside. */
  readonly atLimit: number | undefined;
  /** For an item drawn from the process; undefined when its spread or U is not stated. */
  readonly drawn:
    | {
        /** Accepted and outside the tolerance. */
        readonly falseAccept: number;
        /** Inside the tolerance and not accepted, HOLD included. */
        readonly falseReject: number;
      }
    | undefined;
}

/**
 * Reckons the risk of a wrong decision on one row.
 *
 * The process is that of the true values; a spread of measured values is a little wider than it. U is
 * taken at the limits, where it decides, so a U that grows with the value is not understated, and half
 * of it as the standard uncertainty of a normal distribution, which is never less than the combined one.
 *
 * @param stated - Undefined when the bench states no uncertainty for the characteristic.
 *
 * Source: JCGM 106:2012, 9.3.2 and 9.5 (from memory). Check: tests/checks/decision.check.ts,
 * tests/checks/monte-carlo.check.ts.
 */
export function rowRisk(limit: Limit, stated: Budget | undefined): RowRisk {
  const { tolerance, rule, process } = limit;
  const table = stated === undefined ? undefined : widestAt(tolerance, stated);
  const expanded = table?.expanded;
  const width = widthOf(tolerance);
  const share = expanded === undefined || width === undefined ? undefined : expanded / width;
  const under = (as: DecisionRule, condition: Acceptance['condition']): Acceptance => {
    const accepted = acceptanceLimits(tolerance, stated, as);
    return {
      condition,
      accepted,
      atLimit: accepted && stated && riskAtLimits(tolerance, accepted, stated),
      drawn: accepted && drawnRisks(tolerance, accepted, expanded, process),
    };
  };
  const first = under(rule, 'without');
  const isConditional = RULES[rule].between === 'conditional';
  // Accepted on condition is what lies inside the limits themselves.
  const acceptances = isConditional ? [first, under('simple', 'also on condition')] : [first];
  return { limit, expanded, k: table?.k, share, acceptances };
}

/**
 * Returns the width of a tolerance, against which U is held.
 *
 * @returns Undefined for a tolerance that is open above, and for a most of 0 or less. Below a most
 * above 0 the width reaches down to 0.
 */
export function widthOf(tolerance: Tolerance): number | undefined {
  switch (tolerance.kind) {
    case 'between':
      return tolerance.upper - tolerance.lower;
    case 'at-most':
      return tolerance.upper > 0 ? tolerance.upper : undefined;
    case 'at-least':
      return undefined;
    default:
      return unreachable(tolerance);
  }
}

/** Returns the greatest U at the limits of a tolerance, unit of the tolerance. */
export function greatestAt(tolerance: Tolerance, stated: Budget): number {
  return widestAt(tolerance, stated).expanded;
}

function widestAt(tolerance: Tolerance, stated: Budget): BudgetTable {
  const [first, second] = endsOf(tolerance).map(({ at }) => budgetTable(at, stated));
  if (first === undefined) throw new Error('a tolerance has at least one end');
  return second !== undefined && second.expanded > first.expanded ? second : first;
}

interface End {
  readonly at: number;
  /** Which way the tolerance lies from here. */
  readonly inward: 1 | -1;
}

function endsOf(tolerance: Tolerance): readonly End[] {
  return [
    ...(tolerance.kind === 'at-most' ? [] : [{ at: tolerance.lower, inward: 1 } as const]),
    ...(tolerance.kind === 'at-least' ? [] : [{ at: tolerance.upper, inward: -1 } as const]),
  ];
}

/** More rounds than a U that grows with half the value needs to settle to the last digit. */
const ROUNDS = 60;

/**
 * Returns the values that are just accepted, where U itself follows the value.
 *
 * @returns Undefined when nothing is left to accept, or the rule needs a U that is not stated.
 */
export function acceptanceLimits(
  tolerance: Tolerance,
  stated: Budget | undefined,
  rule: DecisionRule,
): Tolerance | undefined {
  const { accept } = RULES[rule];
  if (accept === 0) return tolerance;
  if (stated === undefined) return undefined;
  const moved = ({ at, inward }: End): number => {
    let limit = at;
    for (let round = 0; round < ROUNDS; round += 1) {
      const next = at + inward * accept * expandedFor(limit, stated);
      if (next === limit) break;
      limit = next;
    }
    return limit;
  };
  const [first, second] = endsOf(tolerance).map(moved);
  if (first === undefined) throw new Error('a tolerance has at least one end');
  switch (tolerance.kind) {
    case 'at-least':
      return { kind: 'at-least', lower: first };
    case 'at-most':
      return { kind: 'at-most', upper: first };
    case 'between':
      if (second === undefined || !(first < second)) return undefined;
      return { kind: 'between', lower: first, upper: second };
    default:
      return unreachable(tolerance);
  }
}

function riskAtLimits(tolerance: Tolerance, accepted: Tolerance, stated: Budget): number {
  return Math.max(
    ...endsOf(accepted).map(({ at }) => specificRisk(at, expandedFor(at, stated) / 2, tolerance)),
  );
}

function drawnRisks(
  tolerance: Tolerance,
  accepted: Tolerance,
  expanded: number | undefined,
  process: ProcessSpread | undefined,
): Acceptance['drawn'] {
  if (expanded === undefined || process === undefined) return undefined;
  if (expanded === 0) return { falseAccept: 0, falseReject: 0 };
  const drawn = { ...process, uncertainty: expanded / 2 };
  const { falseAccept, falseReject } = globalRisks(drawn, tolerance, accepted);
  return { falseAccept, falseReject };
}
