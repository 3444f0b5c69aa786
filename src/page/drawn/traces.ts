import type { Columns, Frame } from '../../serve/nest-view.js';

/** Signals of a frame, in the order in which they are drawn, the widest pen first. */
export const SIGNALS = ['torque', 'produced', 'command'] as const;
export type Signal = (typeof SIGNALS)[number];

/** Least and greatest value of each column, N·m; NaN where nothing was seen. */
export interface Band {
  readonly low: Float64Array;
  readonly high: Float64Array;
}

/** Columns of the last moments as they came, oldest first. */
export interface Recent {
  /** s since the start of the stage, at the left edge of each column. */
  readonly at: number[];
  readonly low: number[];
  readonly high: number[];
}

/** What is kept of one stage to be drawn: all of it coarsely, the last moments as they came. */
export interface Traces {
  /** s that the stage lasts. */
  readonly length: number;
  readonly whole: Readonly<Record<Signal, Band>>;
  readonly recent: Readonly<Record<Signal, Recent>>;
  /** s since the start of the stage up to which samples have come. */
  until: number;
  /** Greatest magnitude seen, N·m. */
  most: number;
}

/** s that the lower part of the live trace enlarges. */
export const LAST = 0.16;

/** Makes room for a stage of `length` s in so many columns; nothing grows with the time it takes. */
export function emptyTraces(length: number, columns: number): Traces {
  const band = (): Band => ({
    low: new Float64Array(columns).fill(NaN),
    high: new Float64Array(columns).fill(NaN),
  });
  const recent = (): Recent => ({ at: [], low: [], high: [] });
  return {
    length: Math.max(length, LAST),
    whole: { command: band(), produced: band(), torque: band() },
    recent: { command: recent(), produced: recent(), torque: recent() },
    until: 0,
    most: 0,
  };
}

/**
 * Takes a frame in. Each column of the whole stage keeps the least and the greatest of what fell on
 * it, so that no spike is lost however coarse it is.
 *
 * @param start - s since the start of the stage at which the take of the frame began.
 */
export function addFrame(traces: Traces, frame: Frame, start: number): void {
  for (const signal of SIGNALS) {
    addColumns(traces, signal, frame[signal], { from: start + frame.from, step: frame.step });
  }
  const count = frame.command.low.length;
  traces.until = Math.max(traces.until, start + frame.from + count * frame.step);
  for (const signal of SIGNALS) {
    forget(traces.recent[signal], traces.until - LAST - frame.step);
  }
}

function addColumns(
  traces: Traces,
  signal: Signal,
  columns: Columns,
  { from, step }: { readonly from: number; readonly step: number },
): void {
  const recent = traces.recent[signal];
  columns.low.forEach((low, index) => {
    const high = columns.high[index] ?? null;
    if (low === null || high === null) return;
    const at = from + index * step;
    widen(traces.whole[signal], low, high, columnsAt(traces, at, step));
    recent.at.push(at);
    recent.low.push(low);
    recent.high.push(high);
    traces.most = Math.max(traces.most, Math.abs(low), Math.abs(high));
  });
}

/** First and last column of the whole stage on which a column of a frame falls. */
function columnsAt(traces: Traces, at: number, step: number): readonly [number, number] {
  const count = traces.whole.command.low.length;
  const place = (t: number): number =>
    Math.min(count - 1, Math.max(0, Math.floor((t / traces.length) * count)));
  return [place(at), place(at + step * (1 - 1e-9))];
}

function widen(
  band: Band,
  low: number,
  high: number,
  [first, last]: readonly [number, number],
): void {
  for (let column = first; column <= last; column++) {
    band.low[column] = least(band.low[column], low);
    band.high[column] = -least(-(band.high[column] ?? NaN), -high);
  }
}

const least = (known: number | undefined, value: number): number =>
  known === undefined || Number.isNaN(known) ? value : Math.min(known, value);

/** Lets columns go that begin no later than an instant, s since the start of the stage. */
function forget(recent: Recent, before: number): void {
  const kept = recent.at.findIndex((at) => at > before);
  const gone = kept < 0 ? recent.at.length : kept;
  for (const values of [recent.at, recent.low, recent.high]) values.splice(0, gone);
}

/** Ends of a scale and the distance of its ticks. */
export interface Scale {
  readonly from: number;
  readonly to: number;
  readonly step: number;
}

/** Chooses a scale that holds both ends, with two to five steps of 1, 2 or 5 times a power of ten. */
export function scaleFor(low: number, high: number): Scale {
  const span = Math.max(high - low, 1e-3);
  const power = 10 ** Math.floor(Math.log10(span / 4));
  const step = power * ([1, 2, 5, 10].find((times) => span / (power * times) <= 4 + 1e-9) ?? 10);
  const [from, to] = [Math.floor(low / step + 1e-9) * step, Math.ceil(high / step - 1e-9) * step];
  return { from, to: to > from ? to : from + step, step };
}

/**
 * Keeps a scale as long as it serves, so that nothing but the pen moves: another is chosen when values
 * leave it or fill less than a fifth of it.
 */
export function scaleKept(scale: Scale | undefined, low: number, high: number): Scale {
  const serves =
    scale !== undefined &&
    low >= scale.from &&
    high <= scale.to &&
    (high - low > (scale.to - scale.from) / 5 || scale.to - scale.from <= LEAST_SPAN);
  if (serves) return scale;
  const room = Math.max(high - low, LEAST_SPAN / 2) * 0.15;
  return scaleFor(low - room, high + room);
}

/** N·m; smaller movements are drawn small. */
const LEAST_SPAN = 0.5;

/** Least and greatest of the last moments over all signals; undefined when nothing was seen. */
export function recentEnds(traces: Traces): readonly [number, number] | undefined {
  let [low, high] = [Infinity, -Infinity];
  for (const signal of SIGNALS) {
    for (const value of traces.recent[signal].low) low = Math.min(low, value);
    for (const value of traces.recent[signal].high) high = Math.max(high, value);
  }
  return low <= high ? [low, high] : undefined;
}
