import { forward, powerOfTwo, type Spectrum } from '../base/fourier.js';
import type { Capture, Take } from '../capture/capture.js';
import { multisineOf } from '../pattern/multisine.js';
import { parts } from '../pattern/waveform.js';
import type { Stage } from '../procedure/procedure.js';
import { leastSquares, mean, standardDeviation } from './line.js';
import {
  channelsOf,
  lastPart,
  measured,
  notEvaluated,
  option,
  shown,
  type NotEvaluated,
} from './reading.js';
import type { Characteristic, Context, Outcome } from './scoring.js';
import { slipOf } from './slip.js';
import { linesByPeriod } from './spectrum.js';

/** Motor torque, transducer torque and friction of 1 N·m at lines, delays as the stand model has them taken out. */
export interface StandLines {
  /** Hz, rising. */
  readonly frequency: Float64Array;
  readonly motor: Spectrum;
  readonly shaft: Spectrum;
  readonly slip: Spectrum;
}

/** The stand as a mass on a spring, from one repeat of a pattern. */
export interface StandFit {
  /** Hz */
  readonly resonance: number;
  /** Damping ratio, 1. */
  readonly damping: number;
  /** Coulomb friction of the bearing, N·m, as far as it shows. */
  readonly friction: number;
}

/**
 * Fits resonance and damping to motor torque over transducer torque.
 *
 * A locked shaft is M = (1 − r² + 2jζr)·T + F·(S + c·dS/dt) with r = f/fn: linear in T, the transducer
 * torque, and S, the friction of a bearing of 1 N·m with damping in its contacts. Friction must have
 * terms of its own: at 0.6 N·m rms a fit without the damping of the contacts reads 1 % to 2 % low and
 * damping 10 % high, as friction ahead of the motion looks like mass. Even powers of f up to the fourth and odd ones up to the third leave room for the gain
 * and delay of the channels; the resonance is where the real part vanishes and the damping what the
 * imaginary part is there, and neither depends on a gain or a small delay.
 *
 * @param near - First guess of the resonance, Hz; the lines must reach above it.
 * @returns undefined when the real part does not vanish among the lines or too few are there.
 *
 * Source: derived from the equation of motion J·θ″ + c·θ′ + k·θ = τ; damping of contacts as in bristle
 * models of friction, Canudas de Wit et al. 1995 (from memory). Check: tests/unit/stand-fit.test.ts.
 */
export function fitStand(lines: StandLines, near: number): StandFit | undefined {
  const { frequency, motor, shaft, slip } = lines;
  if (frequency.length < 8) return undefined;
  const both = (of: (k: number) => readonly [number, number]): Float64Array => {
    const out = new Float64Array(2 * frequency.length);
    for (let k = 0; k < frequency.length; k++) out.set(of(k), 2 * k);
    return out;
  };
  const at = (s: Spectrum, k: number): readonly [number, number] => [
    s.re[k] as number,
    s.im[k] as number,
  ];
  /** A spectrum times a power of the frequency, and the same a quarter of a turn ahead. */
  const times = (s: Spectrum, power: number): Float64Array =>
    both((k) => {
      const [re, im] = at(s, k);
      const x = ((frequency[k] as number) / near) ** power;
      return [x * re, x * im];
    });
  const rate = (s: Spectrum, power: number): Float64Array =>
    both((k) => {
      const [re, im] = at(s, k);
      const x = ((frequency[k] as number) / near) ** power;
      return [-x * im, x * re];
    });
  const fit = leastSquares(
    [
      times(shaft, 0),
      times(shaft, 2),
      times(shaft, 4),
      rate(shaft, 1),
      rate(shaft, 3),
      times(slip, 0),
      rate(slip, 1),
    ],
    both((k) => at(motor, k)),
  );
  if (fit === undefined) return undefined;
  const [a0 = 0, a2 = 0, a4 = 0, b1 = 0, b3 = 0, friction = 0] = fit.coefficients;
  const real = (x: number): number => a0 + a2 * x * x + a4 * x ** 4;
  const low = (frequency[0] as number) / near;
  const high = (frequency[frequency.length - 1] as number) / near;
  const x = fallsThroughZero(real, low, high);
  if (x === undefined) return undefined;
  // At the resonance the imaginary part is 2ζ and the slope of the real part −2/x, both times the gain.
  const slope = 2 * a2 * x + 4 * a4 * x ** 3;
  const damping = -(b1 * x + b3 * x ** 3) / (x * slope);
  return { resonance: x * near, damping, friction };
}

const PLACES = 400;

/** First place where a function falls through zero, by halving, or undefined. */
function fallsThroughZero(f: (x: number) => number, from: number, to: number): number | undefined {
  const place = (i: number): number => from + ((to - from) * i) / PLACES;
  for (let i = 1; i <= PLACES; i++) {
    let [low, high] = [place(i - 1), place(i)];
    if (!(f(low) > 0 && f(high) <= 0)) continue;
    for (let round = 0; round < 60; round++) {
      const middle = (low + high) / 2;
      if (f(middle) > 0) low = middle;
      else high = middle;
    }
    return (low + high) / 2;
  }
  return undefined;
}

const OPTIONS = {
  from: { dimension: 'frequency', default: 20 },
  to: { dimension: 'frequency', default: 480 },
  conditioning: { dimension: 'count', default: 2 },
} as const;

interface Band {
  readonly from: number;
  readonly to: number;
  readonly conditioning: number;
}

/** Three characteristics read the same fits; making them is most of the work. */
const known = new WeakMap<Take, Map<string, readonly StandFit[] | NotEvaluated>>();

function fitsOf(
  take: Take,
  stage: Stage,
  band: Band,
  context: Context,
): readonly StandFit[] | NotEvaluated {
  const { resonance, torqueDelay, currentDelay } = context.stand;
  const { value } = context.torqueConstant;
  const key = JSON.stringify([
    stage.pattern.kind,
    band,
    resonance,
    torqueDelay,
    currentDelay,
    value,
  ]);
  const ofTake = known.get(take) ?? new Map<string, readonly StandFit[] | NotEvaluated>();
  known.set(take, ofTake);
  const found = ofTake.get(key) ?? makeFits(take, stage, band, context);
  ofTake.set(key, found);
  return found;
}

function makeFits(
  take: Take,
  stage: Stage,
  band: Band,
  context: Context,
): readonly StandFit[] | NotEvaluated {
  const channels = channelsOf(take, ['current', 'torque']);
  if ('kind' in channels) return channels;
  const lines =
    lastPart(stage.pattern, 'multisine') === undefined
      ? chirpLines(take, stage, channels, band)
      : multisineLines(take, stage, channels, band);
  if ('kind' in lines) return lines;
  const fits: StandFit[] = [];
  for (const each of lines) {
    const fit = fitStand(scaled(each, context), context.stand.resonance);
    if (fit === undefined || !(fit.damping > 0)) {
      return notEvaluated(
        `Between ${shown(band.from)} Hz and ${shown(band.to)} Hz torque over current does not pass a resonance.`,
      );
    }
    fits.push(fit);
  }
  return fits;
}

type Pair = Readonly<Record<'current' | 'torque', Float32Array>>;

/** Lines of every period after conditioning. */
function multisineLines(
  take: Take,
  stage: Stage,
  { current, torque }: Pair,
  band: Band,
): readonly StandLines[] | NotEvaluated {
  const part = lastPart(stage.pattern, 'multisine');
  if (part === undefined) throw new Error('a stage without the multisine that it was asked for');
  const { pattern } = part;
  const period = Math.round(pattern.period * take.rate);
  const start = Math.round(part.from * take.rate) + band.conditioning * period;
  const periods = Math.min(
    pattern.periods - band.conditioning,
    Math.floor((torque.length - start) / period),
  );
  if (periods < 2) {
    return notEvaluated(
      `The stand is fitted to 2 periods or more; ${Math.max(0, periods)} are left.`,
    );
  }
  const used = multisineOf(pattern).lines.filter(
    ({ frequency }) => frequency >= band.from && frequency <= band.to,
  );
  const bins = used.map(({ bin }) => bin);
  if (bins.length === 0) return notEvaluated('No line of the multisine lies in the band.');
  const frequency = Float64Array.from(used, (line) => line.frequency);
  const repeats = { start, period, periods };
  const once = { start: 0, period, periods: 1 };
  const [motor, shaft] = [
    linesByPeriod(current, repeats, bins),
    linesByPeriod(torque, repeats, bins),
  ];
  return Array.from({ length: periods }, (_, p): StandLines => {
    const slip = slipOf(torque, { start: start + p * period, period, periods: 1 });
    return {
      frequency,
      motor: motor[p] as Spectrum,
      shaft: shaft[p] as Spectrum,
      slip: linesByPeriod(slip, once, bins)[0] as Spectrum,
    };
  });
}

const RINGING = 0.1; // s of rest after a chirp

/** Lines of the whole record of a chirp that rings out before its end: one repeat. */
function chirpLines(
  take: Take,
  stage: Stage,
  { current, torque }: Pair,
  band: Band,
): readonly StandLines[] | NotEvaluated {
  const chirp = lastPart(stage.pattern, 'chirp');
  if (chirp === undefined) return notEvaluated('The stage plays no multisine and no chirp.');
  const rest = parts(stage.pattern).at(-1);
  const rests = rest?.pattern.kind === 'hold' && rest.pattern.level === 0;
  if (!rests || rest.to - rest.from < RINGING) {
    return notEvaluated(
      `The chirp must ring out: end the stage with a hold at zero of ${RINGING} s.`,
    );
  }
  const first = Math.round(chirp.from * take.rate);
  const size = powerOfTwo(torque.length - first);
  const transformed = (x: Float32Array | Float64Array): Spectrum => {
    const level = mean(x, x.length - Math.round((RINGING / 2) * take.rate));
    return forward(
      Float64Array.from(x, (value) => value - level),
      size,
    );
  };
  const slip = slipOf(torque, { start: first, period: torque.length - first, periods: 1 });
  const all = [current.subarray(first), torque.subarray(first), slip].map(transformed);
  const spacing = take.rate / size;
  const from = Math.ceil(band.from / spacing);
  const to = Math.floor(Math.min(band.to, chirp.pattern.to) / spacing) + 1;
  const cut = ({ re, im }: Spectrum): Spectrum => ({
    re: re.slice(from, to),
    im: im.slice(from, to),
  });
  const [motor, shaft, slipped] = all.map(cut) as [Spectrum, Spectrum, Spectrum];
  const frequency = Float64Array.from({ length: to - from }, (_, k) => (from + k) * spacing);
  return [{ frequency, motor, shaft, slip: slipped }];
}

/** Turns current into torque and takes the delays of the stand model out. */
function scaled(lines: StandLines, { stand, torqueConstant }: Context): StandLines {
  const turn = ({ re, im }: Spectrum, delay: number, gain: number): Spectrum => {
    const turned = { re: new Float64Array(re.length), im: new Float64Array(re.length) };
    lines.frequency.forEach((f, k) => {
      const angle = 2 * Math.PI * f * delay;
      const [c, s] = [gain * Math.cos(angle), gain * Math.sin(angle)];
      turned.re[k] = c * (re[k] as number) - s * (im[k] as number);
      turned.im[k] = s * (re[k] as number) + c * (im[k] as number);
    });
    return turned;
  };
  return {
    frequency: lines.frequency,
    motor: turn(lines.motor, stand.currentDelay, torqueConstant.value),
    shaft: turn(lines.shaft, stand.torqueDelay, 1),
    slip: turn(lines.slip, stand.torqueDelay, 1),
  };
}

/** Reads one figure off every fit of every take: mean and spread over the repeats. */
function overRepeats(
  capture: Capture,
  stage: Stage,
  options: Readonly<Record<string, number>>,
  context: Context,
  read: (fit: StandFit) => number,
): Outcome {
  const band = {
    from: option(options, OPTIONS, 'from'),
    to: option(options, OPTIONS, 'to'),
    conditioning: option(options, OPTIONS, 'conditioning'),
  };
  const values: number[] = [];
  for (const take of capture.takes) {
    const fits = fitsOf(take, stage, band, context);
    if ('kind' in fits) return fits;
    values.push(...fits.map(read));
  }
  if (values.length === 1) return measured(mean(values));
  const spread = standardDeviation(values);
  return measured(mean(values), { spread, repeats: values.length });
}

const SHARED = {
  side: 'shaft',
  from: ['multisine', 'chirp'],
  power: 'on',
  takes: 1,
  gates: ['timing'],
  source: 'common practice, no source; mass and spring of a locked shaft, textbook (from memory)',
  check: 'tests/unit/stand-fit.test.ts',
} as const;

const standResonance: Characteristic = {
  ...SHARED,
  id: 'stand-resonance',
  name: 'resonance of the stand',
  definition:
    'Frequency at which the real part of motor torque over transducer torque vanishes, from a fit of mass, spring, damper and bearing friction to the lines of the band, mean over the periods.',
  formula:
    'τ_motor = (1 − (f/fn)² + 2jζ·f/fn)·τ_transducer + F·(s + c·ds/dt), s the sliding of the bearing; fn where the real part is 0',
  shifts:
    'inertia of the rotor that is clamped; tightness of the coupling; friction of the bearing, which is fitted beside it',
  dimension: 'frequency',
  unit: 'Hz',
  options: OPTIONS,
  score: (capture, stage, reading, context) =>
    overRepeats(capture, stage, reading.options, context, (fit) => fit.resonance),
};

const standDamping: Characteristic = {
  ...SHARED,
  id: 'stand-damping',
  name: 'damping of the stand',
  definition:
    'Damping ratio from the imaginary part of motor torque over transducer torque at the resonance, from the same fit, mean over the periods.',
  formula: 'ζ = Im(τ_motor/τ_transducer)/2 at fn, bearing friction taken out',
  shifts: 'friction of the bearing at small torque; lines too sparse around the resonance',
  dimension: 'ratio',
  unit: '%',
  options: OPTIONS,
  score: (capture, stage, reading, context) =>
    overRepeats(capture, stage, reading.options, context, (fit) => fit.damping),
};

const COMPLIANCE = { ...OPTIONS, inertia: { dimension: 'inertia' } } as const;

const standCompliance: Characteristic = {
  ...SHARED,
  id: 'stand-compliance',
  name: 'compliance of the stand',
  definition:
    'Twist per torque of transducer and coupling, from the resonance and the inertia of everything that turns on the motor side of them, as the procedure states it; nothing measures the angle of a locked shaft.',
  formula: 'C = 1/k, k = J·(2π·fn)²',
  shifts:
    'the stated inertia, of which every per cent is one of the result; what shifts the resonance, twice',
  dimension: 'compliance',
  unit: 'mrad/(N·m)',
  options: COMPLIANCE,
  score: (capture, stage, reading, context) => {
    const inertia = option(reading.options, COMPLIANCE, 'inertia');
    if (!(inertia > 0)) return notEvaluated('The inertia must be above 0 kg·m².');
    return overRepeats(
      capture,
      stage,
      reading.options,
      context,
      (fit) => 1 / (inertia * (2 * Math.PI * fit.resonance) ** 2),
    );
  },
};

/** Characteristics of the stand itself, which a stand model states. */
export const STAND_FIT: readonly Characteristic[] = [standResonance, standDamping, standCompliance];
