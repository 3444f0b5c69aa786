import { unreachable } from '../base/error.js';
import type { Result } from '../decision/decision.js';
import { isInside } from '../decision/rule.js';
import { RULES } from '../decision/rules.js';
import type { Tolerance } from '../procedure/limits.js';

/** Where the lower limit, or zero in its place, and the upper limit stand on every strip. */
export const LOWER_AT = 0.2;
export const UPPER_AT = 0.8;

export interface Span {
  readonly from: number;
  readonly to: number;
}

/** How a value is drawn: by shape, so that it can be told apart without colour. */
export type Marker =
  /** Inside the tolerance. */
  | { readonly shape: 'dot'; readonly at: number }
  /** Outside the tolerance. */
  | { readonly shape: 'diamond'; readonly at: number }
  /** Beyond the edge of the strip. */
  | { readonly shape: 'arrow-left' | 'arrow-right'; readonly at: number };

/** A value against its limits as a drawing. Every position is a share of the width, 0 … 1. */
export interface Strip {
  /** Tolerance, as far as the strip shows it. */
  readonly bar: Span;
  /** Guard bands, hatched: inside the bar, or outside it under guarded rejection; none under simple acceptance. */
  readonly guards: readonly Span[];
  /** Tall ticks: one for each limit. */
  readonly ticks: readonly number[];
  /** Short foot at zero where there is no lower limit. */
  readonly foot?: number;
  /** Break line at the end of the bar where there is no limit. */
  readonly break?: number;
  readonly marker?: Marker;
  /** Value ± U, cut at the edges of the strip; an end that is cut carries no cap. */
  readonly whisker?: Span & { readonly capFrom: boolean; readonly capTo: boolean };
}

const EDGE = 0.02; // a marker nearer to the edge than this is drawn as an arrow
const OPEN = 0.97; // where an open bar breaks off
const BAR = UPPER_AT - LOWER_AT;

interface Scale {
  /** Value at LOWER_AT and at UPPER_AT. */
  readonly low: number;
  readonly high: number;
}

/**
 * Lays a result out as a limit strip.
 *
 * The lower limit always stands at 20 % of the width and the upper at 80 %, whatever the scale, so
 * that the ticks of a column form two plumb lines. Values are compared unrounded.
 *
 * @param result - Value, U and limits in base units.
 * @returns Positions only; a result without a value has no marker and no whisker.
 */
export function stripGeometry(result: Result): Strip {
  const { tolerance } = result.limit;
  const scale = scaleOf(result);
  const place = (value: number): number =>
    LOWER_AT + ((value - scale.low) / (scale.high - scale.low)) * BAR;
  const frame = frameOf(tolerance);
  const guard = RULES[result.limit.rule].accept * (result.expanded ?? 0);
  return {
    ...frame,
    guards: guardBands(tolerance, guard, place, frame.bar),
    ...reading(result, place),
  };
}

function frameOf(
  tolerance: Tolerance,
): Pick<Strip, 'bar' | 'ticks'> & { readonly foot?: number; readonly break?: number } {
  switch (tolerance.kind) {
    case 'between':
      return { bar: { from: LOWER_AT, to: UPPER_AT }, ticks: [LOWER_AT, UPPER_AT] };
    case 'at-least':
      return { bar: { from: LOWER_AT, to: OPEN }, ticks: [LOWER_AT], break: OPEN };
    case 'at-most':
      if (tolerance.upper > 0) {
        return { bar: { from: LOWER_AT, to: UPPER_AT }, ticks: [UPPER_AT], foot: LOWER_AT };
      }
      return { bar: { from: 1 - OPEN, to: UPPER_AT }, ticks: [UPPER_AT], break: 1 - OPEN };
    default:
      return unreachable(tolerance);
  }
}

/** One-sided limits have no width of their own: zero, U or the value itself lends them a scale. */
function scaleOf(result: Result): Scale {
  const { tolerance, unit } = result.limit;
  const value = result.outcome.kind === 'measured' ? result.outcome.value : undefined;
  const expanded = result.expanded ?? 0;
  switch (tolerance.kind) {
    case 'between':
      return { low: tolerance.lower, high: tolerance.upper };
    case 'at-least': {
      const inside = value === undefined ? 0 : value - tolerance.lower;
      const span = Math.max(0.2 * Math.abs(tolerance.lower), 4 * expanded, 1.6 * inside);
      return { low: tolerance.lower, high: tolerance.lower + (span > 0 ? span : 1) };
    }
    case 'at-most': {
      if (tolerance.upper > 0) return { low: 0, high: tolerance.upper };
      const inside = value === undefined ? 0 : tolerance.upper - value;
      const own = Math.max(Math.abs(tolerance.upper), 4 * expanded, 1.6 * inside);
      return {
        low: tolerance.upper - (own > 0 ? own : 10 ** unit.exponent),
        high: tolerance.upper,
      };
    }
    default:
      return unreachable(tolerance);
  }
}

function guardBands(
  tolerance: Tolerance,
  guard: number,
  place: (value: number) => number,
  bar: Span,
): readonly Span[] {
  if (guard < 0) return bandsOutside(tolerance, -guard, place);
  if (guard === 0) return [];
  const low = tolerance.kind === 'at-most' ? [] : [place(tolerance.lower + guard)];
  const high = tolerance.kind === 'at-least' ? [] : [place(tolerance.upper - guard)];
  const bands = [
    ...low.map((end) => ({ from: bar.from, to: Math.min(end, bar.to) })),
    ...high.map((start) => ({ from: Math.max(start, bar.from), to: bar.to })),
  ];
  const [first, second] = bands;
  if (first !== undefined && second !== undefined && first.to >= second.from) return [bar];
  return bands;
}

/** What guarded rejection lets through, as far as the strip shows it. */
function bandsOutside(
  tolerance: Tolerance,
  guard: number,
  place: (value: number) => number,
): readonly Span[] {
  const low =
    tolerance.kind === 'at-most'
      ? []
      : [{ from: Math.max(0, place(tolerance.lower - guard)), to: place(tolerance.lower) }];
  const high =
    tolerance.kind === 'at-least'
      ? []
      : [{ from: place(tolerance.upper), to: Math.min(1, place(tolerance.upper + guard)) }];
  return [...low, ...high];
}

function reading(
  result: Result,
  place: (value: number) => number,
): { readonly marker?: Marker; readonly whisker?: NonNullable<Strip['whisker']> } {
  const { outcome, verdict } = result;
  if (outcome.kind !== 'measured' || verdict.outcome === 'invalid') return {};
  const at = place(outcome.value);
  if (at < EDGE) return { marker: { shape: 'arrow-left', at: 0 } };
  if (at > 1 - EDGE) return { marker: { shape: 'arrow-right', at: 1 } };
  const shape = isInside(outcome.value, result.limit.tolerance) ? 'dot' : 'diamond';
  if (result.expanded === undefined || result.expanded === 0) return { marker: { shape, at } };
  const from = place(outcome.value - result.expanded);
  const to = place(outcome.value + result.expanded);
  const whisker = {
    from: Math.max(0, from),
    to: Math.min(1, to),
    capFrom: from >= 0,
    capTo: to <= 1,
  };
  return { marker: { shape, at }, whisker };
}

/** Many values of one row on one strip: the frame once, and where each value stands, 0 … 1. */
export interface Cloud {
  readonly frame: Strip;
  /** In the order of the values; what lies off the scale stands at its edge. */
  readonly at: readonly number[];
}

/**
 * Lays the values of many items out on the strip of their limit.
 *
 * @param values - Base unit.
 * @param expanded - U for the guard band, base unit.
 */
export function cloudGeometry(
  limit: Result['limit'],
  values: readonly number[],
  expanded: number | undefined,
): Cloud {
  // An open end takes its scale from the value that reaches furthest inside.
  const furthest = values.reduce(
    limit.tolerance.kind === 'at-most' ? (a, b) => Math.min(a, b) : (a, b) => Math.max(a, b),
    values[0] ?? NaN,
  );
  const outcome: Result['outcome'] =
    values.length === 0
      ? { kind: 'not-evaluated', reason: 'not run' }
      : { kind: 'measured', value: furthest };
  const verdict: Result['verdict'] = { outcome: 'not-run' };
  const result = { limit, name: limit.label, side: 'motor', outcome, expanded, verdict } as const;
  const { low, high } = scaleOf(result);
  const strip = stripGeometry(result);
  const at = values.map((value) => LOWER_AT + ((value - low) / (high - low)) * BAR);
  const { bar, guards, ticks } = strip;
  const frame = {
    ...{ bar, guards, ticks },
    ...(strip.foot === undefined ? {} : { foot: strip.foot }),
    ...(strip.break === undefined ? {} : { break: strip.break }),
  };
  return { frame, at: at.map((share) => Math.min(1, Math.max(0, share))) };
}

/** What each character of a strip in a terminal means; print it once above the rows. */
export const STRIP_KEY =
  '| limit   = accepted   / guard band   : zero   ~ open   -o- value ± U   -x- outside   < > off scale';

/**
 * Draws a limit strip as one line of plain characters, e.g. "   |//==-o-==//|   ".
 *
 * @param width - Characters, at least 11.
 * @returns Exactly `width` characters.
 */
export function stripText(result: Result, width: number): string {
  if (!Number.isInteger(width) || width < 11) {
    throw new Error(`a strip of ${width} characters cannot be told apart; 11 is the least`);
  }
  const strip = stripGeometry(result);
  const column = (share: number): number =>
    Math.min(width - 1, Math.max(0, Math.round(share * (width - 1))));
  const cells: string[] = Array.from({ length: width }, () => ' ');
  const fill = (span: Span, sign: string): void => {
    cells.fill(sign, column(span.from), column(span.to) + 1);
  };
  fill(strip.bar, '=');
  for (const guard of strip.guards) fill(guard, '/');
  if (strip.foot !== undefined) cells[column(strip.foot)] = ':';
  if (strip.break !== undefined) cells[column(strip.break)] = '~';
  const { marker, whisker } = strip;
  const at = marker === undefined ? 0 : markerColumn(marker, strip, column);
  if (marker !== undefined && whisker !== undefined) {
    const half = Math.max(marker.at - whisker.from, whisker.to - marker.at) * (width - 1);
    const reach = Math.max(1, Math.round(half)); // symmetric, and never hidden by rounding
    cells.fill('-', Math.max(0, at - reach), at + reach + 1);
  }
  for (const tick of strip.ticks) cells[column(tick)] = '|';
  if (marker !== undefined) cells[at] = SIGNS[marker.shape];
  return cells.join('');
}

const SIGNS: Readonly<Record<Marker['shape'], string>> = {
  dot: 'o',
  diamond: 'x',
  'arrow-left': '<',
  'arrow-right': '>',
};

/** Keeps the marker on its side of a tick: rounding to characters must not move it across a limit. */
function markerColumn(marker: Marker, strip: Strip, column: (share: number) => number): number {
  const at = column(marker.at);
  const tick = strip.ticks.find((t) => column(t) === at && t !== marker.at);
  if (tick === undefined) return at;
  return marker.at < tick ? at - 1 : at + 1;
}
