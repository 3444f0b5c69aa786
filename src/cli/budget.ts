import { EXIT } from '../base/codes.js';
import { printed, showValue } from '../base/display.js';
import { StallmarkError, unreachable, type Problem } from '../base/error.js';
import { isNonEmpty } from '../base/numbers.js';
import { inUnit, readMeasure, type Unit } from '../base/units.js';
import { greatestAt, widthOf } from '../decision/row-risk.js';
import type { Budget } from '../procedure/budget.js';
import type { Limit, Tolerance } from '../procedure/limits.js';
import type { Station } from '../procedure/station.js';
import { DEFAULT_FOLDERS } from '../run/documents.js';
import { budgetTable, COVERAGE, type BudgetTable } from '../scoring/budget.js';
import { characteristic } from '../scoring/catalogue.js';
import type { Characteristic } from '../scoring/scoring.js';
import { asJson, asText, freedomText, ruleUnder, significant } from './budget-sheet.js';
import { chosen } from './characteristics.js';
import { columns } from './columns.js';
import { onlyBench, read } from './risk.js';
import type { Terminal } from './terminal.js';

export interface BudgetOptions {
  readonly bench?: string;
  /** Value for which the budget is drawn up, with its unit. */
  readonly value?: string;
  readonly json?: true;
}

/** The budget of one characteristic, drawn up for one value. */
export interface Sheet {
  readonly entry: Characteristic;
  readonly station: Station;
  readonly budget: Budget;
  readonly table: BudgetTable;
  readonly unit: Unit;
  /** Where the value comes from, in words. */
  readonly at: string;
  /** Rows that U is wide for, in sentences. */
  readonly warnings: readonly string[];
}

/**
 * Prints the uncertainty budget of each characteristic that is named, or of all rows of the limits in
 * one line each.
 *
 * @throws every problem of the documents; usage/argument for an unknown characteristic, one without a
 * budget, or a value that is needed and not given; procedure/unit-mismatch for a value of another kind.
 */
export function printBudgets(ids: readonly string[], options: BudgetOptions, to: Terminal): number {
  const documents = read(options.bench === undefined ? DEFAULT_FOLDERS : [options.bench]);
  const station = onlyBench(documents.stations);
  const files = options.bench === undefined ? documents : read(DEFAULT_FOLDERS);
  const rows = files.limits.flatMap((limits) => limits.rows);
  if (ids.length === 0) {
    refuseValue(options);
    const lines = rows.flatMap((row) => lineOf(row, station) ?? []);
    to.out(options.json === true ? linesAsJson(station, lines) : linesAsText(station, lines));
    return EXIT.conforming;
  }
  const sheets = sheetsOf(chosen(ids), station, rows, options.value);
  to.out(
    options.json === true
      ? JSON.stringify(sheets.map(asJson), null, 2)
      : sheets.map((sheet) => asText(sheet, to.width)).join('\n\n'),
  );
  return EXIT.conforming;
}

function refuseValue({ value }: BudgetOptions): void {
  if (value === undefined) return;
  const what = `--value ${value} is for one characteristic, but none is named.`;
  throw new StallmarkError([{ code: 'usage/argument', what, fix: 'Name the characteristic.' }]);
}

function sheetsOf(
  entries: readonly Characteristic[],
  station: Station,
  rows: readonly Limit[],
  written: string | undefined,
): readonly Sheet[] {
  const problems: Problem[] = [];
  const sheets = entries.flatMap((entry): readonly Sheet[] => {
    const own = rows.filter((row) => row.characteristic === entry.id);
    const budget = station.uncertainty.get(entry.id);
    const at = valueFor(entry, own[0], written);
    if (budget === undefined) {
      const what = `${station.id} states no uncertainty for "${entry.id}".`;
      const fix = `Write its budget in ${station.file}.`;
      problems.push({ code: 'usage/argument', what, fix });
    }
    if ('code' in at) problems.push(at);
    if (budget === undefined || 'code' in at) return [];
    const table = budgetTable(at.value, budget);
    const warnings = own.flatMap((row) => warningOf(row, budget));
    return [{ entry, station, budget, table, unit: at.unit, at: at.text, warnings }];
  });
  if (isNonEmpty(problems)) throw new StallmarkError(problems);
  return sheets;
}

interface At {
  readonly value: number;
  readonly unit: Unit;
  readonly text: string;
}

/** The value as given, or in the middle of the first row that limits the characteristic. */
function valueFor(
  { id, dimension, unit }: Characteristic,
  row: Limit | undefined,
  written: string | undefined,
): At | Problem {
  if (written === undefined) {
    if (row !== undefined) {
      const place = row.tolerance.kind === 'at-least' ? 'at' : 'in the middle of';
      const text = `${place} the limit ${row.stage}.${id}`;
      return { value: middleOf(row.tolerance), unit: row.unit, text };
    }
    const what = `No limits file limits "${id}", so that its budget has no value to stand for.`;
    return { code: 'usage/argument', what, fix: `Give --value in ${unit}.` };
  }
  const measure = readMeasure(written);
  if ('reason' in measure) {
    const what = `--value is "${written}", but must be a number with its unit.`;
    return { code: 'quantity/unreadable', what, fix: `Write it in ${unit}.` };
  }
  if (measure.unit.dimension !== dimension) {
    const what = `--value is ${written}, a ${measure.unit.dimension}, but "${id}" is a ${dimension}.`;
    return { code: 'procedure/unit-mismatch', what, fix: `Write it in ${unit}.` };
  }
  return { value: measure.value, unit: measure.unit, text: 'as given' };
}

/** The middle of a tolerance; below a most it reaches down to 0, and a least stands for itself. */
function middleOf(tolerance: Tolerance): number {
  switch (tolerance.kind) {
    case 'between':
      return (tolerance.lower + tolerance.upper) / 2;
    case 'at-most':
      return tolerance.upper / 2;
    case 'at-least':
      return tolerance.lower;
    default:
      return unreachable(tolerance);
  }
}

/** Above this share of the tolerance, uncertainty decides more than the item does. */
const WIDE = 1 / 4;

/** U over the tolerance, U where it is greatest; undefined where a tolerance has no width. */
function ratioOf({ tolerance }: Limit, budget: Budget): number | undefined {
  const width = widthOf(tolerance);
  return width === undefined ? undefined : greatestAt(tolerance, budget) / width;
}

function warningOf(row: Limit, budget: Budget): readonly string[] {
  const ratio = ratioOf(row, budget);
  if (ratio === undefined || ratio <= WIDE) return [];
  const share = (100 * ratio).toFixed(0);
  return [
    `U is ${share} % of the tolerance of ${row.stage}.${row.characteristic}; a quarter is usual at most.`,
  ];
}

/** One row of the limits with what its budget comes to. */
interface Line {
  readonly row: Limit;
  readonly table: BudgetTable | undefined;
  readonly ratio: number | undefined;
}

function lineOf(row: Limit, station: Station): Line | undefined {
  if (characteristic(row.characteristic) === undefined) return undefined; // check reports it
  const budget = station.uncertainty.get(row.characteristic);
  if (budget === undefined) return { row, table: undefined, ratio: undefined };
  const table = budgetTable(middleOf(row.tolerance), budget);
  return { row, table, ratio: ratioOf(row, budget) };
}

const HEADINGS = ['row', 'value', 'unit', 'u', 'ν eff', 'k', 'U', 'U/T', ''];
/** Columns of numbers, set to the right. */
const RIGHT = [1, 3, 4, 5, 6, 7];

function linesAsText(station: Station, lines: readonly Line[]): string {
  const [heading = '', ...rows] = columns([HEADINGS, ...lines.map(cellsOf)], RIGHT);
  const bar = ruleUnder([heading, ...rows]);
  const [budget] = station.uncertainty.values();
  const version =
    budget === undefined ? 'none stated' : `version ${budget.version}, ${budget.date}`;
  return [
    `Uncertainty budgets of bench ${station.id}: ${version}; stand model ${station.stand.version}, ${station.stand.characterized}`,
    '',
    heading,
    bar,
    ...rows,
    bar,
    `U = k·u, coverage ${significant(100 * COVERAGE, 4)} %, at the value in the middle of the limit; a run with repeats of its own counts them instead`,
    'U/T: U where it is greatest at the limits, over the tolerance, which reaches down to 0 below a most',
  ].join('\n');
}

function cellsOf({ row, table, ratio }: Line): readonly string[] {
  const { unit, tolerance, stage, characteristic: id } = row;
  const middle = printed(significant(inUnit(middleOf(tolerance), unit), 4));
  const name = `${stage}.${id}`;
  if (table === undefined) {
    return [name, middle, unit.symbol, '–', '–', '–', 'not stated', '–', ''];
  }
  return [
    name,
    middle,
    unit.symbol,
    significant(inUnit(table.standard, unit), 2),
    freedomText(table.freedom),
    table.k.toFixed(2),
    showValue(table.value, table.expanded, unit).expanded ?? '0',
    ratio === undefined ? '–' : `${(100 * ratio).toFixed(0)} %`,
    ratio !== undefined && ratio > WIDE ? 'wide: above a quarter' : '',
  ];
}

function linesAsJson(station: Station, lines: readonly Line[]): string {
  const rows = lines.map(({ row, table, ratio }) => {
    const { unit } = row;
    return {
      row: `${row.stage}.${row.characteristic}`,
      unit: unit.symbol,
      value: inUnit(middleOf(row.tolerance), unit),
      u: table === undefined ? null : inUnit(table.standard, unit),
      freedom: table === undefined || table.freedom === Infinity ? null : table.freedom,
      k: table?.k ?? null,
      U: table === undefined ? null : inUnit(table.expanded, unit),
      ratio: ratio ?? null,
      wide: ratio !== undefined && ratio > WIDE,
    };
  });
  const [budget] = station.uncertainty.values();
  const { id, digest, stand } = station;
  return JSON.stringify(
    {
      bench: id,
      benchDigest: digest,
      version: budget?.version ?? null,
      date: budget?.date ?? null,
      stand: { version: stand.version, characterized: stand.characterized },
      coverage: COVERAGE,
      rows,
    },
    null,
    2,
  );
}
