import type { ReferenceChecked } from './reference-entry.js';

/** One value of a control chart in the order in which it was found. */
export interface ChartPoint {
  readonly value: number;
  /** Whether it may set the limits: a check that failed may not. */
  readonly counts: boolean;
}

/** Limits of a chart, frozen: later values do not move them. */
export interface ControlLimits {
  /** How many values they were set from. */
  readonly from: number;
  readonly centre: number;
  readonly upper: number;
  readonly lower: number;
  /** Mean of the moving ranges, and their upper limit; the lower is 0. */
  readonly meanRange: number;
  readonly rangeUpper: number;
  /** Standard deviation in the short term. */
  readonly sigma: number;
}

/** A chart of individuals and moving ranges. */
export interface ControlChart {
  readonly values: readonly number[];
  /** Moving range at each value but the first: its distance from the value before. */
  readonly ranges: readonly number[];
  /** Absent until enough values are there. */
  readonly limits: ControlLimits | undefined;
  /** Indices of values beyond their limits, and of values whose moving range is. */
  readonly outside: readonly number[];
  readonly jumps: readonly number[];
}

/** Values from which limits are set. Source: common practice, no source. */
export const BASELINE = 20;
/** Mean range of two normal values over their standard deviation, as printed in tables. */
const D2 = 1.128;
/** Upper limit of a range of two over the mean range. */
const D4 = 3.267;
/** Standard deviations from the centre to a limit. */
const WIDTH = 3;

/**
 * Makes a chart of individuals and moving ranges whose limits are set from its first values and then
 * stay: centre ± 3·(mean moving range)/1.128, and 3.267 · (mean moving range) for the ranges.
 *
 * @param baseline - How many values that count set the limits, ≥ 2.
 *
 * Source: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2 (from memory).
 * Check: tests/checks/control-chart.check.ts.
 */
export function controlChart(points: readonly ChartPoint[], baseline = BASELINE): ControlChart {
  const values = points.map(({ value }) => value);
  const ranges = movingRanges(values);
  const counted = points.filter(({ counts }) => counts).slice(0, baseline);
  if (counted.length < baseline) {
    return { values, ranges, limits: undefined, outside: [], jumps: [] };
  }
  const limits = limitsOf(counted.map(({ value }) => value));
  const beyond = (i: number): boolean => {
    const value = values[i] ?? NaN;
    return !(value >= limits.lower && value <= limits.upper);
  };
  return {
    ...{ values, ranges, limits },
    outside: [...values.keys()].filter(beyond),
    jumps: [...ranges.keys()]
      .filter((i) => (ranges[i] ?? NaN) > limits.rangeUpper)
      .map((i) => i + 1),
  };
}

function limitsOf(values: readonly number[]): ControlLimits {
  const mean = (list: readonly number[]): number => list.reduce((a, b) => a + b, 0) / list.length;
  const centre = mean(values);
  const meanRange = mean(movingRanges(values));
  const sigma = meanRange / D2;
  return {
    ...{ from: values.length, centre, meanRange, sigma },
    upper: centre + WIDTH * sigma,
    lower: centre - WIDTH * sigma,
    rangeUpper: D4 * meanRange,
  };
}

const movingRanges = (values: readonly number[]): readonly number[] =>
  values.slice(1).map((value, i) => Math.abs(value - (values[i] ?? NaN)));

/** A value of a reference item as it was found, check by check. */
export interface SeriesPoint extends ChartPoint {
  readonly at: string;
  readonly entry: number;
  readonly cycle: number;
}

/** The values of one row of one item on one bench since they were last assigned. */
export interface ReferenceSeries {
  readonly row: string;
  readonly unit: string;
  readonly assigned: number;
  readonly assignedExpanded: number;
  readonly allowed: number;
  readonly points: readonly SeriesPoint[];
}

/**
 * Gathers a row over checks. A new assignment begins a new series: the item may have changed.
 *
 * @param checks - Of one item on one bench, oldest first.
 * @returns Undefined when no check found the row.
 */
export function referenceSeries(
  checks: readonly ReferenceChecked[],
  row: string,
): ReferenceSeries | undefined {
  const found = checks.flatMap((check) =>
    check.values.filter((value) => value.row === row).map((value) => ({ check, value })),
  );
  const last = found.at(-1);
  if (last === undefined) return undefined;
  const { unit, assigned, assignedExpanded, allowed } = last.value;
  const points = found
    .filter(({ check }) => check.assigned === last.check.assigned)
    .map(({ check, value }) => ({
      ...{ value: value.value, counts: check.ok },
      ...{ at: check.at, entry: check.entry, cycle: check.cycle },
    }));
  return { row, unit, assigned, assignedExpanded, allowed, points };
}
