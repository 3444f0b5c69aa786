import { printed, showEnds, showValue } from '../base/display.js';
import { isoInstant } from '../base/clock.js';
import { unreachable } from '../base/error.js';
import { UNITS } from '../base/units.js';
import type { Decision, Result, Verdict } from '../decision/decision.js';
import { carriedOver, isAcceptedOutside } from '../decision/reason.js';
import { RULES, type Rule } from '../decision/rules.js';
import { DECISION_RULES } from '../procedure/limits.js';
import { documentKind } from './certificate.js';
import type { Certificate, DocumentKind } from './certificate.js';

type Gate = Decision['gates'][number];

const TITLES: Readonly<Record<DocumentKind, string>> = {
  acceptance: 'Acceptance certificate',
  nonconformity: 'Nonconformity report',
  hold: 'Report of a held item',
};

/** The title says what kind of document it is; only an accepted item gets a certificate. */
export function titleOf(certificate: Certificate): string {
  return TITLES[documentKind(certificate)];
}

/** Marks the last line of the document. */
export function endMark(certificate: Certificate): string {
  return documentKind(certificate) === 'acceptance'
    ? '— end of certificate —'
    : '— end of report —';
}

/** What to call the document inside a sentence. */
export function kindWord(certificate: Certificate): 'certificate' | 'report' {
  return documentKind(certificate) === 'acceptance' ? 'certificate' : 'report';
}

/** The components that an item tells, each by a name of its own: a second one of a kind has a number. */
export function componentNames({
  components = [],
}: Certificate['item']): readonly (readonly [name: string, serial: string])[] {
  return components.map(({ kind, serial }, i) => {
    const place = components.slice(0, i).filter((before) => before.kind === kind).length + 1;
    return [place === 1 ? kind : `${kind} ${place}`, serial];
  });
}

/** Writes an instant as "2026-11-25 14:05:18 UTC". */
export function instant(ms: number): string {
  return isoInstant(ms).replace('T', ' ').replace('Z', ' UTC');
}

export const dayOf = (ms: number): string => isoInstant(ms).slice(0, 10);
export const timeOf = (ms: number): string => isoInstant(ms).slice(11, 19);

/** Writes a length of time as "3 min 49 s". */
export function duration(ms: number): string {
  const seconds = Math.round(ms / 1000);
  const minutes = Math.floor(seconds / 60);
  return minutes === 0 ? `${seconds} s` : `${minutes} min ${seconds % 60} s`;
}

export const specification = (certificate: Certificate): string =>
  `${certificate.limits.id} issue ${certificate.limits.issue}`;

/** Says whether, in what and by which document the item conforms. */
export function conformity(certificate: Certificate): string {
  const { verdict, results, itemFault } = certificate.decision;
  const spec = specification(certificate);
  const total = results.length;
  const rows = (outcome: Verdict['outcome']): number =>
    results.filter((r) => r.verdict.outcome === outcome).length;
  if (itemFault !== undefined) {
    return `The item does not conform to ${spec}: a fault of its own kept it from being measured.`;
  }
  const all = total === 1 ? 'its one characteristic' : `all ${total} characteristics`;
  const onCondition = (side: 'inside' | 'outside'): number =>
    results.filter((r) => r.verdict.outcome === 'conditional' && r.verdict.side === side).length;
  switch (verdict.outcome) {
    case 'conforming':
      return `The item conforms to ${spec} in ${all}${relaxed(results)}${carriedOver(results)}.`;
    case 'conditional':
      return verdict.side === 'inside'
        ? `The item conforms to ${spec}; ${onCondition('inside')} of ${total} characteristics only conditionally${relaxed(results)}${carriedOver(results)}.`
        : `On condition the item does not conform to ${spec}: ${onCondition('outside')} of ${total} characteristics ${onCondition('outside') === 1 ? 'is' : 'are'} outside a limit by no more than U.`;
    case 'nonconforming':
      return `The item does not conform to ${spec} in ${rows('nonconforming')} of ${total} characteristics.`;
    case 'inconclusive':
      return `Not decided: ${rows('inconclusive')} of ${total} characteristics ${rows('inconclusive') === 1 ? 'is' : 'are'} nearer to a limit of ${spec} than U.`;
    case 'invalid':
      return `Not decided: what was measured does not allow a statement of conformity to ${spec}.`;
    case 'aborted':
      return `Not decided: the attempt was broken off before conformity to ${spec} could be judged.`;
    default:
      return unreachable(verdict);
  }
}

/** Says how many rows a rule accepts although their values lie outside a limit. */
function relaxed(results: readonly Result[]): string {
  const outside = results.filter(isAcceptedOutside).length;
  if (outside === 0) return '';
  return `, ${outside} of them outside a limit by no more than U`;
}

/** Names the rules under which values were compared with limits. */
export function ruleSentence(results: readonly Result[]): string {
  const used = rulesUsed(results);
  const [only] = used;
  if (only === undefined || used.length === 1) {
    return `Decision rule: ${only?.name ?? 'none'} in every row.`;
  }
  return `Decision rule: ${used.map(({ mark, name }) => `rows marked ${mark} by ${name}`).join('; ')}.`;
}

/** The rules of some rows, each once, in the order of their list. */
export function rulesUsed(results: readonly Pick<Result, 'limit'>[]): readonly Rule[] {
  return DECISION_RULES.filter((rule) => results.some((r) => r.limit.rule === rule)).map(
    (rule) => RULES[rule],
  );
}

export const RELATES_ONLY =
  'Values are compared unrounded. The results relate only to the item tested, identified above, at the place and in the conditions stated.';

/** Value, U, unit and what is allowed, each as text for its column. */
export interface RowWords {
  readonly value: string;
  readonly expanded: string;
  readonly unit: string;
  readonly allowed: string;
}

export function rowWords(result: Result): RowWords {
  const { limit, outcome, expanded } = result;
  const allowed = showEnds(limit.tolerance, limit.unit);
  const unit = limit.unit.symbol;
  if (outcome.kind !== 'measured') return { value: '–', expanded: '', unit, allowed };
  const shown = showValue(outcome.value, expanded, limit.unit, limit.tolerance);
  const value = outcome.bound === 'at-least' ? `≥ ${shown.value}` : shown.value;
  return { value, expanded: shown.expanded ?? '–', unit, allowed };
}

/** Writes "3.02 ± 0.08 N·m/ms, allowed 5.20 … 6.60". */
export function rowSentence(result: Result): string {
  const words = rowWords(result);
  if (result.outcome.kind !== 'measured') return `not evaluated: ${result.outcome.reason}`;
  return `${measuredWords(words)}, allowed ${words.allowed}`;
}

export function measuredWords(words: RowWords): string {
  const plusMinus = words.expanded === '–' ? '' : ` ± ${words.expanded}`;
  return `${words.value}${plusMinus}${words.unit === '1' ? '' : ` ${words.unit}`}`;
}

/** The verdict on a row in words, beside its mark. */
export function verdictWords(verdict: Verdict): string {
  switch (verdict.outcome) {
    case 'conforming':
      return '';
    case 'nonconforming':
      return 'outside';
    case 'conditional':
      return `${verdict.side}, on condition`;
    case 'inconclusive':
      return 'not decided';
    case 'invalid':
      return verdict.reasons.some((r) => r.startsWith('gate'))
        ? 'not evaluated: gate'
        : 'not evaluated';
    case 'not-run':
      return 'not run';
    default:
      return unreachable(verdict);
  }
}

/** Reads the verdict out for the structure of the page, where the mark cannot be seen. */
export function verdictRead(verdict: Verdict): string {
  const words = verdictWords(verdict);
  return words === '' ? 'inside' : words;
}

/** What was found at a gate and what is allowed there, with the digits people need and no more. */
export function gateWords(gate: Gate): { readonly found: string; readonly allowed: string } {
  return { found: foundAt(gate), allowed: `${senseOf(gate)}${allowedAt(gate)}` };
}

/** A finding that is nothing beside what is allowed is written as nothing; one that closes the gate is not rounded away. */
function foundAt(gate: Gate): string {
  const { observed, allowed, holds } = gate;
  const finest = Math.abs(allowed) / 10_000;
  return gateNumber(holds && Math.abs(observed) < finest ? 0 : observed, gate);
}

const allowedAt = (gate: Gate): string => gateNumber(gate.allowed, gate);

function gateNumber(value: number, { allowed, unit }: Gate): string {
  if (!Number.isFinite(value)) return 'none';
  const milli = `m${unit}`;
  const isSmall = allowed !== 0 && Math.abs(allowed) < 0.1 && UNITS.has(milli);
  const shown = isSmall ? value * 1000 : value;
  const text =
    Math.abs(shown) >= 1000 ? String(Math.round(shown)) : String(Number(shown.toPrecision(3)));
  const symbol = isSmall ? milli : unit;
  const isBare = symbol === '1' || symbol === '' || symbol === 'count';
  return `${printed(text)}${isBare ? '' : ` ${symbol}`}`;
}

/** Gates of one name and blame, over the stages they were judged on. */
export interface GateGroup {
  readonly name: string;
  /** Each finding with its stages, and with what is allowed there where that differs by stage. */
  readonly found: string;
  readonly allowed: string;
  readonly blames: string;
  readonly closed: readonly Gate[];
}

/** Gathers the gates of a run by name, so that each is printed and the table stays short. */
export function gateGroups(gates: readonly Gate[]): readonly GateGroup[] {
  const groups = new Map<string, Gate[]>();
  for (const gate of gates) {
    const key = [gate.name, gate.unit, gate.blames].join(' ');
    groups.set(key, [...(groups.get(key) ?? []), gate]);
  }
  const stages = new Set(gates.map((g) => g.scope).filter((scope) => scope !== 'run')).size;
  return [...groups.values()].map((group) => describeGroup(group, stages));
}

/** @param stages - How many stages were judged by any gate. */
function describeGroup(group: readonly Gate[], stages: number): GateGroup {
  const [first] = group;
  if (first === undefined) throw new Error('a group of gates has at least one gate');
  const differs = group.some((gate) => gate.allowed !== first.allowed);
  const byFinding = new Map<string, string[]>();
  for (const gate of group) {
    const finding = differs ? `${foundAt(gate)} of ${allowedAt(gate)}` : foundAt(gate);
    byFinding.set(finding, [...(byFinding.get(finding) ?? []), gate.scope]);
  }
  const found = [...byFinding].map(([finding, scopes]) => {
    if (scopes.length === 1 && scopes[0] === 'run') return finding;
    const isEvery = scopes.length > 1 && scopes.length === stages;
    return `${finding} (${isEvery ? `each of ${stages} stages` : scopes.join(', ')})`;
  });
  const closed = group.filter((gate) => !gate.holds);
  const isLong = differs && closed.length === 0 && found.length > MOST_FINDINGS;
  return {
    name: first.name,
    found: isLong ? nearest(first, group) : found.join('; '),
    allowed: differs ? `${senseOf(first)}as stated` : `${senseOf(first)}${allowedAt(first)}`,
    blames: first.blames,
    closed,
  };
}

/** Findings that are told one by one where the allowance differs by stage; the table has them all. */
const MOST_FINDINGS = 3;

/** Of gates that all hold, the one with the least margin. */
function nearest(first: Gate, group: readonly Gate[]): string {
  const least = group.reduce((one, gate) => (gate.margin < one.margin ? gate : one), first);
  return `${foundAt(least)} of ${allowedAt(least)} (${least.scope}, nearest of ${group.length} stages)`;
}

const senseOf = (gate: Gate): string => (gate.sense === 'at-most' ? '≤ ' : '≥ ');

/** How far a value lies outside its tolerance or how near to a limit, in widths of the tolerance: the worst is greatest. */
export function badness({ limit, outcome }: Result): number {
  if (outcome.kind !== 'measured') return -Infinity;
  const { tolerance } = limit;
  const { value } = outcome;
  switch (tolerance.kind) {
    case 'between': {
      const width = tolerance.upper - tolerance.lower;
      return Math.max(tolerance.lower - value, value - tolerance.upper) / width;
    }
    case 'at-least':
      return (tolerance.lower - value) / sizeOf(tolerance.lower);
    case 'at-most':
      return (value - tolerance.upper) / sizeOf(tolerance.upper);
    default:
      return unreachable(tolerance);
  }
}

const sizeOf = (limit: number): number => (limit === 0 ? 1 : Math.abs(limit));
