import type { Capture, Take } from '../capture/capture.js';
import { underlyingShape } from '../pattern/shapes.js';
import { parts } from '../pattern/waveform.js';
import type { Stage } from '../procedure/procedure.js';
import { DYNAMIC } from './dependence.js';
import { delayFromAngles, fitShape, unwrap, type ShapeFit, type ShapeOfTime } from './delay.js';
import { butterworth, zeroPhase } from './filter.js';
import { AGREEMENT } from './lag.js';
import { mean, standardDeviation } from './line.js';
import { channelsOf, measured, notEvaluated, shown, type NotEvaluated } from './reading.js';
import type { Characteristic, Context, Evidence, Outcome } from './scoring.js';
import { blockMeans, coherenceOf, responseOf, welch } from './spectrum.js';

/** A part of a stage that holds what a slower source gives. */
interface SourcePart {
  readonly shape: ShapeOfTime;
  /** Values a second of the source. */
  readonly rate: number;
  /** Mean age of a value while it is held, s. */
  readonly age: number;
  /** s since the start of the take. */
  readonly from: number;
  readonly to: number;
}

function sourcePart(stage: Stage): SourcePart | undefined {
  for (const { pattern: part, from, to } of parts(stage.pattern).toReversed()) {
    if (part.kind !== 'staircase' && part.kind !== 'recorded') continue;
    const age = ageWhileHeld(part.rate, stage.updates);
    return { shape: underlyingShape(part), rate: part.rate, age, from, to };
  }
  return undefined;
}

/**
 * Mean age of what the item is commanded: a source holds each value for its update period, the item
 * latches it at its own updates.
 *
 * @param rate - Values a second of the source. @param updates - Updates a second of the item.
 * @returns s; half a period of the source when the updates are a multiple of its rate.
 */
export function ageWhileHeld(rate: number, updates: number): number {
  const latches = 1000;
  let sum = 0;
  for (let k = 0; k < latches; k++) {
    const turns = (k * rate) / updates + 1e-9;
    sum += (turns - Math.floor(turns)) / rate;
  }
  return sum / latches + 0.5 / updates;
}

/** How the motor current follows the source, before the torque constant. */
interface Following {
  /** Lag behind the underlying shape, s, delay of the current channel still in it. */
  readonly lag: number;
  /** Update period of the source, s. */
  readonly update: number;
  /** Delay, gain and skew of the shape in the current. */
  readonly fit: ShapeFit;
  /** The difference when this delay is taken out. */
  readonly rest: Rest;
  /** A stretch to plot: s, N·m and A. */
  readonly time: Float64Array;
  readonly command: Float64Array;
  readonly current: Float64Array;
}

/** Difference of the current and the underlying shape over the rms of that shape, A/(N·m). */
interface Rest {
  readonly rms: number;
  /** Greatest magnitude, and where it is, s since the start of the take. */
  readonly peak: number;
  readonly at: number;
}

const COARSE = 500; // samples a second for fits
const FINE = 5000; // samples a second for what is left over
const SETTLING = 0.2; // s left out at the start and at the end
const BAND = 500; // Hz: above, what is left over is noise of the current sensor

/** Four characteristics read the same takes. */
const known = new WeakMap<
  Take,
  { readonly stage: Stage; readonly reading: Following | NotEvaluated }
>();

function readFollowing(take: Take, stage: Stage): Following | NotEvaluated {
  const before = known.get(take);
  if (before?.stage === stage) return before.reading;
  const reading = freshReading(take, stage);
  known.set(take, { stage, reading });
  return reading;
}

/**
 * Fits the underlying shape to the current.
 *
 * The clock of the source runs a little faster or slower than that of the samples; how much is read
 * from the command channel, never from the current that is scored. What the command channel is late
 * by is replaced by the age that holding gives it: links and clocks do not count as lag of the item.
 */
function freshReading(take: Take, stage: Stage): Following | NotEvaluated {
  const channels = channelsOf(take, ['command', 'current']);
  if ('kind' in channels) return channels;
  const source = sourcePart(stage);
  if (source === undefined) return notEvaluated('The stage plays no recording or staircase.');
  const slice = sliceOf(take, source, COARSE);
  if (slice.time.length < COARSE) return notEvaluated('Less than 1 s of the pattern was captured.');
  const command = slice.of(channels.command);
  const start = 0.5 / source.rate;
  const latched = fitShape(command, slice.time, source.shape, { start });
  if (latched === undefined) return notEvaluated('The command does not follow the pattern.');
  const current = slice.of(channels.current);
  const fit = fitShape(current, slice.time, source.shape, { start, skew: latched.skew });
  if (fit === undefined) return notEvaluated('The torque does not follow the pattern.');
  const byPhase = lagByPhase(current, slice.time, source.shape, fit);
  if (Math.abs(byPhase - fit.delay) >= AGREEMENT) {
    const found = `${shown(fit.delay * 1000)} ms by correlation, ${shown(byPhase * 1000)} ms by phase`;
    return notEvaluated(`Two ways of reading the lag disagree: ${found}.`);
  }
  return {
    lag: fit.delay - latched.delay + source.age,
    update: 1 / source.rate,
    fit,
    rest: restOf(take, source, fit, fit.delay),
    ...liveliest(take, source),
  };
}

/** Means of samples at a lower rate, with the times of their middles since the start of the part. */
function sliceOf(
  take: Take,
  source: SourcePart,
  rate: number,
): { readonly time: Float64Array; readonly of: (x: Float32Array) => Float64Array } {
  const block = Math.max(1, Math.round(take.rate / rate));
  const first = Math.round((source.from + SETTLING) * take.rate);
  const length = take.channels.command?.length ?? 0;
  const end = Math.min(length, Math.round((source.to - SETTLING) * take.rate));
  const count = Math.max(0, Math.floor((end - first) / block));
  const time = Float64Array.from(
    { length: count },
    (_, i) => (first + (i + 0.5) * block) / take.rate - source.from,
  );
  return { time, of: (x) => blockMeans(x, first, count, block) };
}

const SEGMENT = 2048; // of the coarse samples
const HIGHEST = 10; // Hz

/** The lag from the slope of the phase up to 10 Hz: a check on the fit. */
function lagByPhase(
  current: Float64Array,
  time: Float64Array,
  shape: ShapeOfTime,
  fit: ShapeFit,
): number {
  // The fitted delay is taken out first: a delay between two records makes them look less coherent.
  const aligned = time.map((t) => shape(t * (1 + fit.skew) - fit.delay));
  const rate = 1 / ((time[1] as number) - (time[0] as number));
  const segment = Math.min(SEGMENT, 2 ** Math.floor(Math.log2(time.length / 2)));
  const densities = welch(aligned, current, { rate, segment, overlap: segment / 2 });
  const count = densities.frequency.filter((f) => f <= HIGHEST).length;
  const ratio = responseOf(densities);
  const angles = ratio.re.map((re, k) => Math.atan2(ratio.im[k] as number, re));
  const rest = delayFromAngles({
    frequency: densities.frequency.subarray(2, count),
    angle: unwrap(angles.subarray(2, count)),
    coherence: coherenceOf(densities).subarray(2, count),
    averages: densities.segments,
  });
  return fit.delay + rest.delay;
}

/** What is left of the current when the shape is taken out `delay` s late, up to 500 Hz. */
function restOf(take: Take, source: SourcePart, fit: ShapeFit, delay: number): Rest {
  const slice = sliceOf(take, source, FINE);
  const current = slice.of(take.channels.current ?? new Float32Array(0));
  const ideal = slice.time.map((t) => source.shape(t * (1 + fit.skew) - delay));
  const difference = current.map((i, n) => i - fit.gain * (ideal[n] as number));
  const rest = zeroPhase(butterworth(4, BAND, FINE), difference);
  const whole = Math.sqrt(meanSquare(ideal));
  const most = rest.reduce(
    (best, value, n) => (Math.abs(value) > Math.abs(rest[best] as number) ? n : best),
    0,
  );
  return {
    rms: Math.sqrt(meanSquare(rest)) / whole,
    peak: Math.abs(rest[most] as number) / whole,
    at: (slice.time[most] as number) + source.from,
  };
}

function meanSquare(x: Float64Array): number {
  return x.reduce((sum, value) => sum + value * value, 0) / x.length;
}

const SHOWN = 0.08; // s

/** The stretch of 80 ms in which the underlying shape moves most. */
function liveliest(
  take: Take,
  source: SourcePart,
): Pick<Following, 'time' | 'command' | 'current'> {
  const slice = sliceOf(take, source, FINE);
  const width = Math.min(slice.time.length, Math.round(SHOWN * FINE));
  let [best, most] = [0, -1];
  for (let i = 0; i + width <= slice.time.length; i += Math.max(1, Math.round(width / 4))) {
    const moved = Math.abs(
      source.shape(slice.time[i + width - 1] as number) - source.shape(slice.time[i] as number),
    );
    if (moved > most) [best, most] = [i, moved];
  }
  return stretchOf(take, source, best);
}

/** The stretch of 80 ms that begins at a sample of the fine rate. */
function stretchOf(
  take: Take,
  source: SourcePart,
  begin: number,
): Pick<Following, 'time' | 'command' | 'current'> {
  const slice = sliceOf(take, source, FINE);
  const width = Math.round(SHOWN * FINE);
  const window = (x: Float64Array): Float64Array => x.slice(begin, begin + width);
  return {
    time: window(slice.time).map((t) => t + source.from),
    command: window(slice.of(take.channels.command ?? new Float32Array(0))),
    current: window(slice.of(take.channels.current ?? new Float32Array(0))),
  };
}

/** The stretch of 80 ms around an instant, s since the start of the take. */
function stretchAround(
  take: Take,
  stage: Stage,
  at: number,
): Pick<Following, 'time' | 'command' | 'current'> | undefined {
  const source = sourcePart(stage);
  if (source === undefined) return undefined;
  const middle = Math.round((at - source.from - SETTLING) * FINE);
  return stretchOf(take, source, Math.max(0, middle - Math.round((SHOWN * FINE) / 2)));
}

function evidenceOf(
  following: Pick<Following, 'time' | 'command' | 'current'>,
  context: Context,
): Evidence {
  const { time, command, current } = following;
  const torque = current.map((i) => i * context.torqueConstant.value);
  return { kind: 'trace', time, command, torque };
}

/** What a reading of following is asked of. */
interface Asked {
  readonly capture: Capture;
  readonly stage: Stage;
  readonly context: Context;
}

function overTakes(
  { capture, stage, context }: Asked,
  read: (following: Following, take: Take) => number,
  shown: (following: Following, take: Take) => Evidence = (following) =>
    evidenceOf(following, context),
): Outcome {
  const [first, ...others] = capture.takes;
  if (others.some((take) => take.settings.smoothing !== first.settings.smoothing)) {
    return notEvaluated('The takes of the stage have different smoothing.');
  }
  const values: number[] = [];
  let evidence: Evidence | undefined;
  for (const take of capture.takes) {
    const following = readFollowing(take, stage);
    if ('kind' in following) return following;
    values.push(read(following, take));
    evidence ??= shown(following, take);
  }
  if (values.length === 1) return measured(mean(values), { evidence });
  const spread = standardDeviation(values);
  return measured(mean(values), { evidence, spread, repeats: values.length });
}

const lagUpdates: Characteristic = {
  id: 'lag-updates',
  name: 'lag against the source',
  definition:
    'Shift of highest correlation between the underlying shape, before its source held it, and motor-side torque, in update periods of the source.',
  formula: 'shift L of highest correlation of τᵢ(t) with u₀(t − L), over the period of the source',
  shifts: 'how long the source holds a value, half a period of it; a source whose updates jitter',
  dimension: 'updates',
  unit: 'updates',
  side: 'motor',
  from: ['recorded', 'staircase'],
  power: 'on',
  takes: 1,
  gates: DYNAMIC,
  options: {},
  source: 'common practice, no source',
  check: 'tests/checks/delay.check.ts',
  score: (capture, stage, _reading, context) =>
    overTakes(
      { capture, stage, context },
      ({ lag, update }) => (lag - context.stand.currentDelay) / update,
    ),
};

const trackingError: Characteristic = {
  ...lagUpdates,
  id: 'tracking-error',
  name: 'tracking error',
  definition:
    'Root mean square up to 500 Hz of motor-side torque less the underlying shape, lag and gain fitted, over the root mean square of that shape.',
  formula: 'rms(τᵢ(t) − g·u₀(t − L)) / rms(u₀), up to 500 Hz',
  shifts: 'how lively the recording is; the grain that holding leaves; noise of the current sensor',
  dimension: 'ratio',
  unit: '%',
  score: (capture, stage, _reading, context) =>
    overTakes({ capture, stage, context }, ({ rest }) => rest.rms * context.torqueConstant.value),
};

const trackingPeak: Characteristic = {
  ...trackingError,
  id: 'tracking-peak',
  name: 'greatest tracking error',
  definition:
    'Greatest magnitude up to 500 Hz of motor-side torque less the underlying shape, lag and gain fitted, over the root mean square of that shape.',
  formula: 'max |τᵢ(t) − g·u₀(t − L)| / rms(u₀), up to 500 Hz',
  shifts:
    'one lost update; the steepest place of the recording; its length, as noise reaches further in more samples',
  check: 'tests/unit/tracking.test.ts',
  score: (capture, stage, _reading, context) =>
    overTakes(
      { capture, stage, context },
      ({ rest }) => rest.peak * context.torqueConstant.value,
      (following, take) =>
        evidenceOf(stretchAround(take, stage, following.rest.at) ?? following, context),
    ),
};

const trackingUnshifted: Characteristic = {
  ...trackingError,
  id: 'tracking-error-unshifted',
  name: 'tracking error with the lag left in',
  definition:
    'Root mean square up to 500 Hz of motor-side torque less the underlying shape as its source meant it at that moment, gain fitted, over the root mean square of that shape.',
  formula: 'rms(τᵢ(t) − g·u₀(t)) / rms(u₀), up to 500 Hz',
  shifts:
    'how fast the recording moves, as the lag counts times its slope; how long the source holds a value; a delay of the current channel that is not in the stand model',
  check: 'tests/unit/tracking.test.ts',
  score: (capture, stage, _reading, context) =>
    overTakes({ capture, stage, context }, ({ fit, lag }, take) => {
      const source = sourcePart(stage);
      if (source === undefined) return Number.NaN; // a following without its source cannot be
      const now = fit.delay - (lag - context.stand.currentDelay);
      return restOf(take, source, fit, now).rms * context.torqueConstant.value;
    }),
};

/** Characteristics that compare torque with what its source meant. */
export const TRACKING: readonly Characteristic[] = [
  lagUpdates,
  trackingError,
  trackingPeak,
  trackingUnshifted,
];
