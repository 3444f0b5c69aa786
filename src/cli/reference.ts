import { writeFileSync } from 'node:fs';
import { systemClock } from '../base/clock.js';
import { EXIT } from '../base/codes.js';
import { showMeasured, showValue } from '../base/display.js';
import { StallmarkError, throwIfAny } from '../base/error.js';
import { writeInstead } from '../base/report.js';
import { inUnit, unitOf } from '../base/units.js';
import { SIMULATED_MARK } from '../certificate/certificate.js';
import { digits } from '../certificate/figure-sources.js';
import { openRuler, writeSvg } from '../certificate/svg.js';
import { openLedger } from '../ledger/sqlite.js';
import { BASELINE } from '../readiness/control-chart.js';
import type { CheckedValue, NamedVerdict, ReferenceChecked } from '../readiness/reference-entry.js';
import { openSuspects } from '../readiness/suspects.js';
import { DEFAULT_FOLDERS, one, readDocuments } from '../run/documents.js';
import { ledgerFile } from '../run/places.js';
import { chartedRow, referenceChecks } from '../run/reference-charted.js';
import { prepareReference } from '../run/reference-documents.js';
import { chartWords, referenceFigure, type Charted } from '../run/reference-figure.js';
import { checkReference } from '../run/reference.js';
import { atBench, shown, type PowerOptions } from './power.js';
import { stoppable } from './stoppable.js';
import type { Terminal } from './terminal.js';

/** Options of `reference check`, as the argument parser hands them over. */
export interface ReferenceOptions extends PowerOptions {
  readonly limits?: string;
}

/** Checks the bench with a reference item; 0 when the check holds, 1 when it does not. */
export async function referenceCheck(
  serial: string,
  options: ReferenceOptions,
  to: Terminal,
): Promise<number> {
  const documents = prepareReference({ ...options, serial, now: systemClock.now() });
  const { simulate } = documents.item;
  const found = await stoppable(to, (stop) =>
    atBench({ documents, serial, simulate, stop }, options, to, (order, parts) =>
      shown(checkReference(order, parts), to),
    ),
  );
  to.out(options.json === true ? JSON.stringify(found, null, 2) : told(found));
  return found.ok ? EXIT.conforming : EXIT.nonconforming;
}

function told(found: ReferenceChecked): string {
  const { item, kind, cycle, bench, ok, reason, suspects, entry } = found;
  const locked = [
    '',
    `Bench ${bench} is LOCKED until a check with ${item} holds.`,
    suspects.length === 0
      ? 'Nothing was accepted on it since the last check that held.'
      : `Suspect, accepted since the last check that held (${suspects.length}):`,
    ...suspects.map((s) => `  ${s.serial}  attempt ${s.attempt}  ${s.certificate}`),
  ];
  return [
    '',
    `Reference item ${item}, ${kind}, check ${cycle} on ${bench}; entry ${entry}`,
    ...found.values.map(valueLine),
    ...found.named.map(namedLine),
    `${ok ? 'HOLDS' : 'DOES NOT HOLD'}: ${reason}`,
    ...(ok ? [] : locked),
  ].join('\n');
}

function valueLine(value: CheckedValue): string {
  const unit = unitOf(value.unit);
  const measured = showMeasured(value.value, value.expanded, unit);
  const assigned = showMeasured(value.assigned, value.assignedExpanded, unit);
  const { value: off, expanded: allowed = '' } = showValue(value.deviation, value.allowed, unit);
  const name = value.row.padEnd(28);
  return `  ${value.ok ? '✓' : '✗'} ${name}${measured.padStart(18)}  assigned ${assigned.padStart(18)}  off by ${off.padStart(8)}, allowed ±${allowed} ${value.unit}`;
}

function namedLine({ row, unit, value, outcome, rejected }: NamedVerdict): string {
  const shown = `${digits(inUnit(value, unitOf(unit)))} ${unit}`;
  return `  ${rejected ? '✓' : '✗'} ${row.padEnd(28)}${shown.padStart(18)}  ${outcome}, must be rejected`;
}

interface Reading {
  readonly data: string;
  readonly json?: true;
}

/** Lists items that were accepted while nothing proved the bench, and that nobody decided on since. */
export function referenceSuspects(options: Reading, to: Terminal): number {
  const suspects = withLedger(options.data, (ledger) => openSuspects(ledger.entries()));
  if (options.json === true) to.out(JSON.stringify(suspects, null, 2));
  else if (suspects.length === 0) to.out('No item is suspect.');
  else {
    for (const s of suspects) {
      to.out(
        `${s.serial}  attempt ${s.attempt}  ${s.certificate}  ${s.bench}, entry ${s.failed}: ${s.reason}`,
      );
    }
  }
  return suspects.length === 0 ? EXIT.conforming : EXIT.held;
}

/** Options of `reference chart`. */
export interface ChartOptions extends Reading {
  readonly row: string;
  readonly bench?: string;
  readonly svg?: string;
}

/** Shows a value of a reference item over all checks as a control chart. */
export async function referenceChart(
  serial: string,
  options: ChartOptions,
  to: Terminal,
): Promise<number> {
  const bench = benchId(options.bench);
  const entries = withLedger(options.data, (ledger) => ledger.of(serial));
  const checks = referenceChecks(entries, bench, serial);
  const charted = chartedRow(checks, { item: serial, bench, row: options.row });
  if (charted === undefined) throw nothingToChart(serial, bench, options, checks);
  if (options.json === true) to.out(JSON.stringify(charted, null, 2));
  else to.out(chartText(charted));
  if (options.svg !== undefined) {
    const isSimulated = checks.some((check) => check.simulated);
    await drawTo(options.svg, charted, isSimulated ? SIMULATED_MARK : undefined);
    to.err(`Drawn: ${options.svg}`);
  }
  return EXIT.conforming;
}

function benchId(file: string | undefined): string {
  const all = readDocuments(file === undefined ? DEFAULT_FOLDERS : [file]);
  throwIfAny(all.problems);
  return one(all.stations, 'document/mismatch', 'bench description').id;
}

function withLedger<T>(data: string, read: (ledger: ReturnType<typeof openLedger>) => T): T {
  const ledger = openLedger(ledgerFile(data), { readOnly: true });
  try {
    return read(ledger);
  } finally {
    ledger.close();
  }
}

function nothingToChart(
  serial: string,
  bench: string,
  { row, data }: ChartOptions,
  checks: readonly ReferenceChecked[],
): StallmarkError {
  const rows = [...new Set(checks.flatMap(({ values }) => values.map((value) => value.row)))];
  const what =
    checks.length === 0
      ? `The ledger in "${data}" holds no check of "${serial}" on ${bench}.`
      : `No check of "${serial}" on ${bench} found "${row}".`;
  const fix =
    checks.length === 0
      ? `Check the bench with it: stallmark reference check ${serial}.`
      : writeInstead(row, rows, `Name one of: ${rows.join(', ')}.`);
  return new StallmarkError([{ code: 'usage/argument', what, fix }]);
}

/** Characters of the strip in which a point is shown between its ends. */
const STRIP = 41;

function chartText(charted: Charted): string {
  const { item, bench, series, chart } = charted;
  const unit = unitOf(series.unit);
  const lines = series.points.map((point, i) => {
    const range = i === 0 ? undefined : chart.ranges[i - 1];
    const marks = [
      ...(point.counts ? [] : ['did not hold']),
      ...(chart.outside.includes(i) ? ['beyond a control limit'] : []),
      ...(chart.jumps.includes(i) ? ['jump'] : []),
    ];
    const cells = [
      String(i + 1).padStart(4),
      point.at.slice(0, 16).replace('T', ' '),
      digits(inUnit(point.value, unit), 5).padStart(10),
      (range === undefined ? '' : digits(inUnit(range, unit), 3)).padStart(9),
      strip(charted, point.value),
      marks.join(', '),
    ];
    return cells.join('  ').trimEnd();
  });
  const missing = BASELINE - series.points.filter(({ counts }) => counts).length;
  const key = '● value  ┊ centre  │ control limit; the strip ends at what is allowed';
  return [
    `${series.row} of ${item} on ${bench}, ${series.unit}`,
    ...chartWords(charted),
    ...(missing > 0 ? [`${missing} more ${missing === 1 ? 'check' : 'checks'} until then.`] : []),
    '',
    `${'no.'.padStart(4)}  ${'UTC'.padEnd(16)}  ${'value'.padStart(10)}  ${'range'.padStart(9)}`,
    ...lines,
    key,
  ].join('\n');
}

/** A value between the ends of what is allowed, with centre and control limits; beyond them an arrow. */
function strip({ series, chart }: Charted, value: number): string {
  const from = series.assigned - series.allowed;
  const width = 2 * series.allowed;
  const cells = new Array<string>(STRIP).fill(' ');
  const place = (at: number): number => Math.round(((at - from) / width) * (STRIP - 1));
  const put = (at: number, mark: string): void => {
    const i = place(at);
    if (i >= 0 && i < STRIP) cells[i] = mark;
  };
  const { limits } = chart;
  if (limits !== undefined) {
    put(limits.centre, '┊');
    put(limits.lower, '│');
    put(limits.upper, '│');
  }
  const at = place(value);
  cells[Math.max(0, Math.min(STRIP - 1, at))] = at < 0 ? '◂' : at >= STRIP ? '▸' : '●';
  return `[${cells.join('')}]`;
}

async function drawTo(file: string, charted: Charted, mark: string | undefined): Promise<void> {
  const caption = { lines: chartWords(charted), mark };
  const svg = writeSvg(referenceFigure(charted), caption, await openRuler());
  try {
    writeFileSync(file, svg);
  } catch (cause) {
    const what = `The chart ${file} was not written: ${String(cause)}.`;
    const fix = 'Make room or name another file; the ledger is untouched.';
    throw new StallmarkError([{ code: 'storage/unwritable', what, fix }], { cause });
  }
}
