import { multisineOf } from '../pattern/multisine.js';
import type { Capture, Take } from '../capture/capture.js';
import type { MultisinePattern, Stage } from '../procedure/procedure.js';
import type { StandModel } from '../procedure/station.js';
import { DYNAMIC } from './dependence.js';
import { firstDescent, smoothCurve, type Curve } from './curve.js';
import { angleOfDelay, unwrap } from './delay.js';
import { mean, standardDeviation } from './line.js';
import {
  channelsOf,
  lastPart,
  measured,
  notEvaluated,
  option,
  shown,
  type NotEvaluated,
} from './reading.js';
import type { Characteristic, Context, Evidence, Outcome } from './scoring.js';
import { slipOf } from './slip.js';
import type { Spectrum } from '../base/fourier.js';
import { linesByPeriod, type Repeats } from './spectrum.js';

/** A complex number. */
export interface Complex {
  readonly re: number;
  readonly im: number;
}

/** A frequency response at the lines of a multisine. */
export interface Response {
  /** Hz, rising. */
  readonly frequency: Float64Array;
  /** Output over input. */
  readonly ratio: Spectrum;
  /** γ², 0 … 1. */
  readonly coherence: Float64Array;
  /** Periods averaged. */
  readonly averages: number;
}

/**
 * Averages the lines of several periods: H1 = Σ Y·conj(X) / Σ |X|², and the coherence.
 *
 * One period alone always gives a coherence of 1.
 *
 * @param x - Input lines, one spectrum a period. @param y - Output lines, as many.
 *
 * Source: Bendat & Piersol, Random Data (from memory). Check: tests/checks/spectrum.check.ts.
 */
export function averageResponse(
  frequency: Float64Array,
  x: readonly Spectrum[],
  y: readonly Spectrum[],
): Response {
  const n = frequency.length;
  const ratio = { re: new Float64Array(n), im: new Float64Array(n) };
  const coherence = new Float64Array(n);
  for (let k = 0; k < n; k++) {
    let [xx, yy, re, im] = [0, 0, 0, 0];
    x.forEach((input, p) => {
      const [xr, xi] = [input.re[k] as number, input.im[k] as number];
      const [yr, yi] = [y[p]?.re[k] as number, y[p]?.im[k] as number];
      xx += xr * xr + xi * xi;
      yy += yr * yr + yi * yi;
      re += xr * yr + xi * yi;
      im += xr * yi - xi * yr;
    });
    ratio.re[k] = re / xx;
    ratio.im[k] = im / xx;
    coherence[k] = xx * yy > 0 ? (re * re + im * im) / (xx * yy) : 0;
  }
  return { frequency, ratio, coherence, averages: x.length };
}

/**
 * Random error of the magnitude of H1, relative, one standard deviation.
 *
 * Source: Bendat & Piersol, Random Data: √(1 − γ²) / (|γ| √(2 n)) (from memory).
 * Check: tests/checks/spectrum.check.ts.
 */
export function randomError(coherence: number, averages: number): number {
  return Math.sqrt((1 - coherence) / (2 * averages * coherence));
}

/**
 * Gain of the stand from the torque at the motor to the torque at the transducer, without delay:
 * 1 / (1 − (f/fn)² + 2jζ·f/fn).
 *
 * Check: tests/checks/spectrum.check.ts.
 */
export function standGain(
  frequency: number,
  stand: Pick<StandModel, 'resonance' | 'damping'>,
): Complex {
  const r = frequency / stand.resonance;
  const [re, im] = [1 - r * r, 2 * stand.damping * r];
  const size = re * re + im * im;
  return { re: re / size, im: -im / size };
}

/** What the stand model can be divided out of: above, its error outgrows what is measured. */
export const CORRECTABLE = 0.6; // of the resonance

function multiply(a: Complex, b: Complex): Complex {
  return { re: a.re * b.re - a.im * b.im, im: a.re * b.im + a.im * b.re };
}

function divide(a: Complex, b: Complex): Complex {
  const size = b.re * b.re + b.im * b.im;
  return { re: (a.re * b.re + a.im * b.im) / size, im: (a.im * b.re - a.re * b.im) / size };
}

/** Turns back the angle that a delay adds. */
function undoDelay(frequency: number, delay: number): Complex {
  const angle = (angleOfDelay(frequency, delay) * Math.PI) / 180;
  return { re: Math.cos(angle), im: -Math.sin(angle) };
}

function mapRatio(response: Response, change: (ratio: Complex, f: number) => Complex): Response {
  const re = new Float64Array(response.frequency.length);
  const im = new Float64Array(response.frequency.length);
  response.frequency.forEach((f, k) => {
    const { ratio } = response;
    const changed = change({ re: ratio.re[k] as number, im: ratio.im[k] as number }, f);
    re[k] = changed.re;
    im[k] = changed.im;
  });
  return { ...response, ratio: { re, im } };
}

/** Lines of the periods that count, in the units of the channels. */
interface Lines {
  readonly frequency: Float64Array;
  readonly command: readonly Spectrum[];
  readonly current: readonly Spectrum[];
  readonly torque: readonly Spectrum[];
  /** Friction of 1 N·m, one period. */
  readonly slip: Spectrum;
}

/** Several scores and gates read the same lines; computing them is most of the work. */
const known = new WeakMap<Take, Map<string, Lines>>();

function linesOf(take: Take, stage: Stage, conditioning: number): Lines | NotEvaluated {
  const part = lastPart(stage.pattern, 'multisine');
  if (part === undefined) return notEvaluated('The stage plays no multisine.');
  const channels = channelsOf(take, ['command', 'current', 'torque']);
  if ('kind' in channels) return channels;
  const { pattern } = part;
  const period = Math.round(pattern.period * take.rate);
  if (Math.abs(period - pattern.period * take.rate) > 1e-6) {
    return notEvaluated('A period of the multisine is not a whole number of samples.');
  }
  const start = Math.round(part.from * take.rate) + conditioning * period;
  const held = Math.floor((channels.command.length - start) / period);
  const periods = Math.min(pattern.periods - conditioning, held);
  if (periods < 2) {
    const found = `${Math.max(0, periods)} periods after ${conditioning} for conditioning`;
    return notEvaluated(`A frequency response needs 2 periods or more; there are ${found}.`);
  }
  return remembered(take, pattern, `${start}/${period}/${periods}`, () => {
    const { lines } = multisineOf(pattern);
    const bins = lines.map((line) => line.bin);
    const read = (x: Float32Array): readonly Spectrum[] =>
      linesByPeriod(x, { start, period, periods }, bins);
    return {
      frequency: Float64Array.from(lines, (line) => line.frequency),
      command: read(channels.command),
      current: read(channels.current),
      torque: read(channels.torque),
      slip: slipLines(channels.torque, { start, period, periods }, bins),
    };
  });
}

function slipLines(torque: Float32Array, repeats: Repeats, bins: readonly number[]): Spectrum {
  const once = { start: 0, period: repeats.period, periods: 1 };
  const [lines] = linesByPeriod(slipOf(torque, repeats), once, bins);
  if (lines === undefined) throw new Error('a period without lines');
  return lines;
}

function remembered(
  take: Take,
  pattern: MultisinePattern,
  key: string,
  make: () => Lines,
): Lines | NotEvaluated {
  if (multisineOf(pattern).lines.length < 5) {
    return notEvaluated('The multisine has fewer than 5 lines.');
  }
  const ofTake = known.get(take) ?? new Map<string, Lines>();
  known.set(take, ofTake);
  const lines = ofTake.get(key) ?? make();
  ofTake.set(key, lines);
  return lines;
}

/** Frequency responses that a multisine stage yields, all against the command as latched. */
export interface Responses {
  /** Motor-side torque over command; delay of the current channel taken out. */
  readonly motor: Response;
  /** Torque at the transducer over command; delay of its channel taken out, the stand left in. */
  readonly transducer: Response;
  /** Friction of a bearing of 1 N·m over command, as motion of the shaft would have it. */
  readonly slip: Response;
  /** As `transducer` with the stand divided out, up to 0.6 of its resonance; above, as measured. */
  readonly shaft: Response;
}

/**
 * Measures the frequency responses of one take.
 *
 * @param conditioning - Periods at the start that are not used.
 */
export function measureResponses(
  take: Take,
  stage: Stage,
  conditioning: number,
  context: Context,
): Responses | NotEvaluated {
  const lines = linesOf(take, stage, conditioning);
  if ('kind' in lines) return lines;
  const { stand } = context;
  const ampere = { re: context.torqueConstant.value, im: 0 };
  const motor = mapRatio(
    averageResponse(lines.frequency, lines.command, lines.current),
    (ratio, f) => multiply(multiply(ratio, ampere), undoDelay(f, stand.currentDelay)),
  );
  const transducer = mapRatio(
    averageResponse(lines.frequency, lines.command, lines.torque),
    (ratio, f) => multiply(ratio, undoDelay(f, stand.torqueDelay)),
  );
  const shaft = mapRatio(transducer, (ratio, f) =>
    f <= CORRECTABLE * stand.resonance ? divide(ratio, standGain(f, stand)) : ratio,
  );
  const slip = mapRatio(
    averageResponse(
      lines.frequency,
      lines.command,
      lines.command.map(() => lines.slip),
    ),
    (ratio, f) => multiply(ratio, undoDelay(f, stand.torqueDelay)),
  );
  return { motor, transducer, slip, shaft };
}

/** Adds `share` of one response to another at the same lines. */
export function addResponse(to: Response, added: Response, share: number): Response {
  const re = to.ratio.re.map((v, k) => v + share * (added.ratio.re[k] as number));
  const im = to.ratio.im.map((v, k) => v + share * (added.ratio.im[k] as number));
  return { ...to, ratio: { re, im } };
}

const LOW = 5; // Hz
const FEWEST_LOW = 3;

/** A response as gain and angle, as people read it. */
export interface Shape {
  /** Gain relative to the low-frequency mean, dB. */
  readonly gain: Curve;
  /** Unwrapped, °. */
  readonly angle: Curve;
}

/** Turns a response into gain and angle; the low-frequency mean is over lines up to 5 Hz, 3 at least. */
export function shapeOf(response: Response): Shape {
  const { frequency, ratio } = response;
  const size = ratio.re.map((re, k) => Math.hypot(re, ratio.im[k] as number));
  const low = Math.max(FEWEST_LOW, frequency.filter((f) => f <= LOW).length);
  const reference = mean(size, 0, Math.min(low, size.length));
  const angles = unwrap(ratio.re.map((re, k) => Math.atan2(ratio.im[k] as number, re)));
  return {
    gain: { frequency, value: size.map((s) => 20 * Math.log10(s / reference)) },
    angle: { frequency, value: angles.map((a) => (a * 180) / Math.PI) },
  };
}

/** Frequency at which the gain is 3 dB below the low-frequency mean, Hz, or undefined. */
export function bandwidthOf(response: Response): number | undefined {
  return firstDescent(smoothCurve(shapeOf(response).gain), -3);
}

/** What a plot of a response needs. */
export function evidenceOf(response: Response): Evidence {
  const { gain, angle } = shapeOf(response);
  return {
    kind: 'response',
    frequency: response.frequency,
    gain: gain.value,
    angle: angle.value,
    coherence: response.coherence,
  };
}

const COHERENT = 0.95;

/** Reason against a reading at a frequency around which the output does not follow the input. */
export function doubtAt(frequency: number, response: Response): NotEvaluated | undefined {
  const near = response.coherence.filter(
    (_, k) => Math.abs((response.frequency[k] as number) / frequency - 1) <= 0.15,
  );
  const found = mean(near);
  if (!(near.length > 0 && found < COHERENT)) return undefined;
  return notEvaluated(
    `The coherence around ${shown(frequency)} Hz is ${shown(found)}; ${COHERENT} is needed.`,
  );
}

/** What a reading of responses is asked of. */
export interface Asked {
  readonly capture: Capture;
  readonly stage: Stage;
  /** Periods at the start that are not used. */
  readonly conditioning: number;
  readonly context: Context;
}

/**
 * Reads every take, which must all have one setting, and gives the mean and the spread.
 *
 * @param of - Chooses the response that is read and shown; torque from the current if left out.
 */
export function overTakes(
  { capture, stage, conditioning, context }: Asked,
  read: (response: Response) => NotEvaluated | number,
  of: (responses: Responses) => Response = ({ motor }) => motor,
): Outcome {
  const [first, ...others] = capture.takes;
  if (others.some((take) => take.settings.smoothing !== first.settings.smoothing)) {
    return notEvaluated('The takes of the stage have different smoothing.');
  }
  const values: number[] = [];
  let evidence: Evidence | undefined;
  for (const take of capture.takes) {
    const responses = measureResponses(take, stage, conditioning, context);
    if ('kind' in responses) return responses;
    const response = of(responses);
    const value = read(response);
    if (typeof value !== 'number') return value;
    values.push(value);
    evidence ??= evidenceOf(response);
  }
  if (values.length === 1) return measured(mean(values), { evidence });
  const spread = standardDeviation(values);
  return measured(mean(values), { evidence, spread, repeats: values.length });
}

/** Periods left out at the start, as every reading of a response declares them. */
export const CONDITIONING = { conditioning: { dimension: 'count', default: 2 } } as const;

/** What all readings of a response of torque from the current have in common. */
export const FROM_MULTISINE = {
  side: 'motor',
  from: ['multisine'],
  power: 'on',
  takes: 1,
  gates: DYNAMIC,
  source: 'common practice, no source; H1 after Bendat & Piersol, Random Data (from memory)',
  check: 'tests/checks/spectrum.check.ts',
} as const;

const bandwidth: Characteristic = {
  ...FROM_MULTISINE,
  id: 'bandwidth',
  name: 'bandwidth −3 dB',
  definition:
    'First frequency at which the gain from latched command to motor-side torque is 3 dB below its mean up to 5 Hz.',
  formula: 'first f with 20·log₁₀(|H(f)| / |H(up to 5 Hz)|) = −3 dB',
  shifts:
    'smoothing setting; amplitude, once the slew limit acts; the rate of updates, as each is held',
  dimension: 'frequency',
  unit: 'Hz',
  options: CONDITIONING,
  score: (capture, stage, reading, context) => {
    const conditioning = option(reading.options, CONDITIONING, 'conditioning');
    return overTakes({ capture, stage, conditioning, context }, readBandwidth);
  },
};

/** The bandwidth of a response, or why it has none that is worth telling. */
export function readBandwidth(response: Response): NotEvaluated | number {
  const found = bandwidthOf(response);
  return found === undefined
    ? notEvaluated(`The gain does not fall by 3 dB up to ${topOf(response)} Hz.`)
    : (doubtAt(found, response) ?? found);
}

const phaseBandwidth: Characteristic = {
  ...FROM_MULTISINE,
  id: 'phase-bandwidth',
  name: 'bandwidth −90°',
  definition:
    'First frequency at which the unwrapped phase from latched command to motor-side torque is −90°.',
  formula: 'first f with arg H(f) = −90°, unwrapped',
  shifts:
    'a delay of the current channel that is not in the stand model; updates that come late; smoothing setting',
  dimension: 'frequency',
  unit: 'Hz',
  options: CONDITIONING,
  score: (capture, stage, reading, context) => {
    const conditioning = option(reading.options, CONDITIONING, 'conditioning');
    return overTakes({ capture, stage, conditioning, context }, (response) => {
      const found = firstDescent(smoothCurve(shapeOf(response).angle), -90);
      return found === undefined
        ? notEvaluated(`The phase does not reach −90° up to ${topOf(response)} Hz.`)
        : (doubtAt(found, response) ?? found);
    });
  },
};

/** The band in which gain peaking is sought. */
export const PEAKING = {
  ...CONDITIONING,
  from: { dimension: 'frequency', default: 5 },
  to: { dimension: 'frequency', default: 150 },
} as const;

const gainPeaking: Characteristic = {
  ...FROM_MULTISINE,
  id: 'gain-peaking',
  name: 'gain peaking',
  definition:
    'Greatest gain from latched command to motor-side torque in the band, relative to its mean up to 5 Hz.',
  formula: 'max 20·log₁₀(|H(f)| / |H(up to 5 Hz)|) over the band',
  shifts: 'noise of few averages, always upwards; the upper end of the band',
  dimension: 'level',
  unit: 'dB',
  options: PEAKING,
  score: (capture, stage, reading, context) => {
    const conditioning = option(reading.options, PEAKING, 'conditioning');
    const from = option(reading.options, PEAKING, 'from');
    const to = option(reading.options, PEAKING, 'to');
    return overTakes({ capture, stage, conditioning, context }, (response) =>
      readPeaking(response, from, to),
    );
  },
};

/** The greatest gain in a band, dB, or why there is none. */
export function readPeaking(response: Response, from: number, to: number): NotEvaluated | number {
  const { frequency, value } = smoothCurve(shapeOf(response).gain);
  const inside = value.filter((_, k) => {
    const f = frequency[k] as number;
    return f >= from && f <= to;
  });
  return inside.length === 0
    ? notEvaluated(`No line lies between ${shown(from)} Hz and ${shown(to)} Hz.`)
    : Math.max(...inside);
}

function topOf(response: Response): string {
  return shown(response.frequency.at(-1) ?? 0);
}

/** Characteristics that are read off a frequency response. */
export const RESPONSE: readonly Characteristic[] = [bandwidth, phaseBandwidth, gainPeaking];
