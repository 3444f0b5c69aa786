import { dayAt, type Zone } from '../base/calendar.js';
import { unreachable } from '../base/error.js';
import type { Unit } from '../base/units.js';
import type { Verdict } from '../decision/decision.js';
import { itemVerdict, type Findings } from '../decision/item-verdict.js';
import { acceptanceZone, decideFound } from '../decision/rule.js';
import type { DecisionRule, Tolerance } from '../procedure/limits.js';
import type { MeasuredQuantity } from '../procedure/station.js';
import type { Side } from '../scoring/scoring.js';
import { corrected, responseOf, type Correction } from './correction.js';

/** A result as its record states it. */
export interface TracedRow {
  readonly stage: string;
  readonly characteristic: string;
  readonly label: string;
  readonly side: Side;
  readonly unit: Unit;
  /** Base unit; absent when nothing was measured. */
  readonly value?: number;
  /** The value is a least: the property is at least this. */
  readonly isBound: boolean;
  /** U in the base unit; absent when none is stated. */
  readonly expanded?: number;
  readonly tolerance: Tolerance;
  readonly rule: DecisionRule;
  /** As printed, e.g. "inconclusive, inside the limits". */
  readonly verdict: string;
  /** Why there is no valid value; absent when the row is valid. */
  readonly invalid?: 'invalid' | 'not-run';
}

/** An instrument as the record's own copy of the register states it. */
export interface TracedInstrument {
  readonly id: string;
  readonly certificate: string;
  readonly calibrated: string;
  readonly due: string;
  /** Absent in records of earlier formats. */
  readonly quantity?: MeasuredQuantity;
}

/** What a trace needs of one record. */
export interface TraceableRecord {
  readonly number: string;
  readonly revision: number;
  readonly serial: string;
  readonly attempt: number;
  /** ms since the Unix epoch. */
  readonly started: number;
  readonly ended: number;
  /** ACCEPT, REJECT or HOLD. */
  readonly verdict: string;
  readonly torqueConstant: 'measured' | 'nominal';
  readonly equipment: readonly TracedInstrument[];
  readonly rows: readonly TracedRow[];
  readonly gates: Findings['gates'];
}

/** What is asked: which results an instrument stands behind, and what a correction of it would change. */
export interface TraceQuestion {
  readonly instrument: string;
  /** First and last day, both included. */
  readonly from: string;
  readonly to: string;
  /** Where these days begin and end. */
  readonly zone: Zone;
  readonly correction?: Correction;
  /** What it measures, for records that do not say; theirs comes first. */
  readonly quantity?: MeasuredQuantity;
}

/** A row that comes nearest to an acceptance limit, or lies furthest beyond one. */
export interface SmallestMargin {
  readonly stage: string;
  readonly characteristic: string;
  readonly label: string;
  /** Distance to the nearest acceptance limit in units of U; negative outside. */
  readonly margin: number;
}

/** A row whose verdict a correction changes. */
export interface ChangedRow {
  readonly stage: string;
  readonly characteristic: string;
  readonly label: string;
  readonly unit: Unit;
  /** Base unit. */
  readonly value: number;
  readonly corrected: number;
  readonly verdict: string;
  readonly correctedVerdict: string;
}

/** What a correction makes of a record. Nothing is altered: the record stays what it is. */
export interface Consequence {
  /** The word its rows lead to, open ones as they are; "score again" where more than rows decided. */
  readonly verdict: string;
  readonly isChanged: boolean;
  /** How many valid rows have another value. */
  readonly moved: number;
  readonly changed: readonly ChangedRow[];
  /** Rows, as stage.characteristic, that the record alone does not decide. */
  readonly open: readonly string[];
}

/** One record in which the instrument was used. */
export interface Traced {
  readonly record: TraceableRecord;
  /** The instrument at that time. */
  readonly instrument: TracedInstrument;
  /** Absent when no valid row has both a value and U. */
  readonly smallest?: SmallestMargin;
  /** Absent when no correction was asked about, or nobody knows what the instrument measures. */
  readonly consequence?: Consequence;
}

/**
 * Finds every record in which an instrument was used between two days, by the copy of the equipment
 * that each record keeps, and says what a correction would change. U is taken as the record states it
 * and gates as they were judged.
 *
 * Check: tests/unit/trace.test.ts, tests/truth/correction.test.ts.
 */
export function traceRecords(
  records: readonly TraceableRecord[],
  question: TraceQuestion,
): readonly Traced[] {
  return records.flatMap((record) => {
    const instrument = record.equipment.find(({ id }) => id === question.instrument);
    if (instrument === undefined || !isWithin(record, question)) return [];
    const smallest = smallestMargin(record.rows);
    const quantity = instrument.quantity ?? question.quantity;
    const { correction } = question;
    return [
      {
        record,
        instrument,
        ...(smallest === undefined ? {} : { smallest }),
        ...(correction === undefined || quantity === undefined
          ? {}
          : { consequence: consequenceOf(record, quantity, correction) }),
      },
    ];
  });
}

/** Whether any part of an attempt lies on the days asked about. */
export function isWithin(
  { started, ended }: Pick<TraceableRecord, 'started' | 'ended'>,
  { from, to, zone }: Pick<TraceQuestion, 'from' | 'to' | 'zone'>,
): boolean {
  return dayAt(started, zone) <= to && dayAt(ended, zone) >= from;
}

/** The row with the least distance to an acceptance limit, in units of U. */
export function smallestMargin(rows: readonly TracedRow[]): SmallestMargin | undefined {
  const margins = rows.flatMap((row): readonly SmallestMargin[] => {
    const margin = marginOf(row);
    const { stage, characteristic, label } = row;
    return margin === undefined ? [] : [{ stage, characteristic, label, margin }];
  });
  return margins.reduce<SmallestMargin | undefined>(
    (least, one) => (least === undefined || one.margin < least.margin ? one : least),
    undefined,
  );
}

/** In units of U; undefined where there is no valid value, no U, or nothing that would be accepted. */
function marginOf({ value, expanded, tolerance, rule, invalid }: TracedRow): number | undefined {
  if (value === undefined || expanded === undefined || !(expanded > 0)) return undefined;
  const zone = acceptanceZone(tolerance, expanded, rule);
  if (zone === undefined || invalid !== undefined) return undefined;
  switch (zone.kind) {
    case 'at-least':
      return (value - zone.lower) / expanded;
    case 'at-most':
      return (zone.upper - value) / expanded;
    case 'between':
      return Math.min(value - zone.lower, zone.upper - value) / expanded;
    default:
      return unreachable(zone);
  }
}

/** One row before and after a correction. */
interface Judged {
  readonly row: TracedRow;
  readonly before: Verdict;
  /** Equal to `before` when the row is open. */
  readonly after: Verdict;
  readonly corrected?: number;
  readonly isOpen: boolean;
}

function consequenceOf(
  record: TraceableRecord,
  quantity: MeasuredQuantity,
  correction: Correction,
): Consequence {
  const { rows } = record;
  // The preload is the difference of two zeros, so where it has a value the zero was read.
  const isZeroed = rows.some((r) => r.characteristic === 'preload' && r.value !== undefined);
  const judged = rows.map((row) => {
    const { value } = row;
    if (row.invalid !== undefined || value === undefined) return unjudged(row);
    const values = constantsOf(row, record).map((torqueConstant) => {
      const response = responseOf({ ...row, torqueConstant, isZeroed }, quantity, correction.kind);
      return corrected(value, response, correction);
    });
    return judge(row, value, values);
  });
  return {
    ...wordsOf(record, judged),
    moved: judged.filter((j) => j.corrected !== undefined && j.corrected !== j.row.value).length,
    changed: judged.flatMap(changeOf),
    open: judged.filter(({ isOpen }) => isOpen).map(({ row }) => keyOf(row)),
  };
}

/**
 * With which torque constant a row may have been read. Up to the stage that measures it, it is the
 * nominal one; a record does not tell the order of its stages, so both are reckoned with elsewhere.
 */
function constantsOf(
  row: TracedRow,
  { rows, torqueConstant }: TraceableRecord,
): readonly TraceableRecord['torqueConstant'][] {
  const measuring = rows.find((r) => r.characteristic === 'torque-constant')?.stage;
  const isNominal = torqueConstant === 'nominal' || row.stage === measuring;
  return isNominal ? ['nominal'] : ['measured', 'nominal'];
}

function unjudged(row: TracedRow): Judged {
  const verdict = withoutValue(row);
  return { row, before: verdict, after: verdict, isOpen: false };
}

/** @param values - What the value may have become; undefined where the record does not tell. */
function judge(row: TracedRow, value: number, values: readonly (number | undefined)[]): Judged {
  const before = decideRow(row, value);
  const known = values.filter((v) => v !== undefined);
  const [after, ...others] = known.map((v) => decideRow(row, v));
  // Where the printed verdict is not what its value gives, something else decided.
  const isOpen =
    known.length < values.length ||
    !row.verdict.startsWith(firstWord(before)) ||
    others.some((other) => after !== undefined && wordsFor(other) !== wordsFor(after));
  if (isOpen || after === undefined) return { row, before, after: before, isOpen: true };
  return { row, before, after, isOpen, ...(known[0] === undefined ? {} : { corrected: known[0] }) };
}

function withoutValue({ invalid, verdict }: TracedRow): Verdict {
  if (invalid === 'not-run') return { outcome: 'not-run' };
  return { outcome: 'invalid', reasons: [verdict] };
}

function decideRow(row: TracedRow, value: number): Verdict {
  const { expanded, isBound } = row;
  return decideFound({ value, expanded, isBound }, row);
}

const keyOf = ({ stage, characteristic }: TracedRow): string => `${stage}.${characteristic}`;

const firstWord = ({ outcome }: Verdict): string =>
  outcome === 'conditional' ? 'conditionally' : outcome;

/** As a record prints it. */
function wordsFor(verdict: Verdict): string {
  switch (verdict.outcome) {
    case 'conditional':
      return `conditionally ${verdict.side === 'inside' ? 'conforming' : 'nonconforming'}`;
    case 'inconclusive':
      return `inconclusive, ${verdict.side} the limits`;
    case 'conforming':
    case 'nonconforming':
    case 'invalid':
    case 'not-run':
      return verdict.outcome;
    default:
      return unreachable(verdict);
  }
}

function changeOf({ row, before, after, corrected: now }: Judged): readonly ChangedRow[] {
  const [verdict, correctedVerdict] = [wordsFor(before), wordsFor(after)];
  if (row.value === undefined || now === undefined || verdict === correctedVerdict) return [];
  const { stage, characteristic, label, unit, value } = row;
  return [{ stage, characteristic, label, unit, value, corrected: now, verdict, correctedVerdict }];
}

/** The word on the item under a correction, where its rows and gates explain the one it has. */
function wordsOf(
  { verdict, gates }: TraceableRecord,
  judged: readonly Judged[],
): Pick<Consequence, 'verdict' | 'isChanged'> {
  const word = (of: (one: Judged) => Verdict): string =>
    itemVerdict({ results: judged.map((one) => ({ verdict: of(one) })), gates }).word;
  const before = word((one) => one.before);
  const after = word((one) => one.after);
  if (before === after) return { verdict, isChanged: false };
  return { verdict: before === verdict ? after : 'score again', isChanged: true };
}
