import { dayAfter, dayAt, isDay } from '../base/calendar.js';
import { isoInstant, readInstant } from '../base/clock.js';
import { EXIT } from '../base/codes.js';
import { StallmarkError, throwIfAny, type Problem } from '../base/error.js';
import { inUnit, readMeasure, type Unit } from '../base/units.js';
import { QUANTITIES, type MeasuredQuantity, type Station } from '../procedure/station.js';
import type { Correction } from '../readiness/correction.js';
import {
  traceRecords,
  type ChangedRow,
  type Consequence,
  type Traced,
  type TraceQuestion,
} from '../readiness/trace.js';
import { DEFAULT_FOLDERS, readDocuments } from '../run/documents.js';
import {
  findRecords,
  type FoundRecord,
  type FoundRecords,
  type UnreadRecord,
} from '../run/traced-records.js';
import { columns } from './columns.js';
import type { Terminal } from './terminal.js';

/** Options of `trace`, as the argument parser hands them over. */
export interface TraceOptions {
  readonly from: string;
  readonly to: string;
  readonly correction?: string;
  readonly offset?: string;
  readonly quantity?: string;
  readonly bench?: string;
  readonly data: string;
  readonly json?: true;
}

/**
 * Lists every record that stands on an instrument between two days, and what a correction of it would
 * change. Reads only: no record and no ledger is altered.
 *
 * @returns 0, or 1 when a record that may be concerned could not be read.
 * @throws usage/argument with every argument that is wrong, storage/*, ledger/*.
 */
export function trace(instrument: string, options: TraceOptions, to: Terminal): number {
  const question = questionOf(instrument, options);
  const found = findRecords(options.data);
  const traced = traceRecords(found.records, question);
  refuseUnknownQuantity(traced, question);
  const unread = found.unread.filter((one) => mayBeConcerned(one, question));
  if (options.json === true) to.out(JSON.stringify(facts(traced, unread, question), null, 2));
  else show({ traced, unread, question, found }, options, to);
  return unread.length === 0 ? EXIT.conforming : EXIT.nonconforming;
}

function questionOf(instrument: string, options: TraceOptions): TraceQuestion {
  const station = stationWith(instrument, options);
  const registered = station?.register.find(({ id }) => id === instrument)?.quantity;
  const asked = QUANTITIES.find((one) => one === options.quantity);
  const quantity = asked ?? registered;
  const { correction, problems } = correctionOf(options, quantity);
  throwIfAny([...dayProblems(options), ...quantityProblems(options, asked), ...problems]);
  const { from, to } = options;
  return {
    ...{ instrument, from, to, zone: station?.zone ?? 'UTC' },
    ...(correction === undefined ? {} : { correction }),
    ...(quantity === undefined ? {} : { quantity }),
  };
}

/** The bench whose register has the instrument; an instrument long gone may be in none. */
function stationWith(instrument: string, { bench }: TraceOptions): Station | undefined {
  const all = readDocuments(bench === undefined ? DEFAULT_FOLDERS : [bench]);
  if (bench !== undefined) throwIfAny(all.problems);
  return all.stations.find(({ register }) => register.some(({ id }) => id === instrument));
}

const wrong = (what: string, fix: string): Problem => ({ code: 'usage/argument', what, fix });

function dayProblems({ from, to }: TraceOptions): readonly Problem[] {
  const problems = Object.entries({ from, to })
    .filter(([, day]) => !isDay(day))
    .map(([name, day]) => {
      const what = `--${name} is "${day}", which is no day of the calendar.`;
      return wrong(what, `Write --${name} as a day such as 2026-09-14.`);
    });
  if (problems.length > 0 || from <= to) return problems;
  return [wrong(`--from ${from} is later than --to ${to}.`, 'Give the earlier day as --from.')];
}

function quantityProblems(
  { quantity }: TraceOptions,
  known: MeasuredQuantity | undefined,
): readonly Problem[] {
  if (quantity === undefined || known !== undefined) return [];
  const what = `--quantity is "${quantity}", which no instrument measures here.`;
  return [wrong(what, `Give one of: ${QUANTITIES.join(', ')}.`)];
}

/** Unit in which an offset of each quantity is given. */
const OFFSETS: Readonly<Record<string, string>> = { torque: 'torque', current: 'current' };

function correctionOf(
  { correction, offset }: TraceOptions,
  quantity: MeasuredQuantity | undefined,
): { readonly correction?: Correction; readonly problems: readonly Problem[] } {
  if (correction !== undefined && offset !== undefined) {
    const what = 'Both --correction and --offset are given.';
    return { problems: [wrong(what, 'Ask about one of them at a time.')] };
  }
  if (correction !== undefined) return gainOf(correction);
  if (offset === undefined) return { problems: [] };
  const read = readMeasure(offset);
  const wanted = quantity === undefined ? undefined : OFFSETS[quantity];
  if (!('reason' in read) && read.unit.dimension === wanted) {
    return { correction: { kind: 'offset', value: read.value }, problems: [] };
  }
  const what = `--offset is "${offset}", but must be a ${wanted ?? 'torque or current'} with its unit.`;
  const fix = 'Write it as in --offset "5 mN·m" or --offset "0.1 A", and --quantity with it.';
  return { problems: [wrong(what, fix)] };
}

function gainOf(text: string): ReturnType<typeof correctionOf> {
  const read = readMeasure(/^\d+(?:\.\d+)?$/u.test(text) ? `${text} 1` : text);
  const isRatio = !('reason' in read) && read.unit.dimension === 'ratio' && read.value > 0;
  if (isRatio) return { correction: { kind: 'gain', factor: read.value }, problems: [] };
  const what = `--correction is "${text}", but must be a factor above 0.`;
  const fix = 'Write what readings are to be multiplied by, as in 1.004 or "100.4 %".';
  return { problems: [wrong(what, fix)] };
}

/** A correction is worth nothing where nobody knows what it corrects. */
function refuseUnknownQuantity(traced: readonly Traced[], question: TraceQuestion): void {
  if (question.correction === undefined) return;
  if (traced.every(({ consequence }) => consequence !== undefined)) return;
  const what = `Neither the records nor a register say what ${question.instrument} measures.`;
  const fix = `Give --quantity with one of: ${QUANTITIES.join(', ')}.`;
  throw new StallmarkError([wrong(what, fix)]);
}

/** Whether a record that cannot be read may belong to the days asked about: it was issued soon after its end. */
function mayBeConcerned({ issued }: UnreadRecord, { from, to, zone }: TraceQuestion): boolean {
  if (issued === undefined) return true;
  const day = dayAt(readInstant(issued.at), zone);
  return day >= from && day <= dayAfter(to, 1);
}

interface Answer {
  readonly traced: readonly Traced[];
  readonly unread: readonly UnreadRecord[];
  readonly question: TraceQuestion;
  readonly found: FoundRecords;
}

function show(answer: Answer, { data }: TraceOptions, to: Terminal): void {
  const { traced, unread, question, found } = answer;
  const { instrument, from, to: until, zone, correction } = question;
  to.out(`${instrument} in the records of ${data}, ${from} to ${until}, days in ${zone}`);
  if (correction !== undefined) to.out(`Under the correction: ${correctionWords(correction)}`);
  if (!found.hasLedger)
    to.out('There is no ledger here: nothing says whether records are missing.');
  const heading = ['started', 'record', 'serial', 'verdict', 'calibration', 'smallest margin'];
  const all = correction === undefined ? heading : [...heading, 'would be'];
  const lines = columns([all, ...traced.map(lineOf)]);
  if (traced.length > 0) to.out(lines[0] ?? '');
  for (const [i, { consequence }] of traced.entries()) {
    to.out(lines[i + 1] ?? '');
    for (const text of consequence === undefined ? [] : detail(consequence)) to.out(`    ${text}`);
  }
  for (const one of unread) to.out(unreadLine(one));
  if (traced.length === 0) to.out(nothingFound(found, instrument));
  to.out(summary(traced, unread));
}

const correctionWords = (correction: Correction): string =>
  correction.kind === 'gain'
    ? `reading × ${String(correction.factor)}`
    : `reading + ${String(correction.value)} in its base unit`;

function lineOf({ record, instrument, smallest, consequence }: Traced): readonly string[] {
  return [
    `${isoInstant(record.started).slice(0, 16)}Z`,
    `${record.number} rev ${String(record.revision)}`,
    record.serial,
    record.verdict,
    instrument.certificate,
    smallest === undefined
      ? 'no value with U'
      : `${signed(smallest.margin)} U  ${smallest.stage}.${smallest.characteristic}`,
    ...(consequence === undefined ? [] : [outcomeText(consequence)]),
  ];
}

/** Rows that are open may yet change the verdict. */
function outcomeText({ isChanged, verdict, open }: Consequence): string {
  const text = isChanged ? `→ ${verdict}` : 'unchanged';
  return open.length === 0 ? text : `${text}, open rows apart`;
}

const signed = (margin: number): string => margin.toFixed(2).replace('-', '−');

function detail({ changed, open, moved }: Consequence): readonly string[] {
  const rows = changed.map((row) => {
    const { stage, characteristic, unit, value, corrected } = row;
    return `${stage}.${characteristic}: ${digits(value, unit)} → ${digits(corrected, unit)} ${unit.symbol}, ${row.verdict} → ${row.correctedVerdict}`;
  });
  return [
    `${counted(moved, 'value')} moved, ${counted(changed.length, 'row')} with another verdict`,
    ...rows,
    ...(open.length === 0 ? [] : [`to be scored again: ${open.join(', ')}`]),
  ];
}

const counted = (count: number, noun: string): string =>
  `${String(count)} ${noun}${count === 1 ? '' : 's'}`;

/** Six digits tell a corrected value from the one before it. */
const digits = (value: number, unit: Unit): string =>
  String(Number(inUnit(value, unit).toPrecision(6)));

function unreadLine({ folder, state, sentence, issued }: UnreadRecord): string {
  const known =
    issued === undefined
      ? ''
      : `  ${issued.number} ${issued.serial} ${issued.verdict}, issued ${issued.at.slice(0, 16)}Z`;
  return `✗ ${state}  ${folder === '' ? '.' : folder}${known}  ${sentence}`;
}

function nothingFound({ records }: FoundRecords, instrument: string): string {
  const ids = [...new Set(records.flatMap(({ equipment }) => equipment.map(({ id }) => id)))];
  const named = ids.length === 0 ? 'none' : ids.sort().join(', ');
  return `No record of these days names ${instrument}. Instruments in the records there: ${named}.`;
}

function summary(traced: readonly Traced[], unread: readonly UnreadRecord[]): string {
  const changed = traced.filter(({ consequence }) => consequence?.isChanged === true).length;
  const asked = traced.some(({ consequence }) => consequence !== undefined);
  const open = traced.filter(({ consequence }) => (consequence?.open.length ?? 0) > 0).length;
  return [
    counted(traced.length, 'record'),
    ...(asked
      ? [
          `${counted(changed, 'verdict')} would change`,
          `${String(open)} with rows to be scored again`,
        ]
      : []),
    `${String(unread.length)} could not be read`,
  ].join(', ');
}

function facts(
  traced: readonly Traced[],
  unread: readonly UnreadRecord[],
  question: TraceQuestion,
): object {
  return { ...question, records: traced.map(recordFacts), unread };
}

function recordFacts({ record, instrument, smallest, consequence }: Traced): object {
  const { number, revision, serial, attempt, started, ended, verdict } = record;
  const place = record as Partial<FoundRecord>;
  return {
    ...{ number, revision, serial, attempt },
    started: isoInstant(started),
    ended: isoInstant(ended),
    verdict,
    ...{ folder: place.folder, isInLedger: place.isInLedger },
    instrument,
    ...(smallest === undefined ? {} : { smallest }),
    ...(consequence === undefined
      ? {}
      : { consequence: { ...consequence, changed: consequence.changed.map(changeFacts) } }),
  };
}

function changeFacts(row: ChangedRow): object {
  const { unit, value, corrected } = row;
  return {
    ...row,
    unit: unit.symbol,
    value: inUnit(value, unit),
    corrected: inUnit(corrected, unit),
  };
}
