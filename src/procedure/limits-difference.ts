import { exactText, printed } from '../base/display.js';
import { unitOf, type Unit } from '../base/units.js';
import type { DecisionRule, Limit, Limits, ProcessSpread } from './limits.js';

/** Which way a change goes: what it does to the items that are accepted. */
export type ChangeWay =
  /** More values lie within the limits. */
  | 'wider'
  | 'narrower'
  /** The limits stay and the rule accepts less, or more, of what lies within them. */
  | 'stricter'
  | 'looser'
  | 'added'
  | 'removed'
  /** Decides nothing: words, units of display, spread of the process. */
  | 'wording';

/** One difference between two issues of limits. */
export interface LimitChange {
  readonly way: ChangeWay;
  /** `stage.characteristic`; absent for what concerns the file. */
  readonly row?: string;
  /** One sentence, e.g. "Upper limit of steps-2.overshoot widened 6 % → 8 %." */
  readonly words: string;
  /** Line in the later text; absent for a row that was removed. */
  readonly line?: number;
}

/** A row whose line has a problem, so that nothing can be said of it. */
export interface UnreadRow {
  readonly row: string;
  readonly line: number;
}

/** How much a rule asks for inside a limit, as a share of U, greatest first in strictness. */
export type Strictness = (rule: DecisionRule) => number;

/**
 * Says in words what changes from one issue of limits to another: the file first, then row by row in
 * the order of the later one, then what was removed. Comments, layout and approval are no change.
 *
 * @param strictness - Guard band of each rule as a share of U.
 */
export function limitsDifference(
  before: Limits,
  after: Limits,
  strictness: Strictness,
): readonly LimitChange[] {
  const old = new Map(before.rows.map((row) => [nameOf(row), row]));
  const kept = new Set(after.rows.map(nameOf));
  const rows = after.rows.flatMap((row) => {
    const was = old.get(nameOf(row));
    return was === undefined ? [added(row)] : rowChanges(was, row, strictness);
  });
  const gone = before.rows.filter((row) => !kept.has(nameOf(row))).map(removed);
  return [...fileChanges(before, after), ...rows, ...gone];
}

const nameOf = ({ stage, characteristic }: Limit): string => `${stage}.${characteristic}`;

function fileChanges(before: Limits, after: Limits): readonly LimitChange[] {
  const told = (what: string, from: string, to: string): readonly LimitChange[] =>
    from === to ? [] : [{ way: 'wording', words: `${what} changed ${from} → ${to}.` }];
  const procedureOf = (limits: Limits): string =>
    `${limits.procedure} issue ${limits.procedureIssue}`;
  return [
    ...told('Name of the limits', before.id, after.id),
    ...told('Title', `"${before.title}"`, `"${after.title}"`),
    ...told('Issue', String(before.issue), String(after.issue)),
    ...told('Date', before.date, after.date),
    ...told('Procedure', procedureOf(before), procedureOf(after)),
  ];
}

const added = (row: Limit): LimitChange => ({
  way: 'added',
  row: nameOf(row),
  words: `${nameOf(row)} added: ${toleranceWords(row)}, ${row.rule}.`,
  line: row.where.line,
});

const removed = (row: Limit): LimitChange => ({
  way: 'removed',
  row: nameOf(row),
  words: `${nameOf(row)} removed; it was ${toleranceWords(row)}, ${row.rule}.`,
});

function rowChanges(was: Limit, is: Limit, strictness: Strictness): readonly LimitChange[] {
  const row = nameOf(is);
  const { line } = is.where;
  const changes = [
    endChange('lower', was, is),
    endChange('upper', was, is),
    ruleChange(was, is, strictness),
    wordingChange('label', `"${was.label}"`, `"${is.label}"`, row),
    wordingChange('unit', was.unit.symbol, is.unit.symbol, row),
    wordingChange('process', processWords(was), processWords(is), row),
    wordingChange('warn-above', warnWords(was), warnWords(is), row),
  ];
  return changes.flatMap((change) => (change === undefined ? [] : [{ row, line, ...change }]));
}

type Told = Pick<LimitChange, 'way' | 'words'> | undefined;

function endChange(side: 'lower' | 'upper', was: Limit, is: Limit): Told {
  const from = endOf(side, was);
  const to = endOf(side, is);
  if (from === to) return undefined;
  const subject = `${side === 'lower' ? 'Lower' : 'Upper'} limit of ${nameOf(is)}`;
  if (from === undefined && to !== undefined) {
    return { way: 'narrower', words: `${subject} added: ${shown(to, is.unit)}.` };
  }
  if (from !== undefined && to === undefined) {
    return { way: 'wider', words: `${subject} removed; it was ${shown(from, was.unit)}.` };
  }
  const isWider = side === 'upper' ? Number(to) > Number(from) : Number(to) < Number(from);
  const way = isWider ? 'wider' : 'narrower';
  const verb = isWider ? 'widened' : 'narrowed';
  const ends = `${shown(Number(from), was.unit)} → ${shown(Number(to), is.unit)}`;
  return { way, words: `${subject} ${verb} ${ends}.` };
}

function endOf(side: 'lower' | 'upper', { tolerance }: Limit): number | undefined {
  const { lower, upper }: { readonly lower?: number; readonly upper?: number } = tolerance;
  return side === 'lower' ? lower : upper;
}

function ruleChange(was: Limit, is: Limit, strictness: Strictness): Told {
  if (was.rule === is.rule) return undefined;
  const more = strictness(is.rule) - strictness(was.rule);
  const way = more > 0 ? 'stricter' : more < 0 ? 'looser' : 'wording';
  return { way, words: `Rule of ${nameOf(is)} changed ${was.rule} → ${is.rule}.` };
}

function wordingChange(what: string, from: string, to: string, row: string): Told {
  if (from === to) return undefined;
  const words: Readonly<Record<string, string>> = {
    label: `Label of ${row} changed ${from} → ${to}.`,
    unit: `${row} is written in ${to} instead of ${from}.`,
    'warn-above': `Warning of ${row} changed: near its limit from ${from} → ${to} of the tolerance.`,
    process: `Process of ${row} changed ${from} → ${to}.`,
  };
  return { way: 'wording', words: words[what] ?? '' };
}

const warnWords = ({ warnAbove }: Limit): string =>
  warnAbove === undefined ? 'the usual share' : shown(warnAbove, unitOf('%'));

function processWords({ process, unit }: Limit): string {
  return process === undefined ? 'none' : spreadWords(process, unit);
}

const spreadWords = ({ mean, deviation }: ProcessSpread, unit: Unit): string =>
  `${shown(mean, unit)} ± ${shown(deviation, unit)}`;

function toleranceWords(row: Limit): string {
  const lower = endOf('lower', row);
  const upper = endOf('upper', row);
  const parts = [
    ...(lower === undefined ? [] : [`from ${shown(lower, row.unit)}`]),
    ...(upper === undefined ? [] : [`to ${shown(upper, row.unit)}`]),
  ];
  return parts.join(' ');
}

/** Exactly as it can be written in a limits file, with the minus sign of print. */
const shown = (value: number, unit: Unit): string =>
  `${printed(exactText(value, unit))} ${unit.symbol}`;
