import { exactAxis, linearAxis, stepFor } from '../certificate/axis.js';
import { EMPTY, extent, label, onAxis, straight } from '../certificate/figure-sources.js';
import type { Axis, Figure, Panel } from '../certificate/figure.js';
import { showValue } from '../base/display.js';
import { inUnit, unitOf, type Unit } from '../base/units.js';
import type { ControlChart, ReferenceSeries } from '../readiness/control-chart.js';

/** What a control chart is of. */
export interface Charted {
  readonly item: string;
  readonly bench: string;
  readonly series: ReferenceSeries;
  readonly chart: ControlChart;
}

/** Draws a control chart: individuals with their limits and what is allowed, and moving ranges below. */
export function referenceFigure(charted: Charted): Figure {
  const { item, bench, series, chart } = charted;
  const unit = unitOf(series.unit);
  const many = `${chart.values.length} ${chart.values.length === 1 ? 'check' : 'checks'}`;
  return {
    title: `Control chart of ${item}: ${series.row}`,
    note: `bench ${bench}, ${many}, individuals and moving ranges`,
    alternative: `${series.row} of reference item ${item} on bench ${bench} over ${many}. ${chartWords(charted).join(' ')}`,
    width: 'full',
    panels: [individuals(charted, unit), movingRange(charted, unit)],
  };
}

/** Says in sentences what a control chart shows. */
export function chartWords({ series, chart }: Charted): readonly string[] {
  const unit = unitOf(series.unit);
  // To the place of the second digit of what is allowed: finer is noise.
  const show = (value: number): string =>
    `${showValue(value, series.allowed, unit).value} ${unit.symbol}`;
  const assigned = `Assigned ${show(series.assigned)} with U ${show(series.assignedExpanded)}, allowed ${show(series.assigned - series.allowed)} … ${show(series.assigned + series.allowed)}.`;
  const { limits } = chart;
  if (limits === undefined) {
    return [assigned, 'Control limits follow when enough checks have held.'];
  }
  const number = (list: readonly number[]): string => list.map((i) => String(i + 1)).join(', ');
  const { outside, jumps } = chart;
  return [
    assigned,
    `Control limits from the first ${limits.from} checks that held: ${show(limits.lower)} … ${show(limits.upper)} around ${show(limits.centre)}; moving range up to ${show(limits.rangeUpper)}.`,
    outside.length === 0 ? 'No check beyond them.' : `Beyond them: check ${number(outside)}.`,
    ...(jumps.length === 0 ? [] : [`Moving range beyond its limit: check ${number(jumps)}.`]),
  ];
}

/** Checks on the axis, numbered from 1. */
function countAxis(n: number): Axis {
  const step = Math.max(1, Math.ceil(stepFor(n / 10)));
  return exactAxis('check, number since the values were assigned', 0.5, n + 0.5, step);
}

function individuals({ series, chart }: Charted, unit: Unit): Panel {
  const values = chart.values.map((value) => inUnit(value, unit));
  const { limits } = chart;
  const own = [series.assigned - series.allowed, series.assigned + series.allowed].map((end) =>
    inUnit(end, unit),
  );
  const lines = limits === undefined ? [] : [limits.lower, limits.centre, limits.upper];
  const ends = lines.map((end) => inUnit(end, unit));
  const [low, high] = extent(values, own, ends) ?? [0, 1];
  const x = countAxis(values.length);
  const y = linearAxis(`${series.row}, ${unit.symbol}`, low, high, 5);
  const number = values.map((_, i) => i + 1);
  const names = ['lower limit', 'centre', 'upper limit'];
  return {
    ...EMPTY,
    x,
    y,
    bands: [{ y: [own[0], own[1]], edge: 'limit' }],
    lines: [
      { pen: 'joined', x: number, y: values },
      ...ends.map((end, i) =>
        straight([x.from, end], [x.to, end], i === 1 ? 'nominal' : 'construction'),
      ),
    ],
    markers: markersOf(values, chart.outside),
    labels: ends.map((end, i) =>
      label([x.to, end], `${names[i] ?? ''} ${onAxis(end, y.to - y.from, unit.symbol)}`, {
        side: 'nw',
        along: 'x',
      }),
    ),
  };
}

function movingRange({ chart }: Charted, unit: Unit): Panel {
  const ranges = chart.ranges.map((range) => inUnit(range, unit));
  const { limits } = chart;
  const lines = limits === undefined ? [] : [limits.meanRange, limits.rangeUpper];
  const ends = lines.map((end) => inUnit(end, unit));
  const x = countAxis(chart.values.length);
  const y = linearAxis(`moving range, ${unit.symbol}`, 0, Math.max(...ranges, ...ends, 0), 3);
  const number = ranges.map((_, i) => i + 2);
  const names = ['mean', 'upper limit'];
  return {
    ...EMPTY,
    x,
    y,
    height: 0.7,
    lines: [
      ...(ranges.length > 0 ? [{ pen: 'joined', x: number, y: ranges } as const] : []),
      ...ends.map((end, i) =>
        straight([x.from, end], [x.to, end], i === 0 ? 'nominal' : 'construction'),
      ),
    ],
    markers: markersOf([NaN, ...ranges], chart.jumps).filter(({ y: at }) => !Number.isNaN(at)),
    labels: ends.map((end, i) =>
      label([x.to, end], `${names[i] ?? ''} ${onAxis(end, y.to - y.from, unit.symbol)}`, {
        side: 'nw',
        along: 'x',
      }),
    ),
  };
}

/** A disc in a ring where a limit is passed: it is seen without colour. */
function markersOf(values: readonly number[], beyond: readonly number[]): Panel['markers'] {
  return values.flatMap((y, i): Panel['markers'] => {
    const at = { x: i + 1, y };
    return beyond.includes(i)
      ? [
          { ...at, shape: 'disc' },
          { ...at, shape: 'ring' },
        ]
      : [{ ...at, shape: 'dot' }];
  });
}
