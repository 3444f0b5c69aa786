import { showEnds, showValue } from '../base/display.js';
import { unreachable } from '../base/error.js';
import type { Gate } from '../capture/gate.js';
import type { Limits } from '../procedure/limits.js';
import type { Result, Verdict } from './decision.js';
import { isItemFault, itemVerdict, type Findings } from './item-verdict.js';
import { isInside } from './rule.js';

/** Rows or gates named in full in a sentence; the others are counted. */
const NAMED = 3;

/** What a reason is drawn from: the findings with all that can be told of them. */
interface Told extends Findings {
  readonly results: readonly Result[];
  readonly gates: readonly Gate[];
}

/**
 * Writes one sentence that says why the item got its verdict: the fault of the item with its evidence,
 * the worst rows with value ± U and the allowed range, the gate and whom it points at, or that all
 * characteristics conform.
 *
 * @param limits - The document the results were held against.
 */
export function reasonSentence(told: Told, limits: Pick<Limits, 'id' | 'issue'>): string {
  const { results, gates, aborted, itemFault } = told;
  const document = `${limits.id} issue ${limits.issue}`;
  const verdict = itemVerdict(told);
  if (itemFault !== undefined && isItemFault(told)) {
    return `The item itself is at fault: ${clause(itemFault.what)}. ${clause(itemFault.evidence)}.`;
  }
  switch (verdict.outcome) {
    case 'aborted':
      return `The attempt was broken off: ${clause(aborted ?? 'for no stated reason')}.`;
    case 'invalid':
      return `Nothing can be concluded: ${invalidity(results, gates)}.`;
    case 'nonconforming': {
      const rows = worstFirst(results, isOutcome('nonconforming'));
      return `${counted(rows, 'does', 'do')} not conform to ${document}: ${listed(rows)}.`;
    }
    case 'inconclusive': {
      const rows = worstFirst(results, isOutcome('inconclusive'));
      return `${counted(rows, 'is', 'are')} nearer to a limit of ${document} than U: ${listed(rows)}.`;
    }
    case 'conditional': {
      const { side } = verdict;
      const rows = worstFirst(results, (v) => v.outcome === 'conditional' && v.side === side);
      return side === 'outside'
        ? `${counted(rows, 'is', 'are')} outside a limit of ${document}, by no more than U: ${listed(rows)}.`
        : `The item conforms to ${document}; ${counted(rows)} only conditionally: ${listed(rows)}${relaxed(results)}${carriedOver(results)}.`;
    }
    case 'conforming':
      return results.length === 1
        ? `The characteristic conforms to ${document}${relaxed(results)}.`
        : `All ${results.length} characteristics conform to ${document}${relaxed(results)}${carriedOver(results)}.`;
    default:
      return unreachable(verdict);
  }
}

/** Whether a rule accepts a row although its value lies outside a limit. */
export function isAcceptedOutside({ verdict, outcome, limit }: Result): boolean {
  return (
    verdict.outcome === 'conforming' &&
    outcome.kind === 'measured' &&
    !isInside(outcome.value, limit.tolerance)
  );
}

/** Rows that conform by guarded rejection alone are named: nobody may read them as inside. */
function relaxed(results: readonly Result[]): string {
  const rows = results.filter(isAcceptedOutside);
  if (rows.length === 0) return '';
  return `; ${counted(rows, 'is', 'are')} outside a limit by no more than U, which guarded rejection accepts: ${listed(rows)}`;
}

/** Says how many rows were not measured in this attempt, and where they stand. */
export function carriedOver(results: readonly Result[]): string {
  const rows = results.filter(({ carriedFrom }) => carriedFrom !== undefined);
  if (rows.length === 0) return '';
  const records = [...new Set(rows.map(({ carriedFrom }) => carriedFrom ?? ''))];
  return `; ${counted(rows, 'is', 'are')} carried over from record ${records.join(', ')}`;
}

const isOutcome =
  (outcome: Verdict['outcome']) =>
  (verdict: Verdict): boolean =>
    verdict.outcome === outcome;

/** Writes "1 characteristic is" or "3 characteristics are". */
function counted(rows: readonly unknown[], one = '', many = ''): string {
  const text =
    rows.length === 1 ? `1 characteristic ${one}` : `${rows.length} characteristics ${many}`;
  return text.trimEnd();
}

const listed = (rows: readonly Result[]): string => enumerate(rows.map(describe));

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

/** The rows with one verdict, the one farthest out first, whatever its unit. */
function worstFirst(
  results: readonly Result[],
  is: (verdict: Verdict) => boolean,
): readonly Result[] {
  return results
    .filter((result) => is(result.verdict))
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
