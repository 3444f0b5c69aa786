import type { Verdict } from '../decision/decision.js';
import { isAccepted, itemVerdict } from '../decision/item-verdict.js';
import { decideFound } from '../decision/rule.js';
import type { Limit, Limits } from '../procedure/limits.js';
import type { TraceableRecord, TracedRow } from './trace.js';

/**
 * What limits would have made of items that were tested before. A preview from stored values: value
 * and U are taken from the records and decided again; no samples are scored.
 */
export interface LimitsPreview {
  /** Records that were looked at. */
  readonly items: number;
  readonly rows: readonly PreviewedRow[];
  /** Items whose word would be another one. */
  readonly changed: readonly ChangedItem[];
}

/** The values of one row over the items, and how often its verdict would be another one. */
export interface PreviewedRow {
  readonly row: string;
  readonly limit: Limit;
  /** Base unit, in the order of the records; records without a valid value are left out. */
  readonly values: readonly number[];
  /** Greatest U of them, base unit; absent when none states one. */
  readonly expanded?: number;
  /** How many were accepted before and would not be, and the other way round. */
  readonly lost: number;
  readonly won: number;
}

/** An item with its word by the limits before and after. */
export interface ChangedItem {
  readonly serial: string;
  readonly number: string;
  readonly before: 'ACCEPT' | 'REJECT' | 'HOLD';
  readonly after: 'ACCEPT' | 'REJECT' | 'HOLD';
  /** Rows whose verdict is another one. */
  readonly rows: readonly string[];
}

/**
 * Decides stored values under two issues of limits. Both are decided anew, so that what an earlier
 * issue decided otherwise does not count as a change of this one.
 */
export function previewLimits(
  records: readonly TraceableRecord[],
  before: Limits,
  after: Limits,
): LimitsPreview {
  const old = new Map(before.rows.map((limit) => [nameOf(limit), limit]));
  const rows = after.rows.map((limit) => previewRow(records, old.get(nameOf(limit)), limit));
  const changed = records.flatMap((record) => changeOf(record, before, after));
  return { items: records.length, rows, changed };
}

const nameOf = (place: { readonly stage: string; readonly characteristic: string }): string =>
  `${place.stage}.${place.characteristic}`;

function rowIn(record: TraceableRecord, limit: Limit): TracedRow | undefined {
  return record.rows.find((row) => nameOf(row) === nameOf(limit));
}

function previewRow(
  records: readonly TraceableRecord[],
  was: Limit | undefined,
  limit: Limit,
): PreviewedRow {
  const found = records.flatMap((record) => {
    const row = rowIn(record, limit);
    return row?.value === undefined || row.invalid !== undefined
      ? []
      : [{ ...row, value: row.value }];
  });
  const us = found.flatMap(({ expanded }) => expanded ?? []);
  const kept = (under: Limit | undefined, row: TracedRow): boolean =>
    under === undefined || isAccepted(verdictUnder(under, row));
  return {
    row: nameOf(limit),
    limit,
    values: found.map(({ value }) => value),
    ...(us.length === 0 ? {} : { expanded: us.reduce((most, u) => Math.max(most, u)) }),
    lost: found.filter((row) => kept(was, row) && !kept(limit, row)).length,
    won: found.filter((row) => !kept(was, row) && kept(limit, row)).length,
  };
}

function verdictUnder(limit: Limit, row: TracedRow | undefined): Verdict {
  if (row === undefined || row.invalid === 'not-run') return { outcome: 'not-run' };
  if (row.invalid !== undefined || row.value === undefined) {
    return { outcome: 'invalid', reasons: [row.verdict] };
  }
  const { value, expanded, isBound } = row;
  return decideFound({ value, expanded, isBound }, limit);
}

function changeOf(record: TraceableRecord, before: Limits, after: Limits): readonly ChangedItem[] {
  // A row that a record does not have was not asked of it: it cannot tell for or against the edit.
  const verdicts = (limits: Limits): ReadonlyMap<string, Verdict> =>
    new Map(
      limits.rows
        .filter((limit) => rowIn(record, limit) !== undefined)
        .map((limit) => [nameOf(limit), verdictUnder(limit, rowIn(record, limit))]),
    );
  const [was, is] = [verdicts(before), verdicts(after)];
  const word = (of: ReadonlyMap<string, Verdict>): ChangedItem['before'] =>
    itemVerdict({ results: [...of.values()].map((verdict) => ({ verdict })), gates: record.gates })
      .word;
  const [wordBefore, wordAfter] = [word(was), word(is)];
  if (wordBefore === wordAfter) return [];
  const names = [...new Set([...was.keys(), ...is.keys()])];
  const rows = names.filter((name) => was.get(name)?.outcome !== is.get(name)?.outcome);
  const { serial, number } = record;
  return [{ serial, number, before: wordBefore, after: wordAfter, rows }];
}
