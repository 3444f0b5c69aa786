import type { Take } from '../capture/capture.js';
import { doubt, gateOf, type Finding } from '../capture/gate.js';
import { compile, type Waveform } from '../pattern/waveform.js';
import { PATTERN_KINDS, type Stage } from '../procedure/procedure.js';
import { mean } from './line.js';
import { heldTorque, MAINS } from './purity.js';
import { option, shown, type NotEvaluated } from './reading.js';
import {
  addResponse,
  measureResponses,
  randomError,
  type Response,
  type Responses,
} from './response.js';
import { fitPolynomial } from './curve.js';
import type { Context, GateRule } from './scoring.js';
import { lineOf, windowOf } from './spectrum.js';

/** What one take showed, in the unit in which the gate is told. */
type Seen = Omit<Finding, 'allowed' | 'unit'>;

function unjudged(reason: NotEvaluated): Seen {
  return doubt(0, '', reason.reason);
}

/** Judges every take and keeps the finding that does not hold, or else the one nearest the limit. */
function worst(
  takes: readonly Take[],
  judge: (take: Take) => Seen,
  nearer: (a: number, b: number) => boolean,
): Seen {
  const [first, ...others] = takes.map(judge);
  if (first === undefined) throw new Error('a capture without takes');
  return others.reduce((found, next) => {
    if (found.holds !== next.holds) return found.holds ? next : found;
    return nearer(next.observed, found.observed) ? next : found;
  }, first);
}

const isGreater = (a: number, b: number): boolean => a > b;
const isSmaller = (a: number, b: number): boolean => a < b;

const HUM = {
  allowed: { dimension: 'torque', default: 0.003 },
  settling: { dimension: 'time', default: 0.3 },
} as const;
const LONGEST = 2; // s: the mains may be 0.2 Hz off, which a flat-top window of 2 s still holds
const HARMONICS = [1, 2, 3];
const STANDS_OUT = 9; // times the power of noise, which a line of noise alone exceeds once in e⁹
const BESIDE = [-7, -5.5, -4, 4, 5.5, 7]; // Hz: clear of the line, whose flat-top window of 2 s is 5 Hz wide

const hum: GateRule = {
  id: 'hum',
  name: 'mains hum',
  definition:
    'Greatest amplitude of the torque channel at 50 Hz and 60 Hz and their second and third harmonics during a hold.',
  blames: 'stand',
  concern: 'sensor',
  sense: 'at-most',
  reach: 'run',
  stops: false,
  from: ['hold'],
  power: 'either',
  options: HUM,
  source: 'common practice, no source',
  judge: (capture, stage, options) => {
    const allowed = option(options, HUM, 'allowed');
    const finding = worst(
      capture.takes,
      (take) => humOf(take, stage, option(options, HUM, 'settling'), allowed),
      isGreater,
    );
    return gateOf(hum, stage.id, { ...finding, ...{ allowed: allowed * 1000, unit: 'mN·m' } });
  },
};

function humOf(take: Take, stage: Stage, settling: number, allowed: number): Seen {
  const held = heldTorque(take, stage, settling);
  if ('kind' in held) return unjudged(held);
  const length = Math.min(held.torque.length, Math.round(LONGEST * take.rate));
  if (length < LONGEST * take.rate) {
    const found = `${shown(length / take.rate)} s of hold after settling`;
    return unjudged({
      kind: 'not-evaluated',
      reason: `Hum needs ${LONGEST} s; there are ${found}.`,
    });
  }
  const window = windowOf('flattop', length);
  const centre = mean(held.torque, 0, length);
  const torque = Float64Array.from(held.torque.subarray(0, length), (value) => value - centre);
  const amplitudeAt = (frequency: number): number => {
    const { re, im } = lineOf(torque, window, frequency / take.rate);
    return Math.hypot(re, im);
  };
  const lines = MAINS.flatMap((mains) => HARMONICS.map((k) => k * mains)).map((frequency) => {
    // Broadband noise is no hum: what stands beside a line stands under it too, and scatters.
    const beside = BESIDE.map((away) => amplitudeAt(frequency + away) ** 2);
    const [here, noise] = [amplitudeAt(frequency) ** 2, mean(beside)];
    return { frequency, amplitude: here > STANDS_OUT * noise ? Math.sqrt(here - noise) : 0 };
  });
  const { frequency, amplitude } = lines.reduce((a, b) => (b.amplitude > a.amplitude ? b : a));
  const found = `${shown(amplitude * 1000)} mN·m at ${frequency} Hz`;
  return {
    observed: amplitude * 1000,
    holds: amplitude <= allowed,
    evidence: `The torque channel shows ${found}; ${shown(allowed * 1000)} mN·m are allowed.`,
  };
}

const CONDITIONING = { dimension: 'count', default: 2 } as const;

/** Judges the frequency responses of every take. */
function ofResponses(
  takes: readonly Take[],
  stage: Stage,
  read: { readonly conditioning: number; readonly context: Context },
  judge: (responses: Responses) => Seen,
): Seen {
  const judgeTake = (take: Take): Seen => {
    const responses = measureResponses(take, stage, read.conditioning, read.context);
    return 'kind' in responses ? unjudged(responses) : judge(responses);
  };
  return worst(takes, judgeTake, isGreater);
}

const FROM_MULTISINE = {
  blames: 'stand',
  stops: false,
  from: ['multisine'],
  power: 'on',
} as const;

const COHERENCE = {
  allowed: { dimension: 'ratio', default: 0.95 },
  from: { dimension: 'frequency', default: 5 },
  to: { dimension: 'frequency', default: 150 },
  averages: { dimension: 'count', default: 16 },
  conditioning: CONDITIONING,
} as const;

const coherence: GateRule = {
  ...FROM_MULTISINE,
  id: 'coherence',
  name: 'coherence',
  definition:
    'Least coherence of motor current and of transducer torque with the command in the band, as the mean over three neighbouring lines.',
  concern: 'response',
  sense: 'at-least',
  reach: 'stage',
  options: COHERENCE,
  source: 'common practice, no source; random error after Bendat & Piersol (from memory)',
  judge: (capture, stage, options, context) => {
    const allowed = option(options, COHERENCE, 'allowed');
    const conditioning = option(options, COHERENCE, 'conditioning');
    const finding = worst(
      capture.takes,
      (take) => {
        const responses = measureResponses(take, stage, conditioning, context);
        return 'kind' in responses ? unjudged(responses) : coherenceFinding(responses, options);
      },
      isSmaller,
    );
    return gateOf(coherence, stage.id, { ...finding, ...{ allowed, unit: '1' } });
  },
};

function coherenceFinding(
  { motor, transducer }: Responses,
  options: Readonly<Record<string, number>>,
): Seen {
  const allowed = option(options, COHERENCE, 'allowed');
  const needed = option(options, COHERENCE, 'averages');
  if (motor.averages < needed) {
    const found = `Only ${motor.averages} periods are averaged`;
    return { observed: 0, holds: false, evidence: `${found}; ${needed} are needed to judge it.` };
  }
  const [from, to] = [option(options, COHERENCE, 'from'), option(options, COHERENCE, 'to')];
  const [a, b] = [leastCoherence(motor, from, to), leastCoherence(transducer, from, to)];
  const [least, channel] = a.value < b.value ? [a, 'motor current'] : [b, 'transducer torque'];
  if (!Number.isFinite(least.value)) {
    return unjudged({ kind: 'not-evaluated', reason: 'no line lies in the band.' });
  }
  const error = least.value > 0 ? randomError(least.value, motor.averages) : 1;
  const place = `around ${shown(least.frequency)} Hz`;
  return {
    observed: least.value,
    holds: least.value >= allowed,
    evidence: `The coherence of ${channel} is ${shown(least.value)} ${place}, ${allowed} or more is needed; a line of the gain scatters by ${shown(error * 100)} %.`,
  };
}

function leastCoherence(
  response: Response,
  from: number,
  to: number,
): { readonly value: number; readonly frequency: number } {
  const inside = [...response.frequency.keys()].filter((k) => {
    const f = response.frequency[k] as number;
    return f >= from && f <= to;
  });
  return inside
    .map((k) => ({
      frequency: response.frequency[k] as number,
      value: mean(response.coherence.slice(Math.max(0, k - 1), k + 2)),
    }))
    .reduce((least, here) => (here.value < least.value ? here : least), {
      value: Infinity,
      frequency: from,
    });
}

const AGREEMENT = {
  allowed: { dimension: 'ratio', default: 0.025 },
  from: { dimension: 'frequency', default: 1 },
  to: { dimension: 'frequency', default: 50 },
  conditioning: CONDITIONING,
} as const;

const agreement: GateRule = {
  ...FROM_MULTISINE,
  id: 'agreement',
  name: 'two-way agreement',
  definition:
    'Rms difference of shaft torque, stand, delays and the friction that an earlier stage measured taken out, and torque from the motor current, over the rms of the latter, at the lines of the band.',
  concern: 'response',
  sense: 'at-most',
  reach: 'dependents',
  options: AGREEMENT,
  source: 'common practice, no source',
  judge: (capture, stage, options, context) => {
    const allowed = option(options, AGREEMENT, 'allowed');
    const conditioning = option(options, AGREEMENT, 'conditioning');
    const [from, to] = [option(options, AGREEMENT, 'from'), option(options, AGREEMENT, 'to')];
    const finding = ofResponses(
      capture.takes,
      stage,
      { conditioning, context },
      ({ motor, shaft, slip }) => {
        // Friction is the item's own and has a limit of its own: the gate judges the two ways.
        const whole = addResponse(shaft, slip, context.friction ?? 0);
        const apart = differenceOf(motor, whole, from, to);
        const found = `differ by ${shown(apart * 100)} % rms`;
        return {
          observed: apart * 100,
          holds: apart <= allowed,
          evidence: `Torque at the shaft and torque from the current ${found}; ${shown(allowed * 100)} % is allowed.`,
        };
      },
    );
    return gateOf(agreement, stage.id, { ...finding, ...{ allowed: allowed * 100, unit: '%' } });
  },
};

/** All lines of a multisine have one amplitude, so ratios to the command stand for the torques. */
function differenceOf(motor: Response, shaft: Response, from: number, to: number): number {
  let [apart, whole] = [0, 0];
  motor.frequency.forEach((f, k) => {
    if (f < from || f > to) return;
    const [re, im] = [motor.ratio.re[k] as number, motor.ratio.im[k] as number];
    apart += ((shaft.ratio.re[k] as number) - re) ** 2 + ((shaft.ratio.im[k] as number) - im) ** 2;
    whole += re * re + im * im;
  });
  return Math.sqrt(apart / whole);
}

const RESONANCE = {
  allowed: { dimension: 'ratio', default: 0.05 },
  from: { dimension: 'frequency', default: 20 },
  to: { dimension: 'frequency', default: 200 },
  conditioning: CONDITIONING,
} as const;

const resonance: GateRule = {
  ...FROM_MULTISINE,
  id: 'resonance',
  name: 'stand resonance',
  definition:
    'Deviation of the resonance fitted to the ratio of transducer torque to motor torque from the resonance of the stand model.',
  concern: 'stand',
  sense: 'at-most',
  reach: 'dependents',
  options: RESONANCE,
  source: 'common practice, no source',
  judge: (capture, stage, options, context) => {
    const allowed = option(options, RESONANCE, 'allowed');
    const conditioning = option(options, RESONANCE, 'conditioning');
    const band = [option(options, RESONANCE, 'from'), option(options, RESONANCE, 'to')] as const;
    const finding = ofResponses(capture.takes, stage, { conditioning, context }, (responses) => {
      const found = fitResonance(responses.motor, responses.transducer, band);
      const expected = context.stand.resonance;
      if (found === undefined) {
        const reason = 'the ratio of torque to current does not rise as a spring and mass would.';
        return unjudged({ kind: 'not-evaluated', reason });
      }
      const deviation = Math.abs(found / expected - 1);
      const compared = `${shown(found)} Hz, the stand model says ${shown(expected)} Hz`;
      return {
        observed: deviation * 100,
        holds: deviation <= allowed,
        evidence: `The stand resonates at ${compared}: ${shown(deviation * 100)} % off, ${shown(allowed * 100)} % allowed.`,
      };
    });
    return gateOf(resonance, stage.id, { ...finding, ...{ allowed: allowed * 100, unit: '%' } });
  },
};

/**
 * Finds the resonance well above the lines it is read from.
 *
 * The real part of motor torque over transducer torque is (1 − (f/fn)²) / gain: a straight line
 * over f², whatever the gain and the damping.
 *
 * @param band - Lines used, Hz.
 * @returns Hz, or undefined when the line does not fall or too few lines are there.
 *
 * Source: derived from the spring-mass gain of `standGain`. Check: tests/unit/gates-dynamic.test.ts.
 */
export function fitResonance(
  motor: Response,
  transducer: Response,
  band: readonly [number, number],
): number | undefined {
  const squares: number[] = [];
  const reals: number[] = [];
  motor.frequency.forEach((f, k) => {
    if (f < band[0] || f > band[1]) return;
    const [mr, mi] = [motor.ratio.re[k] as number, motor.ratio.im[k] as number];
    const [tr, ti] = [transducer.ratio.re[k] as number, transducer.ratio.im[k] as number];
    squares.push(f * f);
    reals.push((mr * tr + mi * ti) / (tr * tr + ti * ti));
  });
  if (squares.length < 4) return undefined;
  const line = fitPolynomial(Float64Array.from(squares), Float64Array.from(reals), 0, 1);
  const [level = 0, slope = 0] = line ?? [];
  return level > 0 && slope < 0 ? Math.sqrt(-level / slope) : undefined;
}

const DELIVERED = { allowed: { dimension: 'ratio', default: 0.01 } } as const;

const delivered: GateRule = {
  id: 'delivered',
  name: 'command delivered',
  definition:
    'Rms difference of the command as captured and as planned, in the middle of each update, over the rms of the plan.',
  blames: 'link',
  concern: 'stimulus',
  sense: 'at-most',
  reach: 'stage',
  stops: false,
  // What a silence and a virtual spring deliver is not in the plan.
  from: PATTERN_KINDS.filter((kind) => kind !== 'silence' && kind !== 'virtual-spring'),
  power: 'on',
  options: DELIVERED,
  source: 'common practice, no source',
  judge: (capture, stage, options) => {
    const allowed = option(options, DELIVERED, 'allowed');
    const finding = worst(
      capture.takes,
      (take) => deliveredFinding(take, stage, allowed),
      isGreater,
    );
    return gateOf(delivered, stage.id, { ...finding, ...{ allowed: allowed * 100, unit: '%' } });
  },
};

function deliveredFinding(take: Take, stage: Stage, allowed: number): Seen {
  const { command } = take.channels;
  if (command === undefined || command.length === 0) {
    return unjudged({ kind: 'not-evaluated', reason: 'the capture has no command channel.' });
  }
  const apart = undelivered(command, compile(stage.pattern, stage.updates), take);
  const missing = `${take.device.missing} updates missing`;
  return {
    observed: apart * 100,
    holds: apart <= allowed,
    evidence: `The command differs from the plan by ${shown(apart * 100)} % rms, ${shown(allowed * 100)} % is allowed; ${missing}.`,
  };
}

const WORTH = 0.01; // N·m: a plan of zeros is compared with this
const CLOCKS = 1e-3; // relative; screening refuses captures whose clocks are further apart

/** Compares in the middle of each update, where a sample more or less does not matter. */
function undelivered(
  command: Float32Array,
  { command: plan, rate: updates }: Waveform,
  take: Take,
): number {
  // Updates are placed by the clock of the device, samples by that of the digitizer.
  const pace = (take.device.time * take.rate) / take.expected;
  const drift = Math.abs(pace - 1) < CLOCKS ? pace : 1;
  let [apart, whole] = [0, 0];
  plan.forEach((value, i) => {
    const at = Math.floor(((i + 0.5) * take.rate) / (updates * drift));
    if (at >= command.length) return;
    apart += ((command[at] as number) - value) ** 2;
    whole += value * value;
  });
  return Math.sqrt(apart / Math.max(whole, plan.length * WORTH ** 2));
}

/** Gates judged from how a stage went, all but what the stand shows at rest. */
export const DYNAMIC_GATES: readonly GateRule[] = [hum, coherence, agreement, resonance, delivered];
