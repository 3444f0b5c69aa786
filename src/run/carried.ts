import type { Problem } from '../base/error.js';
import { resultIn } from '../certificate/csv-result.js';
import type { Row } from '../certificate/csv-table.js';
import { printedVerdict } from '../certificate/printed-verdict.js';
import type { Result, Verdict } from '../decision/decision.js';
import { isAccepted } from '../decision/item-verdict.js';
import { nearLimit } from '../decision/near-limit.js';
import { decideFound } from '../decision/rule.js';
import type { Limit, Limits } from '../procedure/limits.js';
import { characteristic } from '../scoring/catalogue.js';
import type { EarlierRecord } from './earlier-record.js';

/** Rows of an earlier record that stand on a new one, and what keeps others from it. */
export interface Carried {
  readonly results: readonly Result[];
  readonly problems: readonly Problem[];
}

/**
 * Carries the rows of stages that are not played over from an earlier record: value, U and verdict as
 * they stand there, each row named by the record that measured it.
 *
 * A row is carried only when it was accepted: what was refused, not decided, invalid or not run must
 * be measured again. The verdict is drawn from value, U and limit once more and must be the printed one.
 *
 * @param played - Stages that are played: their rows are measured anew.
 */
export function carriedRows(
  record: EarlierRecord,
  limits: Pick<Limits, 'rows'>,
  played: readonly string[],
): Carried {
  const results: Result[] = [];
  const problems: Problem[] = [];
  for (const limit of limits.rows) {
    if (played.includes(limit.stage)) continue;
    const carried = carriedRow(record, limit);
    if (typeof carried === 'string') {
      const fix = `Add the stage ${limit.stage}, or test in full.`;
      const what = `${limit.stage}.${limit.characteristic} cannot be carried over from record ${record.number}: ${carried}.`;
      problems.push({ code: 'serial/state', what, fix });
    } else results.push(carried);
  }
  return { results, problems };
}

/** A row as a result, or why it is none. */
function carriedRow({ number, table }: EarlierRecord, limit: Limit): Result | string {
  const row = rowFor(limit, table.rows);
  if (typeof row === 'string') return row;
  const read = resultIn(row);
  if (read === undefined) return 'its unit, rule or limit is not known here';
  const { outcome, expanded } = read;
  if (outcome.kind !== 'measured') return `it has no value there (${outcome.reason})`;
  const { value, bound } = outcome;
  const verdict = decideFound({ value, expanded, isBound: bound === 'at-least' }, limit);
  const refusal = whyNotAccepted(row, verdict);
  if (refusal !== undefined) return refusal;
  const near = nearLimit({ limit, outcome, verdict });
  return {
    ...{ limit, name: limit.label, outcome, expanded, verdict },
    side: characteristic(limit.characteristic)?.side ?? 'link',
    ...(row.k === undefined ? {} : { k: Number(row.k) }),
    ...(near === undefined ? {} : { nearLimit: near }),
    // A row that was itself carried over keeps the record that measured it.
    carriedFrom: read.carriedFrom ?? number,
  };
}

/** The one row for a limit, written as the limit is, or why there is none. */
function rowFor(limit: Limit, rows: readonly Row[]): Row | string {
  const found = rows.filter(
    ({ section, stage, characteristic: id }) =>
      section === 'result' && stage === limit.stage && id === limit.characteristic,
  );
  const [row] = found;
  if (row === undefined || found.length > 1) {
    return `it stands there ${String(found.length)} times`;
  }
  const isSame = row.unit === limit.unit.symbol && row.rule === limit.rule;
  return isSame ? row : 'its unit or its rule is another one there';
}

function whyNotAccepted(row: Row, verdict: Verdict): string | undefined {
  const printed = row.verdict ?? 'none';
  if (row.validity !== 'valid') return `there it is ${row.validity ?? 'not said to be valid'}`;
  if (printed !== printedVerdict(verdict))
    return `there it is ${printed}, but by its value it is not`;
  return isAccepted(verdict) ? undefined : `there it is ${printed}`;
}
