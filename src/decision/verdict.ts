import { unreachable } from '../base/error.js';
import { isNonEmpty } from '../base/numbers.js';
import { inOrder, type Gate } from '../capture/gate.js';
import type { Budget } from '../procedure/budget.js';
import type { Limit, Limits } from '../procedure/limits.js';
import { budgetTable } from '../scoring/budget.js';
import type { Outcome, Score, Side } from '../scoring/scoring.js';
import { itemFaultOf } from './attribution.js';
import type { Decision, ItemFault, Result, Verdict } from './decision.js';
import { isItemFault, itemVerdict } from './item-verdict.js';
import { nearLimit } from './near-limit.js';
import { reasonSentence } from './reason.js';
import { decideFound } from './rule.js';

/** Everything a decision is made from. */
export interface Evidence {
  readonly limits: Limits;
  readonly scores: readonly Score[];
  /** Every gate that was judged, whether it holds or not; scope is a stage id or "run". */
  readonly gates: readonly Gate[];
  readonly uncertainty: (stage: string, characteristic: string) => Budget | undefined;
  /** Where a characteristic is read, for rows that have no score. */
  readonly sideOf: (characteristic: string) => Side;
  /** Gates of other stages on which a characteristic depends, by id. */
  readonly gatesOf: (characteristic: string) => readonly string[];
  /** Why the attempt was broken off; absent when it ran to its end. */
  readonly aborted?: string;
  /**
   * Proof that the item itself broke the attempt off, as `itemFaultOf` gives it; what the gates alone
   * prove is added here.
   */
  readonly itemFault?: ItemFault;
  /** Rows that an earlier record decided, of stages that were not to be played; they stand as they are. */
  readonly carried?: readonly Result[];
}

/**
 * Decides every row of the limits and the item.
 *
 * A row of a stage with a gate that does not hold is invalid, whatever its value; so is every
 * scored row when a gate of the whole run does not hold, and every scored row whose characteristic
 * depends on a gate of another stage that does not hold. A row without a score was not run. Gates are
 * told in the order of their concerns: what comes first explains what comes after it.
 *
 * @throws plain Error when two scores claim one row, or one claims a row that was carried over: our defect.
 */
export function decideAll(evidence: Evidence): Decision {
  const { limits } = evidence;
  const gates = inOrder(evidence.gates);
  const scores = scoresByRow(evidence.scores);
  const carried = carriedByRow(evidence.carried ?? [], scores);
  const results = limits.rows.map(
    (limit) => carried.get(rowOf(limit)) ?? resultOf(limit, scores.get(rowOf(limit)), evidence),
  );
  if (!isNonEmpty(results)) throw new Error('limits without rows cannot be read from a file');
  const { aborted } = evidence;
  const proven = evidence.itemFault ?? (aborted === undefined ? itemFaultOf({ gates }) : undefined);
  const findings = {
    ...(aborted === undefined ? {} : { aborted }),
    ...(proven === undefined ? {} : { itemFault: proven }),
    results,
    gates,
  };
  const itemFault = proven !== undefined && isItemFault(findings) ? { itemFault: proven } : {};
  const reason = reasonSentence(findings, limits);
  return { verdict: itemVerdict(findings), reason, results, gates, ...itemFault };
}

const rowOf = (place: { readonly stage: string; readonly characteristic: string }): string =>
  `${place.stage}.${place.characteristic}`;

function scoresByRow(scores: readonly Score[]): ReadonlyMap<string, Score> {
  const byRow = new Map<string, Score>();
  for (const score of scores) {
    if (byRow.has(rowOf(score))) throw new Error(`two scores claim ${rowOf(score)}`);
    byRow.set(rowOf(score), score);
  }
  return byRow;
}

function carriedByRow(
  carried: readonly Result[],
  scores: ReadonlyMap<string, Score>,
): ReadonlyMap<string, Result> {
  const byRow = new Map(carried.map((result) => [rowOf(result.limit), result]));
  const both = [...byRow.keys()].find((row) => scores.has(row));
  if (both !== undefined) throw new Error(`${both} was measured and carried over`);
  return byRow;
}

const NOT_RUN: Outcome = { kind: 'not-evaluated', reason: 'not run' };

function resultOf(limit: Limit, score: Score | undefined, evidence: Evidence): Result {
  const outcome = score?.outcome ?? NOT_RUN;
  const stated = evidence.uncertainty(limit.stage, limit.characteristic);
  const table =
    outcome.kind === 'measured' && stated !== undefined
      ? budgetTable(outcome.value, stated, outcome)
      : undefined;
  const expanded = table?.expanded;
  const verdict = verdictOf(limit, score, expanded, evidence);
  const near = nearLimit({ limit, outcome, verdict });
  return {
    limit,
    name: limit.label,
    side: score?.side ?? evidence.sideOf(limit.characteristic),
    outcome,
    expanded,
    ...(table === undefined ? {} : { k: table.k }),
    verdict,
    ...(near === undefined ? {} : { nearLimit: near }),
  };
}

function verdictOf(
  limit: Limit,
  score: Score | undefined,
  expanded: number | undefined,
  evidence: Pick<Evidence, 'gates' | 'gatesOf'>,
): Verdict {
  const broken = inOrder(evidence.gates)
    .filter((gate) => !gate.holds && reaches(gate, limit, score, evidence))
    .map((gate) => `gate "${gate.name}"`);
  const reasons =
    score?.outcome.kind === 'not-evaluated' ? [...broken, score.outcome.reason] : broken;
  if (isNonEmpty(reasons)) return { outcome: 'invalid', reasons };
  if (score?.outcome.kind !== 'measured') return { outcome: 'not-run' };
  const { value, bound } = score.outcome;
  return decideFound({ value, expanded, isBound: bound === 'at-least' }, limit);
}

/** Whether a gate that does not hold voids a row. */
function reaches(
  gate: Gate,
  limit: Limit,
  score: Score | undefined,
  { gatesOf }: Pick<Evidence, 'gatesOf'>,
): boolean {
  switch (gate.reach) {
    case 'stage':
      return gate.scope === limit.stage;
    case 'run':
      return score !== undefined;
    case 'dependents':
      return score !== undefined && gatesOf(limit.characteristic).includes(gate.id);
    default:
      return unreachable(gate.reach);
  }
}
