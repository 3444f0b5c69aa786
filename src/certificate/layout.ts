import { thin } from '../base/thin.js';
import { isOn, scaler, tickText } from './axis.js';
import type { Figure, Panel, Pen, Point } from './figure.js';
import { boxOf, LINE, piecesOf, placeLabel, type Box, type Obstacles } from './labels.js';
import {
  HAIRLINE,
  HEADING,
  INK,
  NOTE,
  PAPER,
  PRODUCED,
  SMALL_INK,
  SMALL_STRONG,
  SOFT,
  TOLERANCE,
} from './page.js';
import type { Sheet, Style } from './page.js';

/** Measures text as the certificate prints it. */
export type Ruler = Pick<Sheet, 'width' | 'fit' | 'shorten' | 'wrap'>;

export interface Stroke {
  readonly width: number;
  readonly colour: string;
  /** Lengths of dashes and gaps, points; empty for a full line. */
  readonly dash: readonly number[];
}

/**
 * What a pen draws, in points from the upper left corner of the figure, rounded to hundredths. Both
 * pens, page and SVG, draw these and decide nothing about them.
 */
export type Shape =
  | {
      readonly kind: 'line';
      /** What the line is, e.g. a pen of the figure. */
      readonly name: Pen | 'grid' | 'axis' | 'hatch' | 'dimension';
      readonly points: readonly Point[];
      readonly stroke: Stroke;
    }
  | {
      /** Filled polygon. */
      readonly kind: 'area';
      readonly name: 'band' | 'paper' | 'arrow';
      readonly points: readonly Point[];
      readonly fill: string;
    }
  | {
      readonly kind: 'circle';
      readonly centre: Point;
      readonly radius: number;
      readonly fill: string;
      readonly stroke: Stroke;
    }
  | {
      readonly kind: 'text';
      /** On the baseline. */
      readonly at: Point;
      readonly text: string;
      readonly style: Style;
      readonly anchor: 'start' | 'middle' | 'end';
    }
  | { readonly kind: 'clipped'; readonly box: Box; readonly shapes: readonly Shape[] };

/** A figure laid out: nothing is left to decide but how a shape is written. */
export interface Layout {
  readonly width: number;
  readonly height: number;
  readonly shapes: readonly Shape[];
  /** Where each panel stands, and how values map to it. */
  readonly places: readonly Place[];
}

/** Positions of a panel from values on its axes. */
export interface Place {
  readonly frame: Box;
  readonly x: (value: number) => number;
  readonly y: (value: number) => number;
}

/** Room around a panel, points: tick labels at the left, quantity above, ticks and quantity below. */
const LEFT = 30;
const RIGHT = 8;
const ABOVE = 12;
const BELOW = 24;
const TITLE = { half: 24, full: 15 } as const;

/** A panel is as high as it needs to be read, not as wide figures would make it. */
const PANEL_HEIGHT = { half: 118, full: 92 } as const;

/** How each pen is drawn; the dashes are in points. */
export const PENS: Readonly<Record<Pen, Stroke>> = {
  produced: { width: 1.7, colour: PRODUCED, dash: [] },
  joined: { width: 1, colour: PRODUCED, dash: [] },
  commanded: { width: 0.6, colour: INK, dash: [] },
  measured: { width: 1, colour: INK, dash: [] },
  limit: { width: 0.8, colour: INK, dash: [8, 2, 1.2, 2] },
  construction: { width: 0.5, colour: INK, dash: [2.6, 1.8] },
  nominal: { width: 0.9, colour: SOFT, dash: [0.9, 1.7] },
};

const thinLine = (width: number, colour: string): Stroke => ({ width, colour, dash: [] });
const AXIS = thinLine(0.8, INK);
const HATCH = thinLine(0.5, SOFT);
const DIMENSION = thinLine(0.6, INK);
const RING = thinLine(1, INK);

/** Hatching beyond a limit: how far it reaches and how far apart its strokes are, points. */
const HATCH_DEPTH = 4.5;
const HATCH_STEP = 3.6;

/** The produced trace last: wide and on top, it must not be hidden by what was asked of it. */
const ORDER: readonly Pen[] = [
  'nominal',
  'limit',
  'commanded',
  'measured',
  'joined',
  'produced',
  'construction',
];

/** Height a figure takes, points. */
export function figureHeight(figure: Figure): number {
  const panels = figure.panels.map((p) => ABOVE + panelHeight(figure, p) + BELOW);
  return panels.reduce((sum, height) => sum + height, TITLE[figure.width]);
}

const panelHeight = (figure: Figure, panel: Panel): number =>
  PANEL_HEIGHT[figure.width] * (panel.height ?? 1);

/**
 * Lays a figure out. The only place that turns values into positions.
 *
 * @param width - Points the figure may take.
 * @param ruler - Measures text, so that no words overlap.
 *
 * Check: tests/unit/svg.test.ts.
 */
export function layOut(figure: Figure, width: number, ruler: Ruler): Layout {
  const shapes: Shape[] = [...titleShapes(figure, width, ruler)];
  const places: Place[] = [];
  const left = leftRoom(figure, ruler);
  let top: number = TITLE[figure.width];
  for (const panel of figure.panels) {
    const height = panelHeight(figure, panel);
    const frame = { x: left, y: top + ABOVE, width: width - left - RIGHT, height };
    const place = {
      frame,
      x: scaler(panel.x, frame.x, frame.width),
      y: scaler(panel.y, frame.y + frame.height, -frame.height),
    };
    shapes.push(...panelShapes(panel, place, ruler));
    places.push(place);
    top += ABOVE + height + BELOW;
  }
  return { width, height: figureHeight(figure), shapes, places };
}

/** The panels of a figure stand under each other, so the widest tick label makes room for all. */
function leftRoom(figure: Figure, ruler: Ruler): number {
  const ticks = figure.panels.flatMap((panel) => panel.y.ticks);
  return Math.max(LEFT, ...ticks.map((tick) => ruler.width(tickText(tick), SMALL_INK) + 5));
}

function titleShapes(figure: Figure, width: number, ruler: Ruler): readonly Shape[] {
  const style = ruler.fit(figure.title, { ...HEADING, size: 9 }, width);
  const title = ruler.shorten(figure.title, style, width);
  const isHalf = figure.width === 'half';
  const x = isHalf ? 0 : ruler.width(title, style) + 5;
  const note = ruler.shorten(figure.note, NOTE, width - x);
  return [
    textShape(title, { x: 0, y: 9 }, style),
    textShape(note, { x, y: isHalf ? 18.5 : 9 }, NOTE),
  ];
}

function textShape(
  text: string,
  at: Point,
  style: Style,
  anchor: 'start' | 'middle' | 'end' = 'start',
): Shape {
  return { kind: 'text', at: rounded(at), text, style, anchor };
}

function panelShapes(panel: Panel, place: Place, ruler: Ruler): readonly Shape[] {
  const { frame } = place;
  const lines = ORDER.flatMap((pen) =>
    panel.lines.filter((line) => line.pen === pen).flatMap((line) => lineShapes(line, place)),
  );
  const bands = panel.bands.map((band) => bandShapes(band, place));
  const dimensions = panel.dimensions.flatMap((d) => dimensionShapes(d, place));
  const markers = panel.markers
    .filter((m) => isWithin(m, panel))
    .map((m) => markerShape(m.shape, { x: place.x(m.x), y: place.y(m.y) }));
  // The outermost half of a wide line on the edge of a panel is not cut off.
  const box = { ...frame, y: frame.y - 0.5, height: frame.height + 1 };
  const clipped = [
    ...bands.flatMap((b) => b.areas),
    ...gridShapes(panel, place),
    ...bands.flatMap((b) => b.edges),
    ...lines,
  ];
  const obstacles = obstaclesOf([...clipped, ...dimensions, ...markers], frame);
  return [
    { kind: 'clipped', box, shapes: clipped },
    ...axisShapes(panel, place, ruler),
    ...dimensions,
    ...labelShapes(panel, place, ruler, obstacles),
    ...markers,
  ];
}

const isWithin = (point: Point, { x, y }: Pick<Panel, 'x' | 'y'>): boolean =>
  isOn(x, point.x) && isOn(y, point.y);

function bandShapes(
  band: Panel['bands'][number],
  place: Place,
): { readonly areas: readonly Shape[]; readonly edges: readonly Shape[] } {
  const { frame } = place;
  const [left, right] = (band.x ?? []).map((v) => (v === undefined ? undefined : place.x(v)));
  const [bottom, top] = (band.y ?? []).map((v) => (v === undefined ? undefined : place.y(v)));
  const within = (v: number, from: number, length: number): number =>
    Math.max(from, Math.min(v, from + length));
  const x0 = within(left ?? frame.x, frame.x, frame.width);
  const x1 = within(right ?? frame.x + frame.width, frame.x, frame.width);
  const y0 = within(top ?? frame.y, frame.y, frame.height);
  const y1 = within(bottom ?? frame.y + frame.height, frame.y, frame.height);
  const area: Shape = {
    kind: 'area',
    name: 'band',
    points: corners({ x: x0, y: y0, width: x1 - x0, height: y1 - y0 }),
    fill: TOLERANCE,
  };
  const upright = (x: number, way: number): Edge => ({
    from: { x, y: y0 },
    to: { x, y: y1 },
    beyond: { x: way, y: -1 },
  });
  const level = (y: number, way: number): Edge => ({
    from: { x: x0, y },
    to: { x: x1, y },
    beyond: { x: 1, y: way },
  });
  const isAcross = (x: number | undefined): x is number =>
    x !== undefined && isNear(x, frame.x, frame.width);
  const isDown = (y: number | undefined): y is number =>
    y !== undefined && isNear(y, frame.y, frame.height);
  const edges = [
    ...(isAcross(left) ? [upright(left, -1)] : []),
    ...(isAcross(right) ? [upright(right, 1)] : []),
    ...(isDown(top) ? [level(top, -1)] : []),
    ...(isDown(bottom) ? [level(bottom, 1)] : []),
  ];
  const isWhole = [band.x ?? [0, 0], band.y ?? [0, 0]].flat().every((end) => end !== undefined);
  return {
    areas: isWhole && x1 > x0 && y1 > y0 ? [area] : [],
    edges: edges.flatMap((edge) =>
      band.edge === 'limit'
        ? [...hatching(edge), line('limit', PENS.limit, [edge.from, edge.to])]
        : [line('construction', PENS.construction, [edge.from, edge.to])],
    ),
  };
}

/** Whether an edge or its hatching can be seen. */
const isNear = (v: number, from: number, length: number): boolean =>
  v >= from - HATCH_DEPTH && v <= from + length + HATCH_DEPTH;

/** An edge of a band, and the direction of the strokes on the side that is not allowed. */
interface Edge {
  readonly from: Point;
  readonly to: Point;
  readonly beyond: Point;
}

/** Strokes survive a grey printer, a tint does not. */
function hatching({ from, to, beyond }: Edge): readonly Shape[] {
  const length = Math.hypot(to.x - from.x, to.y - from.y);
  const count = Math.floor(length / HATCH_STEP);
  return Array.from({ length: count }, (_, i) => {
    const share = ((i + 0.5) * HATCH_STEP) / length;
    const foot = {
      x: from.x + share * (to.x - from.x),
      y: from.y + share * (to.y - from.y),
    };
    const tip = { x: foot.x + beyond.x * HATCH_DEPTH, y: foot.y + beyond.y * HATCH_DEPTH };
    return line('hatch', HATCH, [foot, tip]);
  });
}

type LineShape = Extract<Shape, { readonly kind: 'line' }>;

function line(name: LineShape['name'], stroke: Stroke, points: readonly Point[]): LineShape {
  return { kind: 'line', name, stroke, points: points.map(rounded) };
}

const hundredth = (value: number): number => Math.round(value * 100) / 100;
const rounded = ({ x, y }: Point): Point => ({ x: hundredth(x), y: hundredth(y) });

const corners = ({ x, y, width, height }: Box): readonly Point[] =>
  [
    { x, y },
    { x: x + width, y },
    { x: x + width, y: y + height },
    { x, y: y + height },
  ].map(rounded);

function gridShapes(panel: Panel, { frame, y }: Place): readonly Shape[] {
  return panel.y.ticks.map((tick) =>
    line('grid', tick === 0 ? thinLine(0.9, SOFT) : thinLine(0.4, HAIRLINE), [
      { x: frame.x, y: y(tick) },
      { x: frame.x + frame.width, y: y(tick) },
    ]),
  );
}

/** A line of a panel, in pieces where a value is missing. */
function lineShapes(source: Panel['lines'][number], place: Place): readonly Shape[] {
  const pieces: Point[][] = [[]];
  for (let i = 0; i < Math.min(source.x.length, source.y.length); i += 1) {
    const x = place.x(source.x[i] as number);
    const y = place.y(source.y[i] as number);
    if (Number.isFinite(x) && Number.isFinite(y)) pieces.at(-1)?.push({ x, y });
    else if (pieces.at(-1)?.length !== 0) pieces.push([]);
  }
  return pieces
    .filter((piece) => piece.length > 1)
    .map((piece) => line(source.pen, PENS[source.pen], thinned(piece, place.frame)));
}

/**
 * Where more than four points would fall into a column of a fifth of a point, only the least and the
 * greatest are kept, so that no spike is lost. Points far outside are brought near: no reader of
 * files needs a coordinate of a million.
 */
function thinned(points: readonly Point[], frame: Box): readonly Point[] {
  const columns = Math.ceil(frame.width * 5);
  const kept =
    points.length <= columns * 4
      ? points
      : Array.from(
          thin(
            Float64Array.from(points, (p) => p.y),
            columns,
          ).index,
          (i) => points[i] as Point,
        );
  const near = (v: number, from: number, length: number): number =>
    Math.max(from - 10 * length, Math.min(v, from + 11 * length));
  return kept.map((p) => ({
    x: near(p.x, frame.x, frame.width),
    y: near(p.y, frame.y, frame.height),
  }));
}

function axisShapes(panel: Panel, place: Place, ruler: Ruler): readonly Shape[] {
  const { frame } = place;
  const bottom = frame.y + frame.height;
  const right = frame.x + frame.width;
  const cross = [
    { x: frame.x, y: frame.y },
    { x: frame.x, y: bottom },
    { x: right, y: bottom },
  ];
  const shapes: Shape[] = [line('axis', AXIS, cross)];
  let clear = -Infinity;
  for (const tick of panel.x.ticks) {
    const x = place.x(tick);
    const mark = [
      { x, y: bottom },
      { x, y: bottom + 2.5 },
    ];
    shapes.push(line('axis', AXIS, mark));
    const text = tickText(tick);
    const half = ruler.width(text, SMALL_INK) / 2;
    if (x - half < clear) continue;
    const centre = Math.min(x, right + RIGHT - half);
    shapes.push(textShape(text, { x: centre, y: bottom + 10 }, SMALL_INK, 'middle'));
    clear = x + half + 4;
  }
  let free = Infinity;
  for (const tick of panel.y.ticks) {
    const y = place.y(tick) + 2.6;
    if (y > free) continue;
    shapes.push(textShape(tickText(tick), { x: frame.x - 4, y }, SMALL_INK, 'end'));
    free = y - SMALL_INK.size;
  }
  const across = ruler.shorten(panel.x.label, NOTE, right);
  shapes.push(
    textShape(ruler.shorten(panel.y.label, NOTE, right), { x: 0, y: frame.y - 6 }, NOTE),
    textShape(across, { x: right, y: bottom + 19 }, NOTE, 'end'),
  );
  return shapes;
}

function dimensionShapes(d: Panel['dimensions'][number], place: Place): readonly Shape[] {
  const from = { x: place.x(d.from.x), y: place.y(d.from.y) };
  const to = { x: place.x(d.to.x), y: place.y(d.to.y) };
  const length = Math.hypot(to.x - from.x, to.y - from.y);
  if (!Number.isFinite(length) || length === 0) return [];
  const along = { x: (to.x - from.x) / length, y: (to.y - from.y) / length };
  const head = Math.min(4.5, length / 3);
  const arrow = (tip: Point, way: number): Shape => {
    const back = { x: tip.x + way * head * along.x, y: tip.y + way * head * along.y };
    const side = { x: -along.y * 1.3, y: along.x * 1.3 };
    const points = [
      tip,
      { x: back.x + side.x, y: back.y + side.y },
      { x: back.x - side.x, y: back.y - side.y },
    ];
    return { kind: 'area', name: 'arrow', points: points.map(rounded), fill: INK };
  };
  return [line('dimension', DIMENSION, [from, to]), arrow(from, 1), arrow(to, -1)];
}

const RADIUS = { ring: 2.5, dot: 2.2, disc: 3.2 } as const;

function markerShape(shape: Panel['markers'][number]['shape'], centre: Point): Shape {
  return {
    kind: 'circle',
    centre: rounded(centre),
    radius: RADIUS[shape],
    fill: shape === 'disc' ? INK : PAPER,
    stroke: RING,
  };
}

/** What words should not cover, the worse the heavier. */
function obstaclesOf(shapes: readonly Shape[], frame: Box): Obstacles {
  const circles = shapes.filter((s) => s.kind === 'circle');
  const lines = shapes.filter((s) => s.kind === 'line');
  return {
    frame,
    solid: circles.map(({ centre: { x, y }, radius: r }) => ({
      x: x - r - 0.6,
      y: y - r - 0.6,
      width: 2 * r + 1.2,
      height: 2 * r + 1.2,
    })),
    pieces: lines
      .filter(({ name }) => WEIGHT[name] > 0)
      .flatMap(({ name, points }) => piecesOf(WEIGHT[name], points)),
  };
}

const WEIGHT: Readonly<Record<LineShape['name'], number>> = {
  produced: 14,
  joined: 14,
  dimension: 8,
  commanded: 5,
  measured: 5,
  nominal: 5,
  limit: 4,
  construction: 4,
  hatch: 1.5,
  axis: 0,
  grid: 0,
};

function labelShapes(
  panel: Panel,
  place: Place,
  ruler: Ruler,
  obstacles: Obstacles,
): readonly Shape[] {
  const taken: Box[] = [];
  return panel.labels.flatMap((label): readonly Shape[] => {
    const point = { x: place.x(label.x), y: place.y(label.y) };
    if (!Number.isFinite(point.x) || !Number.isFinite(point.y)) return [];
    const lines = label.lines.map(({ text, strong }) => {
      const style = strong ? SMALL_STRONG : SMALL_INK;
      return { text: ruler.shorten(text, style, place.frame.width - 6), style };
    });
    const width = Math.max(...lines.map(({ text, style }) => ruler.width(text, style)));
    const size = { width, lines: lines.length };
    const at = placeLabel({ ...label, ...point, size }, obstacles, taken);
    const box = boxOf(at, size);
    taken.push(box);
    return [
      { kind: 'area', name: 'paper', points: corners(box), fill: PAPER },
      ...lines.map(({ text, style }, i) => textShape(text, { x: at.x, y: at.y + i * LINE }, style)),
    ];
  });
}
