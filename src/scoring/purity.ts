import type { Capture, Take } from '../capture/capture.js';
import type { Stage } from '../procedure/procedure.js';
import { SPECTRAL } from './dependence.js';
import { mean, standardDeviation } from './line.js';
import {
  channelsOf,
  lastPart,
  measured,
  notEvaluated,
  option,
  samplesOf,
  shown,
  type NotEvaluated,
} from './reading.js';
import { CORRECTABLE, standGain } from './response.js';
import type { Characteristic, Context, Outcome } from './scoring.js';
import { fitSineAndFrequency } from './sine.js';
import { bandPower, blockMeans, lineOf, welch, windowOf } from './spectrum.js';

/** Time after a change that holds are not read in. */
export const SETTLING = { settling: { dimension: 'time', default: 0.3 } } as const;

/** Torque during the last hold of a stage, after settling, N·m, not tared. */
export function heldTorque(
  take: Take,
  stage: Stage,
  settling: number,
): { readonly torque: Float32Array; readonly level: number } | NotEvaluated {
  const channels = channelsOf(take, ['torque']);
  if ('kind' in channels) return channels;
  const part = lastPart(stage.pattern, 'hold');
  if (part === undefined) return notEvaluated('The stage holds no level.');
  const { first, end } = samplesOf(take, part.from + settling, part.to);
  return { torque: channels.torque.subarray(first, end), level: part.pattern.level };
}

const SEGMENT = 2; // s: lines half a hertz apart

/** Power density of the torque, N·m squared a hertz, over segments of 2 s. */
function densityOf(
  torque: Float32Array,
  rate: number,
): { readonly frequency: Float64Array; readonly density: Float64Array } | NotEvaluated {
  const segment = Math.round(SEGMENT * rate);
  if (torque.length < segment) {
    const found = shown(torque.length / rate);
    return notEvaluated(`The hold has ${found} s after settling; ${SEGMENT} s are needed.`);
  }
  const { frequency, xx } = welch(torque, torque, { rate, segment, overlap: segment / 2 });
  return { frequency, density: xx };
}

/** Reads every take and gives the mean and the spread. */
export function overTakes(capture: Capture, read: (take: Take) => number | NotEvaluated): Outcome {
  const values: number[] = [];
  for (const take of capture.takes) {
    const value = read(take);
    if (typeof value !== 'number') return value;
    values.push(value);
  }
  if (values.length === 1) return measured(mean(values));
  return measured(mean(values), { spread: standardDeviation(values), repeats: values.length });
}

const noise: Characteristic = {
  id: 'noise',
  name: 'noise 0.5–500 Hz',
  definition:
    'Root mean square of the torque channel from 0.5 Hz to 500 Hz, enabled and commanded to zero; the stand is left in.',
  formula: '√∫ S(f) df from 0.5 Hz to 500 Hz, S the power density of τ',
  shifts: 'the resonance of the stand, which is left in; hum; vibration of the floor',
  dimension: 'torque',
  unit: 'mN·m',
  side: 'shaft',
  from: ['hold'],
  power: 'on',
  takes: 1,
  gates: SPECTRAL,
  options: SETTLING,
  source: 'common practice, no source; density after Welch 1967 (from memory)',
  check: 'tests/checks/spectrum.check.ts',
  score: (capture, stage, reading) =>
    overTakes(capture, (take) => {
      const held = heldTorque(take, stage, option(reading.options, SETTLING, 'settling'));
      if ('kind' in held) return held;
      if (held.level !== 0) {
        return notEvaluated(`Noise is read at zero; the hold is at ${shown(held.level)} N·m.`);
      }
      const found = densityOf(held.torque, take.rate);
      if ('kind' in found) return found;
      return Math.sqrt(bandPower(found.frequency, found.density, 0.5, 500));
    }),
};

/** Frequencies of the mains that a site may have, Hz. */
export const MAINS = [50, 60] as const;
const HUM_WIDTH = 2; // Hz on either side: what a Hann segment of 2 s smears a line over, to 0.01 %

/** Says whether a frequency is that of the mains or of a harmonic. */
export function isHum(frequency: number): boolean {
  return MAINS.some((mains) => {
    const harmonic = Math.max(1, Math.round(frequency / mains));
    return Math.abs(frequency - harmonic * mains) <= HUM_WIDTH;
  });
}

export const ripple: Characteristic = {
  ...noise,
  id: 'ripple',
  name: 'ripple 1–200 Hz',
  definition:
    'Root mean square of the torque from 1 Hz to 200 Hz at constant command over its mean; the stand is divided out, lines of 50 Hz and 60 Hz mains are left out.',
  formula: '√∫ S(f) / |G(f)|² df from 1 Hz to 200 Hz / mean(τ); G: the stand',
  shifts:
    'a stand model that is off; mains lines beyond ± 2 Hz; friction of the bearing, which holds back part of a ripple smaller than itself; at one locked angle cogging is a constant and not seen',
  dimension: 'ratio',
  unit: '%',
  score: (capture, stage, reading, context) =>
    overTakes(capture, (take) => {
      const held = heldTorque(take, stage, option(reading.options, SETTLING, 'settling'));
      if ('kind' in held) return held;
      const level = mean(held.torque) - context.zero;
      if (Math.abs(level) < 0.1) return notEvaluated('Ripple needs a level of 0.1 N·m or more.');
      const found = densityOf(steady(held.torque), take.rate);
      if ('kind' in found) return found;
      const top = Math.min(200, CORRECTABLE * context.stand.resonance);
      const clean = found.density.map((value, k) =>
        isHum(found.frequency[k] as number)
          ? 0
          : value / squaredGain(found.frequency[k] as number, context),
      );
      return Math.sqrt(bandPower(found.frequency, clean, 1, top)) / Math.abs(level);
    }),
};

function squaredGain(frequency: number, context: Context): number {
  const { re, im } = standGain(frequency, context.stand);
  return re * re + im * im;
}

/** Takes the straight line out that warming up draws. */
function steady(x: Float32Array): Float32Array {
  const [n, centre] = [x.length, mean(x)];
  let [products, squares] = [0, 0];
  for (let i = 0; i < n; i++) {
    const t = i - (n - 1) / 2;
    products += t * ((x[i] as number) - centre);
    squares += t * t;
  }
  const slope = products / squares;
  return x.map((value, i) => value - centre - slope * (i - (n - 1) / 2));
}

const HARMONICS = [2, 3, 4, 5, 6, 7, 8, 9, 10];
const HIGHEST = 10;
const COARSE = 1000; // samples a second, with the effect of averaging divided out

/**
 * Total harmonic distortion of a sine: √(Σ amplitudes², k = 2 … 10) over the amplitude of the first.
 *
 * The frequency is fitted near the one asked for, then the longest stretch of whole cycles is read
 * under a Hann window, which forgives what the fit is off by.
 *
 * @param x - Samples. @param rate - Samples a second. @param frequency - Hz, as commanded.
 * @param gain - Gain at a frequency that is divided out of every amplitude.
 * @returns A share of 1, or undefined when no sine is there.
 *
 * Check: tests/checks/sine.check.ts.
 */
export function distortionOf(
  x: Float64Array,
  rate: number,
  frequency: number,
  gain: (frequency: number) => number,
): number | undefined {
  const fitted = fitSineAndFrequency(x, rate, frequency);
  if (fitted === undefined || fitted.amplitude === 0) return undefined;
  const cycles = Math.floor((x.length * fitted.frequency) / rate);
  const length = Math.round((cycles * rate) / fitted.frequency);
  const window = windowOf('hann', length);
  const whole = x.subarray(0, length).map((value) => value - fitted.offset);
  const amplitude = (k: number): number => {
    const f = k * fitted.frequency;
    const { re, im } = lineOf(whole, window, f / rate);
    return Math.hypot(re, im) / gain(f);
  };
  return Math.hypot(...HARMONICS.map(amplitude)) / amplitude(1);
}

const distortion: Characteristic = {
  ...noise,
  id: 'distortion',
  name: 'harmonic distortion',
  definition:
    'Root of the summed squares of the amplitudes at 2 to 10 times the frequency over that at the frequency, whole cycles, shaft torque with the stand divided out.',
  formula: '√(A₂² + … + A₁₀²) / A₁',
  shifts: 'a stand model that is off; friction, whose harmonics grow as the amplitude falls',
  dimension: 'ratio',
  unit: '%',
  from: ['sine'],
  source: 'common practice, no source; sine fits after IEEE Std 1057 (from memory)',
  check: 'tests/checks/sine.check.ts',
  score: (capture, stage, reading, context) =>
    overTakes(capture, (take) => {
      const channels = channelsOf(take, ['torque']);
      if ('kind' in channels) return channels;
      const part = lastPart(stage.pattern, 'sine');
      if (part === undefined) return notEvaluated('The stage plays no sine.');
      const { frequency } = part.pattern;
      if (HIGHEST * frequency > CORRECTABLE * context.stand.resonance) {
        return notEvaluated(`The 10th harmonic of ${shown(frequency)} Hz is too near the stand.`);
      }
      const settling = option(reading.options, SETTLING, 'settling');
      const { first, end } = samplesOf(take, part.from + settling, part.to);
      const block = Math.max(1, Math.round(take.rate / Math.max(COARSE, 100 * frequency)));
      const count = Math.floor((end - first) / block);
      if (count * block < (3 * take.rate) / frequency) {
        return notEvaluated('Fewer than 3 cycles were captured after settling.');
      }
      const means = blockMeans(channels.torque, first, count, block);
      const gain = (f: number): number =>
        Math.sqrt(squaredGain(f, context)) * averagingGain(f, block, take.rate);
      return (
        distortionOf(means, take.rate / block, frequency, gain) ??
        notEvaluated(`No sine of ${shown(frequency)} Hz was found in the torque.`)
      );
    }),
};

/** Gain of a mean over `block` samples at a frequency. */
export function averagingGain(frequency: number, block: number, rate: number): number {
  const half = (Math.PI * frequency) / rate;
  return block === 1 ? 1 : Math.sin(half * block) / (block * Math.sin(half));
}

/** Characteristics that are read off what should not be there. */
export const PURITY: readonly Characteristic[] = [noise, ripple, distortion];
