import { inUnit } from '../base/units.js';
import { exactAxis, linearAxis, ratioAxis, stepFor } from './axis.js';
import {
  EMPTY,
  MILLI,
  MS,
  captionOf,
  endsOf,
  extent,
  keyOf,
  label,
  rangeOf,
  readingsOf,
  saidAt,
  type FigureSources,
  type Of,
  type Reading,
  type Said,
} from './figure-sources.js';
import type { Figure, Label, Panel, Point } from './figure.js';

type Smoothing = Of<'smoothing'>;
export type SmoothingReading = Reading<Smoothing>;

/** What was scored at the stage of a sweep, as far as it belongs to the figure. */
interface Scored {
  readonly lag: Said | undefined;
  readonly grain: Said | undefined;
  readonly increase: Said | undefined;
  readonly ratio: Said | undefined;
}

/** A setting as a point of the figure: lag in ms, grain in mN·m. */
interface Setting extends Point {
  readonly setting: number;
}

/** Draws lag against grain: every setting of one item as one curve, with its limits and its order. */
export function smoothingFigure(sources: FigureSources, reading: SmoothingReading): Figure {
  const scored = scoredAt(sources, reading.stage);
  const all = Object.values(scored).filter((said: Said | undefined) => said !== undefined);
  const points = reading.evidence.points
    .map((p) => ({ setting: p.setting, x: inUnit(p.lag, MS), y: inUnit(p.grain, MILLI) }))
    .sort((a, b) => a.setting - b.setting);
  const listed = points.map(
    (p) => `setting ${p.setting}: ${p.x.toFixed(2)} ms, ${p.y.toFixed(1)} mN·m`,
  );
  const words = all.map((said) => `${said.name}: ${said.text}, ${said.allowed}`);
  return {
    title: 'Lag against grain, setting by setting',
    note: captionOf({ ...reading, outcome: { ...reading.outcome, repeats: 1 } }),
    alternative: `One point for each smoothing setting, joined in order. ${[...listed, ...words].join('; ')}.`,
    width: 'half',
    shows: [...new Set([keyOf(reading), ...all.map((said) => said.key)])],
    panels: [
      smoothingPanel(points, {
        scored,
        record: settingOfRecord(sources, reading, scored),
        curve: curveOf(sources, reading).map((p) => ({
          x: inUnit(p.lag, MS),
          y: inUnit(p.grain, MILLI),
        })),
      }),
    ],
  };
}

/** The curve of the model: any reading of the sweep may have brought it. */
function curveOf(
  sources: FigureSources,
  reading: SmoothingReading,
): NonNullable<Smoothing['curve']> {
  const here = [reading, ...readingsOf(sources).filter(({ stage }) => stage === reading.stage)];
  const curves = here.map(({ evidence }) =>
    evidence.kind === 'smoothing' ? evidence.curve : undefined,
  );
  return curves.find((curve) => curve !== undefined) ?? [];
}

function scoredAt(sources: FigureSources, stage: string): Scored {
  const said = saidAt(sources, stage);
  const find = (wanted: RegExp): Said | undefined =>
    said.find(({ characteristic }) => wanted.test(characteristic));
  return {
    lag: find(/^lag$/),
    grain: find(/^grain$/),
    increase: find(/^lag-increase$/),
    ratio: find(/^grain-ratio$/),
  };
}

/** The setting whose values are held against limits: as the stage says, else the one that fits them. */
function settingOfRecord(
  { stages = [] }: FigureSources,
  { stage, evidence }: SmoothingReading,
  { lag, grain }: Scored,
): number | undefined {
  const reads = stages.find((s) => s.id === stage)?.reads ?? [];
  const asked = reads.find((r) => r.characteristic === 'lag' || r.characteristic === 'grain');
  const written = asked?.options['smoothing'];
  if (written !== undefined) return written;
  if (lag === undefined && grain === undefined) return undefined;
  const miss = (p: Smoothing['points'][number]): number =>
    grain === undefined ? Math.abs(p.lag - (lag?.value ?? 0)) : Math.abs(p.grain - grain.value);
  return [...evidence.points].sort((a, b) => miss(a) - miss(b))[0]?.setting;
}

interface Besides {
  readonly scored: Scored;
  readonly record: number | undefined;
  readonly curve: readonly Point[];
}

function smoothingPanel(points: readonly Setting[], besides: Besides): Panel {
  const { scored, record, curve } = besides;
  const limits = { x: rangeOf(scored.lag, MS), y: rangeOf(scored.grain, MILLI) };
  const isBoxed = limits.x !== undefined || limits.y !== undefined;
  const every = [...points, ...curve];
  const xs = [...every.map((p) => p.x), ...endsOf(limits.x)].filter((v) => Number.isFinite(v));
  const ys = [...every.map((p) => p.y), ...endsOf(limits.y)];
  const order = orderPart(points, scored);
  const x = lagAxis(xs);
  const [low, high] = extent(ys) ?? [0, 1];
  const words = [...recordWords(record, scored), ...order.words];
  const y = grainAxis(low, high, words.length);
  const corner = [x.to, y.to] as const;
  return {
    ...EMPTY,
    x,
    y,
    bands: isBoxed
      ? [
          {
            ...(limits.x === undefined ? {} : { x: limits.x }),
            ...(limits.y === undefined ? {} : { y: limits.y }),
            edge: 'limit',
          },
        ]
      : [],
    lines: [
      ...(curve.length > 1
        ? [{ pen: 'nominal' as const, x: curve.map((p) => p.x), y: curve.map((p) => p.y) }]
        : []),
      { pen: 'joined', x: points.map((p) => p.x), y: points.map((p) => p.y) },
    ],
    markers: points.map((p) => ({
      shape: p.setting === record ? ('disc' as const) : ('dot' as const),
      x: p.x,
      y: p.y,
    })),
    dimensions: order.dimensions,
    labels: [
      ...(words.length === 0 ? [] : [label(corner, words, { side: 'sw', along: 'anywhere' })]),
      ...settingLabels(points),
    ],
  };
}

function lagAxis(xs: readonly number[]): Panel['x'] {
  const [least, greatest] = extent(xs) ?? [1, 2];
  const words = 'lag behind the latched command, ms';
  // An equal-ratio axis has no place for a lag of nothing or less, which only a fault can bring.
  if (least > 0) return ratioAxis(words, least * 0.8, greatest * 1.1);
  const room = (greatest - least) * 0.05;
  return linearAxis(words, least - room, greatest + room, 5);
}

/** From nothing, or from below it if need be, with room for lines of words above the curve. */
function grainAxis(low: number, high: number, lines: number): Panel['y'] {
  const bottom = Math.min(0, low * 1.05);
  const size = high > bottom ? high - bottom : 1;
  const top = bottom + size * (1.12 + 0.14 * lines);
  return exactAxis('grain, mN·m rms', bottom, top, stepFor((top - bottom) / 5));
}

/** Numbers beside the points; settings that came out alike share their label. */
function settingLabels(points: readonly Setting[]): readonly Label[] {
  const byPlace = new Map<string, Setting[]>();
  for (const p of points) {
    const place = `${p.x.toPrecision(3)} ${p.y.toPrecision(3)}`;
    byPlace.set(place, [...(byPlace.get(place) ?? []), p]);
  }
  return [...byPlace.values()].flatMap((here) => {
    const [first] = here;
    if (first === undefined) return [];
    const text = here.map((p) => p.setting).join(', ');
    return [label([first.x, first.y], [{ text, strong: true }], { side: 'ne' })];
  });
}

/** What was read at the setting of record. */
function recordWords(record: number | undefined, { lag, grain }: Scored): Label['lines'] {
  if (record === undefined) return [];
  const said = [
    ['lag', lag],
    ['grain', grain],
  ] as const;
  return said.flatMap(([name, one]) =>
    one === undefined
      ? []
      : [{ text: `${name} at ${record}: ${one.text}${inBrackets(one)}`, strong: true }],
  );
}

const inBrackets = ({ ends }: Said): string => (ends === '' ? '' : ` (${ends})`);

/** The pair of settings nearest to each other in lag, and in grain: the order is decided there. */
function orderPart(
  points: readonly Setting[],
  { increase, ratio }: Scored,
): { readonly dimensions: Panel['dimensions']; readonly words: Label['lines'] } {
  const pairs = points.slice(1).map((to, i) => ({ from: points[i] as Setting, to }));
  const worst = (of: (pair: { from: Setting; to: Setting }) => number): typeof pairs =>
    [...pairs].sort((a, b) => of(a) - of(b)).slice(0, 1);
  const least = increase === undefined ? [] : worst(({ from, to }) => to.x - from.x);
  const greatest = ratio === undefined ? [] : worst(({ from, to }) => -to.y / from.y);
  const name = (pair: { from: Setting; to: Setting }): string =>
    `${pair.from.setting} to ${pair.to.setting}`;
  return {
    dimensions: [
      ...least.map(({ from, to }) => ({ from: { x: from.x, y: to.y }, to: { x: to.x, y: to.y } })),
      ...greatest.map(({ from, to }) => ({
        from: { x: from.x, y: from.y },
        to: { x: from.x, y: to.y },
      })),
    ],
    words: [
      ...least.map((pair) => orderWords(`lag ${name(pair)}`, increase)),
      ...greatest.map((pair) => orderWords(`grain ${name(pair)}`, ratio)),
    ],
  };
}

function orderWords(pair: string, said: Said | undefined): Label['lines'][number] {
  const read = said === undefined ? '' : `: ${said.text}${inBrackets(said)}`;
  return { text: `${pair}${read}`, strong: false };
}
