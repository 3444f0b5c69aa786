import { showEnds, showValue } from '../base/display.js';
import { unreachable } from '../base/error.js';
import { isNonEmpty } from '../base/numbers.js';
import { inOrder, type Gate } from '../capture/gate.js';
import type { Limit, Limits } from '../procedure/limits.js';
import type { StatedUncertainty } from '../procedure/station.js';
import type { Outcome, Score, Side } from '../scoring/scoring.js';
import { expandedFor } from '../scoring/uncertainty.js';
import type { Decision, ItemVerdict, Result, Verdict } from './decision.js';
import { decide, decideAtLeast } from './rule.js';

/** What the verdict on an item is drawn from. */
export interface Findings {
  /** Why the attempt was broken off, in words; absent when it ran to its end. */
  readonly aborted?: string;
  readonly results: readonly Pick<Result, 'verdict'>[];
  readonly gates: readonly Pick<Gate, 'holds'>[];
}

/**
 * Draws the verdict on the item from its results and gates. The worst counts, in this order:
 * aborted, invalid, nonconforming, inconclusive, conforming.
 *
 * A gate that does not hold, a row that was not run and an attempt without any result are as bad as
 * an invalid row. So ACCEPT needs at least one result, all of them conforming, and every gate to hold.
 */
export function itemVerdict(findings: Findings): ItemVerdict {
  if (findings.aborted !== undefined) return { outcome: 'aborted', word: 'HOLD' };
  if (findings.gates.some((gate) => !gate.holds)) return { outcome: 'invalid', word: 'HOLD' };
  if (findings.results.length === 0) return { outcome: 'invalid', word: 'HOLD' };
  return wordFor(Math.max(...findings.results.map((result) => severity(result.verdict))));
}

const VERDICTS = [
  { outcome: 'conforming', word: 'ACCEPT' },
  { outcome: 'inconclusive', word: 'HOLD' },
  { outcome: 'nonconforming', word: 'REJECT' },
  { outcome: 'invalid', word: 'HOLD' },
] as const satisfies readonly ItemVerdict[];

function wordFor(worst: number): ItemVerdict {
  const verdict = VERDICTS[worst];
  if (verdict === undefined) throw new Error(`no verdict of severity ${worst}`);
  return verdict;
}

/** Place in VERDICTS. */
function severity(verdict: Verdict): number {
  switch (verdict.outcome) {
    case 'conforming':
      return 0;
    case 'inconclusive':
      return 1;
    case 'nonconforming':
      return 2;
    case 'invalid':
    case 'not-run':
      return 3;
    default:
      return unreachable(verdict);
  }
}

/** Everything a decision is made from. */
export interface Evidence {
  readonly limits: Limits;
  readonly scores: readonly Score[];
  /** Every gate that was judged, whether it holds or not; scope is a stage id or "run". */
  readonly gates: readonly Gate[];
  readonly uncertainty: (stage: string, characteristic: string) => StatedUncertainty | undefined;
  /** Where a characteristic is read, for rows that have no score. */
  readonly sideOf: (characteristic: string) => Side;
  /** Gates of other stages on which a characteristic depends, by id. */
  readonly gatesOf: (characteristic: string) => readonly string[];
  /** Why the attempt was broken off; absent when it ran to its end. */
  readonly aborted?: string;
}

/**
 * Decides every row of the limits and the item.
 *
 * A row of a stage with a gate that does not hold is invalid, whatever its value; so is every
 * scored row when a gate of the whole run does not hold, and every scored row whose characteristic
 * depends on a gate of another stage that does not hold. A row without a score was not run. Gates are
 * told in the order of their concerns: what comes first explains what comes after it.
 *
 * @throws plain Error when two scores claim one row: our defect.
 */
export function decideAll(evidence: Evidence): Decision {
  const { limits } = evidence;
  const gates = inOrder(evidence.gates);
  const scores = scoresByRow(evidence.scores);
  const results = limits.rows.map((limit) => resultOf(limit, scores.get(rowOf(limit)), evidence));
  if (!isNonEmpty(results)) throw new Error('limits without rows cannot be read from a file');
  const aborted = evidence.aborted === undefined ? {} : { aborted: evidence.aborted };
  const reason = reasonSentence({ ...aborted, results, gates }, limits);
  return { verdict: itemVerdict({ ...aborted, results, gates }), reason, results, gates };
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

const NOT_RUN: Outcome = { kind: 'not-evaluated', reason: 'not run' };

function resultOf(limit: Limit, score: Score | undefined, evidence: Evidence): Result {
  const outcome = score?.outcome ?? NOT_RUN;
  const stated = evidence.uncertainty(limit.stage, limit.characteristic);
  const expanded =
    outcome.kind === 'measured' && stated !== undefined
      ? expandedFor(outcome.value, stated)
      : undefined;
  return {
    limit,
    name: limit.label,
    side: score?.side ?? evidence.sideOf(limit.characteristic),
    outcome,
    expanded,
    verdict: verdictOf(limit, score, expanded, evidence),
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
  const decided = score.outcome.bound === 'at-least' ? decideAtLeast : decide;
  return decided(score.outcome.value, expanded, limit.tolerance, limit.rule);
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

/** Rows or gates named in full in a sentence; the others are counted. */
const NAMED = 3;

/**
 * Writes one sentence that says why the item got its verdict: the worst rows with value ± U and the
 * allowed range, the gate and whom it points at, or that all characteristics conform.
 *
 * @param limits - The document the results were held against.
 */
export function reasonSentence(
  decided: {
    readonly aborted?: string;
    readonly results: readonly Result[];
    readonly gates: readonly Gate[];
  },
  limits: Pick<Limits, 'id' | 'issue'>,
): string {
  const { results, gates, aborted } = decided;
  const document = `${limits.id} issue ${limits.issue}`;
  const verdict = itemVerdict(decided);
  switch (verdict.outcome) {
    case 'aborted':
      return `The attempt was broken off: ${clause(aborted ?? 'for no stated reason')}.`;
    case 'invalid':
      return `Nothing can be concluded: ${invalidity(results, gates)}.`;
    case 'nonconforming': {
      const rows = worstFirst(results, 'nonconforming');
      const count =
        rows.length === 1 ? '1 characteristic does' : `${rows.length} characteristics do`;
      const text = enumerate(rows.map(describe));
      return `${count} not conform to ${document}: ${text}.`;
    }
    case 'inconclusive': {
      const rows = worstFirst(results, 'inconclusive');
      const count =
        rows.length === 1 ? '1 characteristic is' : `${rows.length} characteristics are`;
      const text = enumerate(rows.map(describe));
      return `${count} nearer to a limit of ${document} than U: ${text}.`;
    }
    case 'conforming':
      return results.length === 1
        ? `The characteristic conforms to ${document}.`
        : `All ${results.length} characteristics conform to ${document}.`;
    default:
      return unreachable(verdict);
  }
}

/** Gates first: they explain the rows. */
function invalidity(results: readonly Result[], gates: readonly Gate[]): string {
  const broken = gates.filter((gate) => !gate.holds);
  const [first, ...others] = broken;
  if (first !== undefined) {
    const also = [...new Set(others.map(({ name }) => `"${name}"`))].filter(
      (n) => n !== `"${first.name}"`,
    );
    return also.length === 0
      ? describeGate(first)
      : `${describeGate(first)}; nor ${also.length === 1 ? 'does' : 'do'} ${also.join(', ')}`;
  }
  const invalid = results.flatMap(({ name, verdict }) =>
    verdict.outcome === 'invalid' ? [`${name}: ${verdict.reasons.map(clause).join(', ')}`] : [],
  );
  if (invalid.length > 0) return enumerate(invalid);
  const notRun = results.filter((result) => result.verdict.outcome === 'not-run');
  if (notRun.length > 0)
    return `${enumerate(
      notRun.map((result) => result.name),
      ', ',
    )} not run`;
  return 'no characteristic was evaluated';
}

function describeGate(gate: Gate): string {
  const where = gate.scope === 'run' ? '' : ` of stage "${gate.scope}"`;
  return `gate "${gate.name}"${where} does not hold and points at the ${gate.blames} (${clause(gate.evidence)})`;
}

function describe({ limit, outcome, expanded, name }: Result): string {
  if (outcome.kind !== 'measured') return `${name} has no value`;
  const { tolerance, unit } = limit;
  const shown = showValue(outcome.value, expanded, unit, tolerance);
  const value = shown.expanded === undefined ? shown.value : `${shown.value} ± ${shown.expanded}`;
  const symbol = ['1', 'count'].includes(unit.symbol) ? '' : ` ${unit.symbol}`;
  const bound = outcome.bound === 'at-least' ? 'at least ' : '';
  return `${name} is ${bound}${value}${symbol}, allowed ${showEnds(tolerance, unit)}${symbol}`;
}

/** The rows with one outcome, the one farthest out first, whatever its unit. */
function worstFirst(results: readonly Result[], outcome: Verdict['outcome']): readonly Result[] {
  return results
    .filter((result) => result.verdict.outcome === outcome)
    .map((result) => ({ result, excess: excess(result) }))
    .sort((a, b) => b.excess - a.excess)
    .map(({ result }) => result);
}

/** How far a value lies beyond its nearest limit, as a share of the tolerance or of the only limit. */
function excess(result: Result): number {
  const { limit, outcome } = result;
  if (outcome.kind !== 'measured') return Infinity;
  const { tolerance } = limit;
  const { value } = outcome;
  switch (tolerance.kind) {
    case 'at-least':
      return (tolerance.lower - value) / share(tolerance.lower);
    case 'at-most':
      return (value - tolerance.upper) / share(tolerance.upper);
    case 'between':
      return (
        Math.max(tolerance.lower - value, value - tolerance.upper) /
        share(tolerance.upper - tolerance.lower)
      );
    default:
      return unreachable(tolerance);
  }
}

/** A limit of 0 gives no scale: what lies beyond it counts as it is. */
const share = (scale: number): number => (scale === 0 ? 1 : Math.abs(scale));

/** Joins the first few and counts the others. */
function enumerate(parts: readonly string[], between = '; '): string {
  const named = parts.slice(0, NAMED).join(between);
  const more = parts.length - NAMED;
  return more > 0 ? `${named}; and ${more} more` : named;
}

/** A sentence as part of another one. */
const clause = (sentence: string): string => sentence.trim().replace(/\.$/u, '');
