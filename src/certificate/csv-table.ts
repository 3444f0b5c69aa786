import { readInstant } from '../base/clock.js';
import { readMeasure } from '../base/units.js';
import { SIMULATED_MARK } from './certificate.js';

/**
 * Version of the table: raised when a column or the meaning of one changes. Tables of every earlier
 * version stay readable: columns are only ever added at the end.
 */
export const CSV_SCHEMA = 2;

/** Columns whose cells are numbers in plain decimal notation, or empty. Never guarded. */
const NUMBERS = [
  'revision',
  'attempt',
  'part',
  'value',
  'value shown',
  'U',
  'U shown',
  'k',
  'lower',
  'upper',
  'allowed',
  'spread',
  'repeats',
  'margin',
] as const;

/** Every column, in order. The first heading carries the version. */
export const COLUMNS = [
  'section',
  'record',
  'revision',
  'simulated',
  'serial',
  'attempt',
  'model',
  'firmware',
  'part',
  'item',
  'text',
  'stage',
  'characteristic',
  'label',
  'side',
  'value',
  'value shown',
  'U',
  'U shown',
  'k',
  'unit',
  'lower',
  'upper',
  'allowed',
  'rule',
  'verdict',
  'validity',
  'reason',
  'blames',
  'spread',
  'repeats',
  'concern',
  'sense',
  'margin',
] as const;
/** How many columns the table had, by its version. */
const WIDTH: Readonly<Record<number, number>> = { 1: 31, 2: COLUMNS.length };
export type Column = (typeof COLUMNS)[number];

/**
 * What a row is about. `schema` explains the table, `record` names one item of the record in `item`
 * and gives it in `text` or in `value` and `unit`; `result` and `gate` are one row each; the others
 * repeat `part` for everything that belongs together; `end` counts the rows before it.
 */
export const SECTIONS = [
  'schema',
  'record',
  'result',
  'gate',
  'acknowledgement',
  'equipment',
  'deviation',
  'end',
] as const;
export type Section = (typeof SECTIONS)[number];

/** `item` of a result that an earlier record measured; `text` is the number of that record. */
export const CARRIED = 'carried over from record';

/** Cells by column; a column that is left out is empty. */
export type Cells = Readonly<Partial<Record<Exclude<Column, 'section'>, string>>>;
export type Row = Cells & { readonly section: Section };

/** The heading row as written. */
export const HEADINGS = headingsOf(CSV_SCHEMA);

function headingsOf(version: number): readonly string[] {
  return COLUMNS.slice(0, WIDTH[version]).map((column) =>
    column === 'section' ? `section [schema ${String(version)}]` : column,
  );
}

const numeric: ReadonlySet<Column> = new Set(NUMBERS);
export const isNumeric = (column: Column): boolean => numeric.has(column);

/** Rule of `guard` in the words of the file itself. */
export const GUARD_RULE =
  "An apostrophe stands before each of = + - @ ' and their full-width forms where it begins a text cell or follows a comma, semicolon, tab, line end, vertical bar or quotation mark inside one; to read the text, drop one apostrophe at each such place. Number cells are written as they are.";

const STARTS_CELL = '(^|[,;|"\\t\\r\\n])';

/**
 * Keeps spreadsheets from running a text as a formula, even one that splits cells at another mark
 * than the comma. Reversible: `unguard` gives the text back, whatever it was.
 */
export function guard(text: string): string {
  return text.replace(new RegExp(`${STARTS_CELL}(?=['=+\\-@＝＋－＠])`, 'gu'), "$1'");
}

export function unguard(cell: string): string {
  return cell.replace(new RegExp(`${STARTS_CELL}'`, 'gu'), '$1');
}

/** What a certificate table says about its record. */
export interface CertificateTable {
  readonly number: string;
  readonly revision: number;
  readonly simulated: boolean;
  readonly serial: string;
  readonly attempt: number;
  readonly bench: string;
  /** ACCEPT, REJECT or HOLD. */
  readonly verdict: string;
  /** ms since the Unix epoch. */
  readonly ended: number;
  readonly issued: number;
  /** SHA-256 of the capture file. */
  readonly captureDigest: string;
  /** Ledger entry that began the attempt, as the record remembers it. */
  readonly anchor: { readonly entry: number; readonly digest: string };
  /** Every row, unguarded. */
  readonly rows: readonly Row[];
}

/** Why bytes are not a certificate table. */
export interface TableDamage {
  readonly damage: 'truncated' | 'unreadable';
  /** One sentence. */
  readonly sentence: string;
}

const CELL = /("(?:[^"]|"")*"|[^",\r\n]*)(,|\r\n)/uy;
const NUMBER = /^(?:-?\d+(?:\.\d+)?)?$/u;
const SAME_IN_EVERY_ROW = ['record', 'revision', 'simulated', 'serial', 'attempt'] as const;

/** Thrown and caught in this file only: ends the reading at the first finding. */
class Damaged extends Error {
  constructor(
    readonly damage: TableDamage['damage'],
    sentence: string,
  ) {
    super(sentence);
  }
}

const unreadable = (sentence: string): Damaged => new Damaged('unreadable', sentence);

/**
 * Reads a certificate table, strictly: UTF-8 without byte order mark, RFC 4180 with CRLF, this
 * version's columns, one record throughout, numbers in plain decimal notation, an end row that
 * counts the rows before it.
 *
 * @returns The table, or the first thing that keeps the bytes from being one.
 */
export function readCertificateCsv(bytes: Uint8Array): CertificateTable | TableDamage {
  try {
    return tableOf(rowsOf(cellsOf(decode(bytes))));
  } catch (error) {
    if (error instanceof Damaged) return { damage: error.damage, sentence: error.message };
    throw error;
  }
}

function decode(bytes: Uint8Array): string {
  try {
    return new TextDecoder('utf-8', { fatal: true, ignoreBOM: true }).decode(bytes);
  } catch (cause) {
    throw Object.assign(unreadable('The table is not UTF-8 text.'), { cause });
  }
}

function cellsOf(text: string): readonly (readonly string[])[] {
  const table: string[][] = [[]];
  CELL.lastIndex = 0;
  let read = 0;
  while (read < text.length) {
    const match = CELL.exec(text);
    if (match === null) throw brokenCell(text, read, table.length);
    const [, cell = '', separator] = match;
    const value = cell.startsWith('"') ? cell.slice(1, -1).replaceAll('""', '"') : cell;
    table.at(-1)?.push(value);
    read = CELL.lastIndex;
    if (separator === '\r\n' && read < text.length) table.push([]);
  }
  if (read > 0 && !text.endsWith('\r\n')) throw brokenCell(text, read, table.length);
  return table;
}

/** A cell that reaches the end of the file was cut off; anything else is not RFC 4180. */
function brokenCell(text: string, at: number, row: number): Damaged {
  const rest = text.slice(at);
  if (/^(?:"(?:[^"]|"")*"?|[^",\r\n]*)\r?$/u.test(rest)) {
    return new Damaged('truncated', `The table breaks off inside row ${String(row)}.`);
  }
  return unreadable(
    `Row ${String(row)} of the table is not RFC 4180: a stray quotation mark or line end near "${rest.slice(0, 20)}".`,
  );
}

function rowsOf(cells: readonly (readonly string[])[]): readonly Row[] {
  const [headings = [], ...rows] = cells;
  const versions = Array.from({ length: CSV_SCHEMA }, (_, i) => headingsOf(i + 1));
  const known = versions.find((version) => version[0] === headings[0]);
  if (known === undefined) {
    throw unreadable(
      `The table begins with "${headings[0] ?? ''}", not with "${HEADINGS[0] ?? ''}": it is another kind of file or of another version.`,
    );
  }
  if (headings.join('\n') !== known.join('\n')) {
    throw unreadable(`The headings are not those of ${known[0] ?? ''}.`);
  }
  return rows.map((row, i) => rowOf(row, i + 2, known.length));
}

function rowOf(cells: readonly string[], line: number, width: number): Row {
  if (cells.length !== width) {
    throw unreadable(
      `Row ${String(line)} has ${String(cells.length)} cells, not ${String(width)}.`,
    );
  }
  const row: Partial<Record<Column, string>> = {};
  COLUMNS.slice(0, width).forEach((column, i) => {
    const cell = cells[i] ?? '';
    if (isNumeric(column) && !NUMBER.test(cell)) {
      throw unreadable(`Row ${String(line)}, column "${column}": "${cell}" is not a plain number.`);
    }
    if (cell !== '') row[column] = isNumeric(column) ? cell : unguard(cell);
  });
  const section = SECTIONS.find((known) => known === row.section);
  if (section === undefined) {
    throw unreadable(`Row ${String(line)} has the unknown section "${row.section ?? ''}".`);
  }
  return { ...row, section };
}

function tableOf(rows: readonly Row[]): CertificateTable {
  const last = rows.at(-1);
  if (last?.section !== 'end') {
    throw new Damaged('truncated', `The table has no end row after ${String(rows.length)} rows.`);
  }
  if (last.value !== String(rows.length - 1)) {
    throw unreadable(
      `The end row counts ${last.value ?? 'no'} rows, but ${String(rows.length - 1)} stand before it.`,
    );
  }
  for (const column of SAME_IN_EVERY_ROW) {
    const other = rows.findIndex((row) => row[column] !== last[column]);
    if (other >= 0) throw unreadable(`Row ${String(other + 2)} has another ${column}.`);
  }
  return {
    number: required(last.record, 'record'),
    revision: Number(required(last.revision, 'revision')),
    simulated: simulatedOf(last.simulated),
    serial: required(last.serial, 'serial'),
    attempt: Number(required(last.attempt, 'attempt')),
    bench: itemOf(rows, 'bench'),
    verdict: itemOf(rows, 'verdict'),
    ended: instantOf(rows, 'ended'),
    issued: instantOf(rows, 'issued'),
    captureDigest: itemOf(rows, 'capture digest'),
    anchor: {
      entry: Number(itemOf(rows, 'anchor entry', 'value')),
      digest: itemOf(rows, 'anchor digest'),
    },
    rows,
  };
}

function simulatedOf(cell: string | undefined): boolean {
  if (cell === SIMULATED_MARK) return true;
  if (cell === 'no') return false;
  throw unreadable(`Column "simulated" says "${cell ?? ''}", neither the mark nor "no".`);
}

function required(cell: string | undefined, name: string): string {
  if (cell === undefined) throw unreadable(`The table does not say its ${name}.`);
  return cell;
}

function itemOf(rows: readonly Row[], item: string, column: 'text' | 'value' = 'text'): string {
  const found = rows.filter((row) => row.section === 'record' && row.item === item);
  if (found.length !== 1) {
    throw unreadable(`The table has ${String(found.length)} rows for "${item}" of the record.`);
  }
  return required(found[0]?.[column], item);
}

function instantOf(rows: readonly Row[], item: string): number {
  const instant = readInstant(itemOf(rows, item));
  if (Number.isFinite(instant)) return instant;
  throw unreadable(`"${item}" of the record is not an instant.`);
}

/** Text of an item of the record itself; empty when the table has none. */
export function recordText({ rows }: Pick<CertificateTable, 'rows'>, item: string): string {
  return recordRow(rows, item)?.text ?? '';
}

/** Value of an item of the record itself, base unit; undefined when the table has none. */
export function recordValue(
  { rows }: Pick<CertificateTable, 'rows'>,
  item: string,
): number | undefined {
  const row = recordRow(rows, item);
  const read = readMeasure(`${row?.value ?? ''} ${row?.unit ?? ''}`);
  return 'value' in read ? read.value : undefined;
}

const recordRow = (rows: readonly Row[], item: string): Row | undefined =>
  rows.find((row) => row.section === 'record' && row.item === item);
