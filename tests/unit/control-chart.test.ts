import { expect, test } from 'vitest';
import { openRuler, writeSvg } from '../../src/certificate/svg.js';
import {
  BASELINE,
  controlChart,
  referenceSeries,
  type ChartPoint,
} from '../../src/readiness/control-chart.js';
import { readReferenceEntry, type ReferenceChecked } from '../../src/readiness/reference-entry.js';
import { chartWords, referenceFigure, type Charted } from '../../src/run/reference-figure.js';
import { gain, WrittenLedger } from '../support/reference-ledger.js';

const points = (values: readonly number[]): readonly ChartPoint[] =>
  values.map((value) => ({ value, counts: true }));
/** Mean 10, moving range 1 throughout. */
const steady = (n: number): readonly number[] => Array.from({ length: n }, (_, i) => 9.5 + (i % 2));

test('limits come with the twentieth value that counts, and are frozen', () => {
  expect(controlChart(points(steady(BASELINE - 1))).limits).toBeUndefined();
  const first = controlChart(points(steady(BASELINE))).limits;
  expect(first).toMatchObject({ from: 20, centre: 10, meanRange: 1 });
  expect(first?.upper).toBeCloseTo(10 + 3 / 1.128, 12);
  expect(first?.lower).toBeCloseTo(10 - 3 / 1.128, 12);
  const later = controlChart(points([...steady(BASELINE), 20, 30, 40]));
  expect(later.limits).toEqual(first);
});

test('a value beyond the limits and a jump are told by their place', () => {
  const { outside, jumps } = controlChart(points([...steady(BASELINE), 12, 12.7, 9]));
  expect(outside).toEqual([21]); // 12.7 > 12.66
  expect(jumps).toEqual([22]); // 3.7 > 3.267
});

test('a check that did not hold sets no limits, but is shown', () => {
  const spoilt = [...points(steady(10)), { value: 50, counts: false }, ...points(steady(10))];
  const chart = controlChart(spoilt);
  expect(chart.limits).toMatchObject({ from: 20, centre: 10 });
  expect(chart.outside).toEqual([10]);
  expect(chart.values).toHaveLength(21);
});

function checks(values: readonly number[], assigned = '2026-11-20'): readonly ReferenceChecked[] {
  const ledger = new WrittenLedger();
  values.forEach((value, i) => {
    ledger.checked(i, { cycle: i + 1, assigned, ok: gain(value).ok, values: [gain(value)] });
  });
  return ledger.entries.flatMap((entry) => readReferenceEntry(entry) ?? []);
}

test('a series begins anew when the values were assigned anew', () => {
  const all = [...checks([0.99, 0.991], '2026-10-01'), ...checks([0.996, 0.98])];
  const series = referenceSeries(all, 'static.static-gain');
  expect(series).toMatchObject({ unit: '%', assigned: 0.9967, allowed: 0.0051 });
  expect(series?.points.map(({ value, counts }) => [value, counts])).toEqual([
    [0.996, true],
    [0.98, false],
  ]);
  expect(referenceSeries(all, 'smoothing.lag')).toBeUndefined();
});

function charted(values: readonly number[]): Charted {
  const series = referenceSeries(checks(values), 'static.static-gain');
  if (series === undefined) throw new Error('no series');
  return { item: 'REF-H12-A', bench: 'TW-1', series, chart: controlChart(series.points) };
}

/** Scatter of ±0.1 % and, at the end, 0.45 % too low: allowed, but beyond the control limits. */
const GAINS = [...Array.from({ length: 24 }, (_, i) => 0.9967 + 0.001 * ((i % 3) - 1)), 0.9922];

test('the words of a chart tell assignment, limits and what lies beyond', () => {
  const words = chartWords(charted(GAINS)).join(' ');
  expect(words).toContain('Assigned 99.67 % with U 0.35 %, allowed 99.16 % … 100.18 %.');
  expect(words).toContain('from the first 20 checks that held');
  expect(words).toContain('Beyond them: check 25.');
  expect(chartWords(charted([0.9967])).join(' ')).toContain('Control limits follow');
});

test('the drawing has two panels with units, its limits in words and the point beyond marked by shape', async () => {
  const figure = referenceFigure(charted(GAINS));
  expect(figure.panels.map(({ y }) => y.label)).toEqual([
    'static.static-gain, %',
    'moving range, %',
  ]);
  expect(figure.panels[0]?.x.ticks.every((tick) => Number.isInteger(tick))).toBe(true);
  expect(figure.panels[0]?.markers.filter(({ shape }) => shape === 'ring')).toMatchObject([
    { x: 25 },
  ]);
  const caption = { lines: chartWords(charted(GAINS)), mark: 'SIMULATED' };
  const svg = writeSvg(figure, caption, await openRuler());
  for (const text of ['upper limit', 'lower limit', 'moving range, %', 'SIMULATED']) {
    expect(svg).toContain(text);
  }
});

test('one single check can be drawn', async () => {
  const svg = writeSvg(
    referenceFigure(charted([0.9967])),
    { lines: [], mark: undefined },
    await openRuler(),
  );
  expect(svg).toContain('1 check');
  expect(svg).not.toContain('NaN');
});
