/**
 * Least standard deviation with which any unbiased reading could tell a value from the samples of one
 * run: Cramér–Rao bounds.
 *
 * Source: Kay, Fundamentals of Statistical Signal Processing: Estimation Theory (1993), 3.5 for white
 * noise, 3.11 for a delay, 3.9 for Gaussian noise of known covariance (from memory).
 *
 * Noise, as a score sees it:
 * - The converter of the stand adds white noise to each sample: 20 mA to the current, 2 mN·m to the
 *   torque; its steps of 0.9 mA and 0.6 mN·m add a twelfth of their square.
 * - The current loop follows the noise of its own sensor, 20 mA in every period of 50 µs, so the true
 *   current and torque move. Below the corner of the loop (800 Hz) that noise has the density of the
 *   sensor's; above, it falls. It is one pole's answer to white noise: an AR(1) process.
 * - The bearing holds a little more or less each time, as it comes to rest under that shaking. It is
 *   no white noise of a channel but it limits what can be known from the shaft of one run; how much
 *   it scatters is reckoned apart from the plant, by tests/support/reference-shaft.ts.
 */
import { drawParameters } from '../../src/bench/truth.js';
import type { ItemParameters, StandParameters } from '../../src/bench/spread.js';
import { durationOf, underlyingShape } from '../../src/pattern/shapes.js';
import { leastSquares } from '../../src/scoring/line.js';
import { idealGain, type IdealItem, idealStep } from '../support/reference.js';
import { shareAtRest } from '../support/reference-shaft.js';
import type { RunDocuments } from '../support/simulated-run.js';
import { loopTime, noiseGain, noiseOf, RATE, shaftOf } from './ideal-chain.js';
import { bearingScatter } from './truth-rows.js';

/** A bound from the noise of the channels alone, and with the chance of the bearing; base unit. */
export interface Bound {
  readonly channels: number;
  readonly withBearing?: number;
}

const CODES = 2 ** 15;

/** Variance of one sample of the current at low frequency: converter, its steps, and the loop's sensor; A². */
function currentNoise(item: ItemParameters, stand: StandParameters): number {
  const step = stand.currentRange / CODES;
  return stand.currentNoise ** 2 + step ** 2 / 12 + (item.currentNoise * noiseGain(item, 1)) ** 2;
}

/** Variance that the channels themselves add to one sample, A² and (N·m)². */
function converterNoise(stand: StandParameters): {
  readonly current: number;
  readonly torque: number;
} {
  return {
    current: stand.currentNoise ** 2 + (stand.currentRange / CODES) ** 2 / 12,
    torque: stand.torqueNoise ** 2 + (stand.torqueRange / CODES) ** 2 / 12,
  };
}

/** Bounds for one item, by row of the limits. */
export function boundsFor(documents: RunDocuments, serial: string): ReadonlyMap<string, Bound> {
  const { station } = documents;
  const { item, stand } = drawParameters({ station, serial, attempt: 1, faults: [] });
  return new Map<string, Bound>([
    ['smoothing.lag', { channels: lagBound(documents, item, stand) }],
    ['field.lag-updates', { channels: followingBound(documents, item, stand) }],
    ['steps-0.dead-time', { channels: deadTimeBound(documents, item, stand) }],
    ...slopeBounds(documents, serial, item, stand),
  ]);
}

function patternAt(
  documents: RunDocuments,
  id: string,
): RunDocuments['procedure']['stages'][number]['pattern'] {
  const stage = documents.procedure.stages.find((candidate) => candidate.id === id);
  if (stage === undefined) throw new Error(`the procedure has no stage "${id}"`);
  return stage.pattern;
}

/**
 * Lag of a sine of known frequency and unknown amplitude, angle and offset in n samples of white noise:
 * var(angle) = 2σ²/(n·A²), and the lag is the angle over 2πf. The lag is defined at the frequency of
 * the shape, so what the stairs of its source would tell of a known filter does not count.
 */
function lagBound(documents: RunDocuments, item: ItemParameters, stand: StandParameters): number {
  const pattern = patternAt(documents, 'smoothing');
  if (pattern.kind !== 'staircase' || pattern.of.kind !== 'sine') throw new Error('no held sine');
  const { amplitude, frequency, duration } = pattern.of;
  const periods = Math.floor((duration - 0.15) * frequency); // whole ones after the start has settled
  const samples = (periods / frequency) * RATE;
  const size = idealGain({ ...idealOf(item), smoothing: item.smoothing[2] ?? NaN }, frequency).size;
  const ampere = (amplitude * size) / item.assumedConstant;
  const angle = Math.sqrt((2 * currentNoise(item, stand)) / (samples * ampere * ampere));
  return angle / (2 * Math.PI * frequency);
}

function idealOf(item: ItemParameters): IdealItem {
  return { deadTime: item.deadTime, smoothing: 0, slew: item.slew, loop: loopTime(item) };
}

/** Delay of a known shape: σ/√Σ s′², over the samples that are read, in updates of the source. */
function followingBound(
  documents: RunDocuments,
  item: ItemParameters,
  stand: StandParameters,
): number {
  const pattern = patternAt(documents, 'field');
  if (pattern.kind !== 'recorded') throw new Error('no recording');
  const shape = underlyingShape(pattern);
  const [from, to] = [0.2, durationOf(pattern) - 0.2];
  const step = 1 / 1000; // s: the shape is straight over it
  let energy = 0;
  for (let t = from; t < to; t += step) {
    const slope = (shape(t + step) - shape(t)) / step / item.assumedConstant;
    energy += slope * slope * step * RATE;
  }
  return Math.sqrt(currentNoise(item, stand) / energy) * pattern.rate;
}

/** Rises of the averaged edge that depend on dead time, slew and loop, all three unknown. */
const SHOWN = 0.005; // s after the edge

/**
 * Dead time of an edge whose slew limit and loop are unknown too, from the mean of all edges, in noise
 * of known covariance: converter white, sensor of the loop as AR(1). The inverse of the information
 * matrix is that of a least-squares fit after both sides are whitened.
 */
function deadTimeBound(
  documents: RunDocuments,
  item: ItemParameters,
  stand: StandParameters,
): number {
  const pattern = patternAt(documents, 'steps-0');
  if (pattern.kind !== 'step') throw new Error('no steps');
  const size = Math.abs(Number(pattern.levels[1]) - Number(pattern.levels[0]));
  const count = pattern.levels.length * pattern.repeat - 1;
  const base = idealOf(item);
  const course = (changed: Partial<IdealItem>): Float64Array =>
    perSample(idealStep({ ...base, ...changed }, size, SHOWN), size / item.assumedConstant);
  const by = (key: 'deadTime' | 'slew' | 'loop', change: number): Float64Array => {
    const [up, down] = [
      course({ [key]: base[key] + change }),
      course({ [key]: base[key] - change }),
    ];
    return up.map((v, i) => (v - (down[i] as number)) / (2 * change));
  };
  const columns = [
    by('deadTime', 5e-6),
    by('slew', 0.01 * base.slew),
    by('loop', 0.01 * base.loop),
  ];
  const whiten = whitener(columns[0]?.length ?? 0, item, stand);
  const fit = leastSquares(
    columns.map(whiten),
    Float64Array.from({ length: columns[0]?.length ?? 0 }, (_, i) => (i % 2 === 0 ? 1 : -1)),
  );
  if (fit === undefined) throw new Error('dead time, slew and loop cannot be told apart');
  return (fit.deviations[0] as number) / fit.residualDeviation / Math.sqrt(count);
}

/** Means over 50 µs of a course in steps of 1 µs. */
function perSample(course: Float64Array, scale: number): Float64Array {
  const steps = 1e6 / RATE;
  return Float64Array.from({ length: Math.floor(course.length / steps) }, (_, i) => {
    let sum = 0;
    for (let k = 0; k < steps; k++) sum += course[i * steps + k] as number;
    return (scale * sum) / steps;
  });
}

/** Solves L·z = x for the Cholesky factor L of the covariance of the samples: z has white noise of 1. */
function whitener(
  n: number,
  item: ItemParameters,
  stand: StandParameters,
): (x: Float64Array) => Float64Array {
  const { memory, fresh } = noiseOf(item);
  const loop = (item.currentNoise * fresh) ** 2 / (1 - memory * memory);
  const converter = converterNoise(stand).current;
  const covariance = (i: number, j: number): number =>
    loop * memory ** Math.abs(i - j) + (i === j ? converter : 0);
  const factor: Float64Array[] = [];
  for (let i = 0; i < n; i++) {
    const row = new Float64Array(n);
    for (let j = 0; j <= i; j++) {
      let sum = covariance(i, j);
      for (let k = 0; k < j; k++)
        sum -= (row[k] as number) * ((j === i ? row : (factor[j] as Float64Array))[k] as number);
      row[j] = i === j ? Math.sqrt(sum) : sum / ((factor[j] as Float64Array)[j] as number);
    }
    factor.push(row);
  }
  return (x) => {
    const z = new Float64Array(n);
    factor.forEach((row, i) => {
      let sum = x[i] as number;
      for (let k = 0; k < i; k++) sum -= (row[k] as number) * (z[k] as number);
      z[i] = sum / (row[i] as number);
    });
    return z;
  };
}

const HOLD_SAMPLES = 0.35 * RATE;

/**
 * Slope of a line with unknown offset through the means of the holds, each with the noise of its mean:
 * 1/√Σ (x − x̄)²/σ², x̄ weighted alike.
 *
 * Against the command, both the converter and the true torque's noise count. Against the current, the
 * true current's noise is in both channels and drops out but for what the bearing keeps from the
 * shaft; the noise of the current channel counts, times the torque constant.
 */
function slopeBounds(
  documents: RunDocuments,
  serial: string,
  item: ItemParameters,
  stand: StandParameters,
): readonly (readonly [string, Bound])[] {
  const pattern = patternAt(documents, 'static');
  if (pattern.kind !== 'step') throw new Error('no holds');
  const levels = pattern.levels.slice(3).map(Number);
  const scatter = bearingScatter(documents, serial, 24);
  const noise = converterNoise(stand);
  const sensor = item.torqueConstant * item.currentNoise * noiseGain(item, 1);
  const rest = shareAtRest(shaftOf(item, stand));
  const gain = (noise.torque + (sensor * rest) ** 2) / HOLD_SAMPLES;
  const constant =
    (noise.torque + item.torqueConstant ** 2 * noise.current + (sensor * (1 - rest)) ** 2) /
    HOLD_SAMPLES;
  const inside = levels.map((u) => Math.abs(u) > 0.5 && Math.abs(u) < 3.7);
  const bound = (x: readonly number[], white: number, use: readonly boolean[]): Bound => {
    const of = (bearing: boolean): number =>
      leastSlope(
        x.filter((_, i) => use[i] === true),
        scatter.map((s) => white + (bearing ? s * s : 0)).filter((_, i) => use[i] === true),
      );
    return { channels: of(false), withBearing: of(true) };
  };
  const all = levels.map(() => true);
  const currents = levels.map((u) => u / item.assumedConstant);
  return [
    ['static.static-gain', bound(levels, gain, all)],
    ['static.torque-constant', bound(currents, constant, inside)],
  ];
}

function leastSlope(x: readonly number[], variances: readonly number[]): number {
  const weights = variances.map((v) => 1 / v);
  const whole = weights.reduce((a, b) => a + b, 0);
  const centre = x.reduce((sum, v, i) => sum + v * (weights[i] as number), 0) / whole;
  return (
    1 / Math.sqrt(x.reduce((sum, v, i) => sum + (v - centre) ** 2 * (weights[i] as number), 0))
  );
}
