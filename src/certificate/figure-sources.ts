import { printed } from '../base/display.js';
import { inUnit, unitOf, type Unit } from '../base/units.js';
import type { Decision, Result } from '../decision/decision.js';
import type { Tolerance } from '../procedure/limits.js';
import type { Stage } from '../procedure/procedure.js';
import { characteristic } from '../scoring/catalogue.js';
import type { Evidence, Outcome, Score, Side } from '../scoring/scoring.js';
import type { Label, Panel, Range } from './figure.js';
import { measuredWords, rowWords } from './words.js';

/** What figures are drawn from: results with their limits, scores without one, stages for captions. */
export interface FigureSources {
  readonly results: readonly Result[];
  readonly scores?: readonly Score[];
  readonly stages?: readonly Stage[];
  readonly gates?: Decision['gates'];
}

export type Of<K extends Evidence['kind']> = Extract<Evidence, { readonly kind: K }>;
type Measured = Extract<Outcome, { readonly kind: 'measured' }>;

/** A value with the curves it was read from. */
export interface Reading<E extends Evidence = Evidence> {
  readonly stage: string;
  readonly characteristic: string;
  readonly side: Side;
  readonly outcome: Measured;
  readonly evidence: E;
  readonly result: Result | undefined;
}

/** Readings that can be drawn, those with a limit first, each once. */
export function readingsOf(sources: FigureSources): readonly Reading[] {
  return rowsOf(sources).flatMap((row): readonly Reading[] => {
    const { stage, characteristic, side, outcome, result } = row;
    if (outcome.kind !== 'measured' || outcome.evidence === undefined) return [];
    return [{ stage, characteristic, side, outcome, evidence: outcome.evidence, result }];
  });
}

interface Row extends Score {
  readonly result: Result | undefined;
}

function rowsOf({ results, scores = [] }: FigureSources): readonly Row[] {
  const rows = results.map((result) => ({ ...result.limit, ...result, result }));
  const known = new Set(rows.map(keyOf));
  const others = scores.filter((score) => !known.has(keyOf(score)));
  return [...rows, ...others.map((score) => ({ ...score, result: undefined }))];
}

export const keyOf = (place: { readonly stage: string; readonly characteristic: string }): string =>
  `${place.stage}.${place.characteristic}`;

/** A value that belongs to a figure, whether or not it carries the evidence itself. */
export interface Said {
  readonly key: string;
  readonly characteristic: string;
  readonly name: string;
  /** Base unit. */
  readonly value: number;
  /** "2.71 ± 0.06 ms". */
  readonly text: string;
  /** "2.30 … 3.10 ms"; empty without a limit. */
  readonly ends: string;
  /** The same as a clause, or that the value does not count; empty without a limit. */
  readonly allowed: string;
  readonly tolerance: Tolerance | undefined;
}

/** Finds a measured value of a stage by its characteristic. */
export function saidOf(sources: FigureSources, stage: string, id: string): Said | undefined {
  const row = rowsOf(sources).find((r) => r.stage === stage && r.characteristic === id);
  return row === undefined ? undefined : saidOfRow(row);
}

/** All measured values of a stage. */
export function saidAt(sources: FigureSources, stage: string): readonly Said[] {
  return rowsOf(sources)
    .filter((row) => row.stage === stage)
    .flatMap((row) => saidOfRow(row) ?? []);
}

/** What is to be said of a reading itself. */
export function saidBy(reading: Reading): Said {
  const said = saidOfRow(reading);
  if (said === undefined) throw new Error(`${keyOf(reading)} is a reading without a value`);
  return said;
}

function saidOfRow(
  row: Pick<Row, 'stage' | 'characteristic' | 'outcome' | 'result'>,
): Said | undefined {
  const { outcome, result } = row;
  if (outcome.kind !== 'measured') return undefined;
  const { value } = outcome;
  const known = characteristic(row.characteristic);
  const common = { key: keyOf(row), characteristic: row.characteristic, value };
  if (result === undefined) {
    const text = known === undefined ? String(value) : valueText(value, unitOf(known.unit));
    const name = known?.name ?? row.characteristic;
    return { ...common, name, text, ends: '', allowed: '', tolerance: undefined };
  }
  const { verdict, limit } = result;
  const words = rowWords(result);
  const ends = `${words.allowed}${words.unit === '1' ? '' : ` ${words.unit}`}`;
  return {
    ...common,
    name: result.name,
    text: measuredWords(words),
    ends,
    allowed: verdict.outcome === 'invalid' ? 'does not count: see the gates' : `allowed ${ends}`,
    tolerance: limit.tolerance,
  };
}

/** Writes a value without stated uncertainty with four digits and its unit. */
export function valueText(value: number, unit: Unit): string {
  return `${digits(inUnit(value, unit))}${unit.symbol === '1' ? '' : ` ${unit.symbol}`}`;
}

/** Four significant digits at most, with the minus sign of print. */
export const digits = (value: number, most = 4): string =>
  printed(String(Number(value.toPrecision(most))));

/** Where a figure was read: stage, repeats and side. */
export function captionOf(reading: Pick<Reading, 'stage' | 'side' | 'outcome'>): string {
  const { repeats } = reading.outcome;
  const mean = repeats !== undefined && repeats > 1 ? `, mean of ${repeats}` : '';
  const side = reading.side === 'motor' || reading.side === 'shaft' ? `, ${reading.side} side` : '';
  return `stage ${reading.stage}${mean}${side}`;
}

export function smoothingWords(sources: FigureSources, stage: string): string {
  const takes = sources.stages?.find((s) => s.id === stage)?.takes;
  return takes?.length === 1 ? `, smoothing ${takes[0].smoothing}` : '';
}

/** Limits in the unit of an axis; undefined when there are none. */
export function rangeOf(said: Said | undefined, unit: Unit): Range | undefined {
  if (said?.tolerance === undefined) return undefined;
  const { lower, upper }: { readonly lower?: number; readonly upper?: number } = said.tolerance;
  const at = (end: number | undefined): number | undefined =>
    end === undefined ? undefined : inUnit(end, unit);
  return [at(lower), at(upper)];
}

export const MS = unitOf('ms');
export const MILLI = unitOf('mN·m');

export const EMPTY: Pick<Panel, 'lines' | 'bands' | 'markers' | 'dimensions' | 'labels'> = {
  lines: [],
  bands: [],
  markers: [],
  dimensions: [],
  labels: [],
};

/** A straight construction, or another pen, between two points. */
export function straight(
  from: readonly [x: number, y: number],
  to: readonly [x: number, y: number],
  pen: Panel['lines'][number]['pen'] = 'construction',
): Panel['lines'][number] {
  return { pen, x: [from[0], to[0]], y: [from[1], to[1]] };
}

type Words = Label['lines'][number];

/** Words at a point, to its upper right unless told otherwise. */
export function label(
  [x, y]: readonly [x: number, y: number],
  words: string | readonly Words[],
  more: Partial<Pick<Label, 'side' | 'along'>> = {},
): Label {
  const lines = typeof words === 'string' ? [{ text: words, strong: false }] : words;
  return { x, y, lines, side: 'ne', ...more };
}

/** A value in strong type, with what is allowed under it. */
export function valueWords(said: Said, before = ''): readonly Words[] {
  const value = { text: `${before}${said.text}`, strong: true };
  return said.allowed === '' ? [value] : [value, { text: said.allowed, strong: false }];
}

/** Writes a value with the decimals that can be told apart on an axis of this length, and its unit. */
export function onAxis(value: number, length: number, unit: string): string {
  const decimals = Math.max(0, Math.min(6, 2 - Math.floor(Math.log10(length))));
  const text = value.toFixed(decimals);
  return `${printed(Number(text) === 0 ? text.replace('-', '') : text)} ${unit}`;
}

export const milliseconds = (time: ArrayLike<number>): Float64Array =>
  Float64Array.from(time, (t) => t * 1000);

/** A commanded value holds until the next is latched: the line has corners, not slopes. */
export function held(x: ArrayLike<number>, y: ArrayLike<number>): Panel['lines'][number] {
  const corners: { readonly x: number; readonly y: number }[] = [];
  for (let i = 0; i < Math.min(x.length, y.length); i += 1) {
    const at = x[i] as number;
    const value = y[i] as number;
    const before = corners.at(-1)?.y ?? value;
    if (before !== value) corners.push({ x: at, y: before });
    corners.push({ x: at, y: value });
  }
  return { pen: 'commanded', x: corners.map((c) => c.x), y: corners.map((c) => c.y) };
}

/** Least and greatest of the finite values; undefined when there is none. */
export function extent(
  ...lists: readonly ArrayLike<number>[]
): readonly [least: number, greatest: number] | undefined {
  let [low, high] = [Infinity, -Infinity];
  for (const list of lists) {
    for (let i = 0; i < list.length; i += 1) {
      const value = list[i] as number;
      if (!Number.isFinite(value)) continue;
      low = Math.min(low, value);
      high = Math.max(high, value);
    }
  }
  return low > high ? undefined : [low, high];
}

/** The ends of a range that are there. */
export function endsOf(range: Range | undefined): readonly number[] {
  const [from, to] = range ?? [];
  return [from, to].filter((end) => end !== undefined);
}
