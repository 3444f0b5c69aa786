import { unreachable } from '../base/error.js';
import type { Label, Point, Side } from './figure.js';

export interface Box {
  readonly x: number;
  readonly y: number;
  readonly width: number;
  readonly height: number;
}

/** What words should keep clear of, in points. */
export interface Obstacles {
  /** Words stay inside. */
  readonly frame: Box;
  /** Never to be covered. */
  readonly solid: readonly Box[];
  /** To be covered only when there is no better place, the heavier the less. */
  readonly pieces: readonly Piece[];
}

/** A short run of a line with the box around it, so that most of a long line is passed over at once. */
interface Piece {
  readonly weight: number;
  readonly points: readonly Point[];
  readonly box: Box;
}

const RUN = 16; // points of a piece

/** Cuts a line into pieces. */
export function piecesOf(weight: number, points: readonly Point[]): readonly Piece[] {
  const count = Math.ceil((points.length - 1) / RUN);
  return Array.from({ length: Math.max(0, count) }, (_, i) => {
    const run = points.slice(i * RUN, i * RUN + RUN + 1);
    const xs = run.map((p) => p.x);
    const ys = run.map((p) => p.y);
    const [x, y] = [Math.min(...xs), Math.min(...ys)];
    const box = { x, y, width: Math.max(...xs) - x, height: Math.max(...ys) - y };
    return { weight, points: run, box };
  });
}

/** Words to be placed: their point, and what they measure. */
type Wanted = Pick<Label, 'x' | 'y' | 'side' | 'along'> & { readonly size: Size };

/** Words as a block: points, lines. */
export interface Size {
  readonly width: number;
  readonly lines: number;
}

/** Letters of the smallest type reach this far above their baseline, and take this height in all, points. */
const ASCENT = 6.4;
const HEIGHT = 8;
/** From baseline to baseline, points. */
export const LINE = 9;

const SIDES: readonly Side[] = ['ne', 'se', 'nw', 'sw', 'n', 's', 'e', 'w'];

/** Distances from a point, clear of its marker, that are tried, the nearest first, points. */
const GAPS = [5, 10, 16, 24];
/** The same for words on a line. */
const LINE_GAPS = [3];

/** How many places along a line are tried. */
const SLIDES = 16;

/** How many places across and down a panel are tried for words that may stand anywhere. */
const ACROSS = 7;
const DOWN = 6;

/** Paper that words take with their first baseline beginning at a point. */
export function boxOf({ x, y }: Point, { width, lines }: Size): Box {
  return { x: x - 1, y: y - ASCENT, width: width + 2, height: HEIGHT + (lines - 1) * LINE };
}

/**
 * Finds the place of words: on the side they are wanted if they cover nothing there, else where
 * they cover least.
 *
 * @param taken - Paper of words placed before.
 * @returns Where their first baseline begins; always inside the frame.
 */
export function placeLabel(wanted: Wanted, obstacles: Obstacles, taken: readonly Box[]): Point {
  let best: { readonly at: Point; readonly cost: number } | undefined;
  for (const { point, dislike } of anchors(wanted, obstacles.frame)) {
    if (best !== undefined && dislike >= best.cost) continue;
    const at = inside(point, wanted.size, obstacles.frame);
    const moved = Math.hypot(at.x - point.x, at.y - point.y);
    const cost = dislike + moved * 0.3 + covered(boxOf(at, wanted.size), obstacles, taken);
    if (best === undefined || cost < best.cost) best = { at, cost };
  }
  if (best === undefined) throw new Error('a label has at least one place');
  return best.at;
}

interface Anchor {
  readonly point: Point;
  readonly dislike: number;
}

/** Places worth trying with how much less they are liked than the one that was asked for. */
function anchors(wanted: Wanted, frame: Box): readonly Anchor[] {
  const sides = [wanted.side, ...SIDES.filter((side) => side !== wanted.side)];
  const near = (point: Point, gaps: readonly number[], dislike: number): readonly Anchor[] =>
    gaps.flatMap((gap, g) =>
      sides.map((side, s) => ({
        point: beside(point, side, gap, wanted.size),
        dislike: dislike + s * 0.6 + g * 3,
      })),
    );
  if (wanted.along === undefined) return near(wanted, GAPS, 0);
  const own = near(wanted, [...LINE_GAPS, ...GAPS], 0);
  const elsewhere = placesAlong(wanted, wanted.along, frame);
  return [
    ...own,
    ...elsewhere.flatMap((place) => {
      const far = Math.hypot(
        (place.x - wanted.x) / frame.width,
        (place.y - wanted.y) / frame.height,
      );
      return near(place, LINE_GAPS, 1 + far * 5);
    }),
  ];
}

function placesAlong(
  { x, y }: Point,
  along: NonNullable<Label['along']>,
  frame: Box,
): readonly Point[] {
  const spread = (start: number, length: number, count: number): readonly number[] =>
    Array.from({ length: count }, (_, i) => start + (length * (i + 0.5)) / count);
  switch (along) {
    case 'x':
      return spread(frame.x, frame.width, SLIDES).map((place) => ({ x: place, y }));
    case 'y':
      return spread(frame.y, frame.height, SLIDES).map((place) => ({ x, y: place }));
    case 'anywhere':
      return spread(frame.x, frame.width, ACROSS).flatMap((px) =>
        spread(frame.y, frame.height, DOWN).map((py) => ({ x: px, y: py })),
      );
    default:
      return unreachable(along);
  }
}

/** Where words begin that stand at a side of a point. */
function beside({ x, y }: Point, side: Side, gap: number, { width, lines }: Size): Point {
  const more = (lines - 1) * LINE;
  const above = y - gap - more;
  const below = y + gap + 5.6;
  const level = y + 2.6 - more / 2;
  switch (side) {
    case 'ne':
      return { x: x + gap, y: above };
    case 'e':
      return { x: x + gap + 2, y: level };
    case 'se':
      return { x: x + gap, y: below };
    case 'n':
      return { x: x - width / 2, y: above };
    case 's':
      return { x: x - width / 2, y: below };
    case 'nw':
      return { x: x - gap - width, y: above };
    case 'w':
      return { x: x - gap - 2 - width, y: level };
    case 'sw':
      return { x: x - gap - width, y: below };
    default:
      return unreachable(side);
  }
}

function inside({ x, y }: Point, { width, lines }: Size, frame: Box): Point {
  const right = frame.x + frame.width - width - 1;
  const bottom = frame.y + frame.height - 2 - (lines - 1) * LINE;
  return {
    x: Math.max(frame.x + 2.5, Math.min(x, right)),
    y: Math.max(frame.y + ASCENT + 0.6, Math.min(y, bottom)),
  };
}

/** How bad it is to put words on a piece of paper. */
function covered(box: Box, obstacles: Obstacles, taken: readonly Box[]): number {
  const area = (others: readonly Box[]): number =>
    others.reduce((sum, other) => sum + shared(box, other), 0);
  const crossed = obstacles.pieces.reduce(
    (sum, piece) => sum + (isApart(box, piece.box) ? 0 : piece.weight * lengthIn(box, piece)),
    0,
  );
  return crossed + 6 * area(obstacles.solid) + 20 * area(taken.map(apart));
}

/** Words beside other words need a gap, or they read as one line. */
const apart = ({ x, y, width, height }: Box): Box => ({ x: x - 4, y, width: width + 8, height });

function shared(a: Box, b: Box): number {
  const width = Math.min(a.x + a.width, b.x + b.width) - Math.max(a.x, b.x);
  const height = Math.min(a.y + a.height, b.y + b.height) - Math.max(a.y, b.y);
  return width > 0 && height > 0 ? width * height : 0;
}

const isApart = (a: Box, b: Box): boolean =>
  a.x > b.x + b.width || b.x > a.x + a.width || a.y > b.y + b.height || b.y > a.y + a.height;

/** Length of a line inside a box, in heights of a line of type. */
function lengthIn(box: Box, { points }: Piece): number {
  let length = 0;
  for (let i = 1; i < points.length; i += 1) {
    length += lengthWithin(box, points[i - 1] as Point, points[i] as Point);
  }
  return length / HEIGHT;
}

/** Length of a straight line inside a box. Source: clipping after Liang and Barsky 1984 (from memory). */
function lengthWithin(box: Box, a: Point, b: Point): number {
  const dx = b.x - a.x;
  const dy = b.y - a.y;
  let [from, to] = [0, 1];
  for (const [step, room] of [
    [-dx, a.x - box.x],
    [dx, box.x + box.width - a.x],
    [-dy, a.y - box.y],
    [dy, box.y + box.height - a.y],
  ] as const) {
    if (step === 0 && room < 0) return 0;
    if (step < 0) from = Math.max(from, room / step);
    if (step > 0) to = Math.min(to, room / step);
  }
  return from < to ? (to - from) * Math.hypot(dx, dy) : 0;
}
