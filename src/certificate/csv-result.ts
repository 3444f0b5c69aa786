import { findUnit, readMeasure, type Unit } from '../base/units.js';
import type { Result, Verdict } from '../decision/decision.js';
import { DECISION_RULES, type Tolerance } from '../procedure/limits.js';
import { CARRIED, type Row } from './csv-table.js';

/** A number of a cell in the base unit, with the decimal point shifted as it was when it was written. */
export function numberIn(cell: string | undefined, unit: Unit): number | undefined {
  if (cell === undefined) return undefined;
  const read = readMeasure(`${cell} ${unit.symbol}`);
  return 'value' in read ? read.value : undefined;
}

/** What a row permits, in base units; undefined when it states no limit. */
export function toleranceIn(row: Row, unit: Unit): Tolerance | undefined {
  const lower = numberIn(row.lower, unit);
  const upper = numberIn(row.upper, unit);
  if (lower !== undefined && upper !== undefined) return { kind: 'between', lower, upper };
  if (lower !== undefined) return { kind: 'at-least', lower };
  return upper === undefined ? undefined : { kind: 'at-most', upper };
}

/** A row of a table as the result that it was written from. */
export interface ReadResult extends Pick<Result, 'limit' | 'outcome' | 'expanded'> {
  /** As printed; undefined when the words are none of ours. */
  readonly verdict: Verdict | undefined;
  /** Number of the record that measured it, where it was another one. */
  readonly carriedFrom?: string;
}

/**
 * Reads a result back from its row.
 *
 * @returns Undefined when its unit, rule or limits are not known here.
 */
export function resultIn(row: Row): ReadResult | undefined {
  const { stage = '', characteristic = '', label = '' } = row;
  const unit = findUnit(row.unit ?? '');
  const rule = DECISION_RULES.find((one) => one === row.rule);
  const tolerance = unit === undefined ? undefined : toleranceIn(row, unit);
  if (unit === undefined || rule === undefined || tolerance === undefined) return undefined;
  const where = { file: '', line: 0, column: 0 };
  return {
    limit: { stage, characteristic, label, unit, rule, tolerance, where },
    outcome: outcomeIn(row, unit),
    expanded: numberIn(row.U, unit),
    verdict: verdictIn(row),
    ...(row.item === CARRIED && row.text !== undefined ? { carriedFrom: row.text } : {}),
  };
}

function outcomeIn(row: Row, unit: Unit): Result['outcome'] {
  const value = numberIn(row.value, unit);
  if (value === undefined) return { kind: 'not-evaluated', reason: row.reason ?? '' };
  return { kind: 'measured', value, ...(row.sense === '>=' ? { bound: 'at-least' } : {}) };
}

function verdictIn({ validity, verdict, reason = '' }: Row): Verdict | undefined {
  if (validity === 'not run') return { outcome: 'not-run' };
  if (validity === 'invalid') return { outcome: 'invalid', reasons: [reason] };
  return validity === 'valid' ? PRINTED.get(verdict ?? '') : undefined;
}

/** Verdicts of valid rows by their words in the table. */
const PRINTED: ReadonlyMap<string, Verdict> = new Map([
  ['conforming', { outcome: 'conforming' }],
  ['nonconforming', { outcome: 'nonconforming' }],
  ['conditionally conforming', { outcome: 'conditional', side: 'inside' }],
  ['conditionally nonconforming', { outcome: 'conditional', side: 'outside' }],
  ['inconclusive, inside the limits', { outcome: 'inconclusive', side: 'inside' }],
  ['inconclusive, outside the limits', { outcome: 'inconclusive', side: 'outside' }],
] as const);
