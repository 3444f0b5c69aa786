import type { Entry } from '../ledger/ledger.js';
import { controlChart, referenceSeries } from '../readiness/control-chart.js';
import { readReferenceEntry, type ReferenceChecked } from '../readiness/reference-entry.js';
import type { Chartable } from '../readiness/stored-attempt.js';
import type { Charted } from './reference-figure.js';

/** Checks of reference items on one bench, oldest first, of all items or of one. */
export function referenceChecks(
  entries: readonly Entry[],
  bench: string,
  item?: string,
): readonly ReferenceChecked[] {
  return entries
    .flatMap((entry) => readReferenceEntry(entry) ?? [])
    .filter((check) => check.bench === bench && (item === undefined || check.item === item));
}

/** What can be charted: every item with the rows that any check of it found. */
export function chartable(checks: readonly ReferenceChecked[]): readonly Chartable[] {
  const items = [...new Set(checks.map(({ item }) => item))].sort();
  return items.flatMap((item): readonly Chartable[] => {
    const own = checks.filter((check) => check.item === item);
    const last = own.at(-1);
    if (last === undefined) return [];
    const rows = [...new Set(own.flatMap(({ values }) => values.map(({ row }) => row)))];
    const { kind, at, ok, simulated } = last;
    return [{ item, kind, checks: own.length, last: at, ok, simulated, rows }];
  });
}

/** The control chart of a row; undefined when no check found it. */
export function chartedRow(
  checks: readonly ReferenceChecked[],
  of: { readonly item: string; readonly bench: string; readonly row: string },
): Charted | undefined {
  const { item, bench, row } = of;
  const series = referenceSeries(
    checks.filter((check) => check.item === item && check.bench === bench),
    row,
  );
  return series && { item, bench, series, chart: controlChart(series.points) };
}
