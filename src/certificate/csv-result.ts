import { findUnit, readMeasure, type Unit } from '../base/units.js';
import type { Result, Verdict } from '../decision/decision.js';
import { DECISION_RULES, type Tolerance } from '../procedure/limits.js';
import { CARRIED, type Row } from './csv-table.js';
import { verdictPrinted } from './printed-verdict.js';

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
    verdict: verdictPrinted(row.validity, row.verdict, row.reason ?? ''),
    ...(row.item === CARRIED && row.text !== undefined ? { carriedFrom: row.text } : {}),
  };
}

function outcomeIn(row: Row, unit: Unit): Result['outcome'] {
  const value = numberIn(row.value, unit);
  if (value === undefined) return { kind: 'not-evaluated', reason: row.reason ?? 'no reason' };
  const spread = numberIn(row.spread, unit);
  return {
    kind: 'measured',
    value,
    ...(spread === undefined ? {} : { spread }),
    ...(row.repeats === undefined ? {} : { repeats: Number(row.repeats) }),
    ...(row.sense === '>=' ? { bound: 'at-least' } : {}),
  };
}
