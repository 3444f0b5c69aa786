import type { Take } from '../capture/capture.js';
import type { Reading, Stage } from '../procedure/procedure.js';
import { butterworth, zeroPhase } from './filter.js';
import { mean, range } from './line.js';
import { averagingGain, heldTorque, isHum, overTakes, ripple, SETTLING } from './purity.js';
import { measured, notEvaluated, option, shown, type NotEvaluated } from './reading.js';
import { CORRECTABLE, standGain } from './response.js';
import type { Characteristic, Context, Evidence } from './scoring.js';
import { blockMeans, lineOf, windowOf } from './spectrum.js';

const COARSE = 4000; // samples a second: 20 times the highest ripple
const LONGEST = 2; // s: whole cycles of the mains, and lines half a hertz apart
const HIGHEST = 200; // Hz
const LEAST = 0.1; // N·m: below, a share of the level says nothing

/** Torque of a hold, its straight line taken out, at a lower rate. */
interface Held {
  /** N·m, 2 s. */
  readonly torque: Float64Array;
  readonly rate: number;
  /** Samples averaged into each value, and samples a second before. */
  readonly block: number;
  readonly fine: number;
  /** Mean torque less the unloaded zero, N·m. */
  readonly level: number;
}

function heldOf(take: Take, stage: Stage, reading: Reading, context: Context): Held | NotEvaluated {
  const held = heldTorque(take, stage, option(reading.options, SETTLING, 'settling'));
  if ('kind' in held) return held;
  const level = mean(held.torque) - context.zero;
  if (!(Math.abs(level) >= LEAST)) {
    return notEvaluated(`Ripple needs a level of ${LEAST} N·m or more.`);
  }
  const block = Math.max(1, Math.round(take.rate / COARSE));
  const rate = take.rate / block;
  const count = Math.round(LONGEST * rate);
  if (held.torque.length < count * block) {
    const found = shown(held.torque.length / take.rate);
    return notEvaluated(`The hold has ${found} s after settling; ${LONGEST} s are needed.`);
  }
  const torque = withoutLine(blockMeans(held.torque, 0, count, block));
  return { torque, rate, block, fine: take.rate, level };
}

function withoutLine(x: Float64Array): Float64Array {
  const [n, centre] = [x.length, mean(x)];
  let [products, squares] = [0, 0];
  x.forEach((value, i) => {
    const t = i - (n - 1) / 2;
    products += t * (value - centre);
    squares += t * t;
  });
  return x.map((value, i) => value - centre - (products / squares) * (i - (n - 1) / 2));
}

const HUM = [50, 60, 100, 120, 150, 180, 200]; // Hz: mains of both kinds and their harmonics

/** Takes the lines of the mains out; over 2 s all of them run in whole cycles. */
function withoutHum(x: Float64Array, rate: number): Float64Array {
  const window = windowOf('boxcar', x.length);
  const out = Float64Array.from(x);
  for (const frequency of HUM) {
    const { re, im } = lineOf(x, window, frequency / rate);
    const turn = (2 * Math.PI * frequency) / rate;
    for (let i = 0; i < out.length; i++) {
      out[i] = (out[i] as number) - re * Math.cos(turn * i) + im * Math.sin(turn * i);
    }
  }
  return out;
}

/**
 * Turns torque at the transducer back into torque at the motor: x + 2ζ/ωₙ·x′ + x″/ωₙ², by
 * differences of neighbours. Right to 1 % of what it adds where there are 20 samples in a cycle.
 *
 * @param x - Low-passed well below the resonance. The two ends are left out.
 *
 * Source: equation of motion of the locked shaft. Check: tests/unit/ripple.test.ts.
 */
export function withoutStand(
  x: Float64Array,
  rate: number,
  stand: { readonly resonance: number; readonly damping: number },
): Float64Array {
  const w = 2 * Math.PI * stand.resonance;
  return Float64Array.from({ length: Math.max(0, x.length - 2) }, (_, i) => {
    const [before, here, after] = [x[i] as number, x[i + 1] as number, x[i + 2] as number];
    const slope = ((after - before) / 2) * rate;
    const bend = (after - 2 * here + before) * rate * rate;
    return here + ((2 * stand.damping) / w) * slope + bend / (w * w);
  });
}

const ORDER = 8; // steep enough to leave the second line of an item, at 144 Hz, its height
const EDGE = 0.05; // s left out at either end, where a filter knows one side only

/** Highest frequency that is read, Hz. */
function topOf(context: Context): number {
  return Math.min(HIGHEST, CORRECTABLE * context.stand.resonance);
}

const ripplePeak: Characteristic = {
  ...ripple,
  id: 'ripple-peak',
  name: 'ripple, peak to peak',
  definition:
    'Greatest less least torque within 2 s at constant command over its mean, below 200 Hz, a straight line, the stand and the lines of 50 Hz and 60 Hz mains taken out.',
  formula: '(max − min)(τ + 2ζ/ωₙ·τ′ + τ″/ωₙ², low-passed at 200 Hz) / mean(τ)',
  shifts:
    'noise, of which 2 s reach four standard deviations to either side; a stand model that is off; friction of the bearing, which holds back part of a ripple smaller than itself; at one locked angle cogging is a constant and not seen',
  check: 'tests/unit/ripple.test.ts',
  score: (capture, stage, reading, context) =>
    overTakes(capture, (take) => {
      const held = heldOf(take, stage, reading, context);
      if ('kind' in held) return held;
      const calm = withoutHum(held.torque, held.rate);
      const low = zeroPhase(butterworth(ORDER, topOf(context), held.rate), calm);
      const motor = withoutStand(low, held.rate, context.stand);
      const cut = Math.round(EDGE * held.rate);
      return range(motor.subarray(cut, motor.length - cut)) / Math.abs(held.level);
    }),
};

/** Amplitude of every half hertz from 1 Hz on, N·m, the stand divided out; 0 at lines of the mains. */
function linesOf(
  held: Held,
  context: Context,
): { readonly frequency: Float64Array; readonly amplitude: Float64Array } {
  const window = windowOf('flattop', held.torque.length);
  const count = Math.floor((topOf(context) - 1) * LONGEST) + 1;
  const frequency = Float64Array.from({ length: count }, (_, k) => 1 + k / LONGEST);
  const amplitude = frequency.map((f) => {
    if (isHum(f)) return 0;
    const { re, im } = lineOf(held.torque, window, f / held.rate);
    const stand = standGain(f, context.stand);
    const gain = Math.hypot(stand.re, stand.im) * averagingGain(f, held.block, held.fine);
    return Math.hypot(re, im) / gain;
  });
  return { frequency, amplitude };
}

const MARKED = 4;
const CLEAR = 3; // Hz: a flat-top line of 2 s is that wide to either side
const MILLI = 1e-3; // N·m: level 0 of the spectrum
const FLOOR = 1e-6; // N·m: nothing lower is drawn

interface Peak {
  readonly frequency: number;
  readonly amplitude: number;
}

/** The strongest lines, each clear of the stronger ones, strongest first. */
function strongest({ frequency, amplitude }: ReturnType<typeof linesOf>): readonly Peak[] {
  const all = [...frequency].map((f, k) => ({ frequency: f, amplitude: amplitude[k] as number }));
  const peaks: Peak[] = [];
  for (const line of all.sort((a, b) => b.amplitude - a.amplitude)) {
    if (peaks.length === MARKED || line.amplitude === 0) break;
    if (peaks.every((peak) => Math.abs(peak.frequency - line.frequency) > CLEAR)) peaks.push(line);
  }
  return peaks;
}

/** Names a line after the strongest one when it is a whole multiple of it. */
function labelOf(frequency: number, first: number): string {
  const order = Math.round(frequency / first);
  const whole = order >= 2 && Math.abs(frequency - order * first) <= order / LONGEST;
  return whole ? `${order} × ${shown(first)} Hz` : `${shown(frequency)} Hz`;
}

function evidenceOf(lines: ReturnType<typeof linesOf>, peaks: readonly Peak[]): Evidence {
  const level = (amplitude: number): number => 20 * Math.log10(Math.max(FLOOR, amplitude) / MILLI);
  const first = peaks[0]?.frequency ?? 1;
  return {
    kind: 'spectrum',
    frequency: lines.frequency,
    level: lines.amplitude.map(level),
    unit: 'dB re 1 mN·m',
    marks: peaks.map(({ frequency, amplitude }) => ({
      frequency,
      level: level(amplitude),
      label: labelOf(frequency, first),
    })),
  };
}

const rippleLine: Characteristic = {
  ...ripple,
  id: 'ripple-line',
  name: 'strongest line of the ripple',
  definition:
    'Greatest amplitude of a single line of the torque from 1 Hz to 200 Hz within 2 s at constant command over its mean; the stand is divided out, lines of 50 Hz and 60 Hz mains are left out.',
  formula: 'max A(f) / |G(f)| / mean(τ), 1 Hz ≤ f ≤ 200 Hz; G: the stand',
  shifts:
    'a line within 2 Hz of the mains or their harmonics, which is left out; a stand model that is off; friction of the bearing, which holds back part of a ripple smaller than itself; at one locked angle cogging is a constant and not seen',
  source: 'common practice, no source; flat-top window after Harris 1978 (from memory)',
  check: 'tests/unit/ripple.test.ts',
  score: (capture, stage, reading, context) => {
    let evidence: Evidence | undefined;
    const outcome = overTakes(capture, (take) => {
      const held = heldOf(take, stage, reading, context);
      if ('kind' in held) return held;
      const lines = linesOf(held, context);
      const peaks = strongest(lines);
      evidence ??= evidenceOf(lines, peaks);
      return (peaks[0]?.amplitude ?? 0) / Math.abs(held.level);
    });
    if (outcome.kind !== 'measured') return outcome;
    return measured(outcome.value, { ...outcome, evidence });
  },
};

/** What ripple is made of, besides its root mean square. */
export const RIPPLE: readonly Characteristic[] = [ripplePeak, rippleLine];
