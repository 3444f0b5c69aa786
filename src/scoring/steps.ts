import { DYNAMIC } from './dependence.js';
import {
  type AveragedEdge,
  averageEdges,
  calmed,
  evidenceOf,
  spreadOver,
  timeAt,
  transitionOf,
} from './edge.js';
import { predictedRinging } from '../pattern/bounds.js';
import { measured, notEvaluated, option, shown } from './reading.js';
import type { Characteristic, Outcome } from './scoring.js';
import { findTransition, fitOnset, overshoot, settledAt, undershootBefore } from './transition.js';

/** Fewest samples between the reference levels; a faster edge cannot be timed. */
const FEWEST_SAMPLES = 5;
/** Least time a plot shows after the command edge, s. */
const SHOWN = 0.01;
const NO_TRANSITION = 'The averaged torque does not cross its reference levels.';
const DURATION_SOURCE = 'IEC 60469:2013 and IEEE Std 181-2011, transition duration (from memory)';

/** Duration between two shares of the change in samples, or undefined when one is not crossed. */
function durationOf(
  torque: Float64Array,
  change: number,
  low: number,
  high: number,
): { readonly from: number; readonly to: number } | undefined {
  const transition = findTransition(torque, { low: 0, high: change });
  const from = transition?.at(low);
  const to = transition?.at(high);
  return from === undefined || to === undefined ? undefined : { from, to };
}

/** Reads a chord between two shares of the averaged edge, with its evidence and spread. */
function readChord(
  edge: AveragedEdge,
  shares: readonly [number, number],
  value: (seconds: number, change: number) => number,
): Outcome {
  const chord = durationOf(edge.torque, edge.change, ...shares);
  if (chord === undefined) return notEvaluated(NO_TRANSITION);
  const samples = chord.to - chord.from;
  if (samples < FEWEST_SAMPLES) {
    const needed = `at least ${FEWEST_SAMPLES} are needed`;
    return notEvaluated(`The transition takes ${shown(samples)} samples; ${needed}.`);
  }
  const marks = shares.map((share, i) => ({
    time: timeAt(edge, i === 0 ? chord.from : chord.to),
    share,
  }));
  return measured(value(samples * edge.step, edge.change), {
    spread: spreadOver(edge, (torque, change) => {
      const one = durationOf(torque, change, ...shares);
      return one === undefined ? undefined : value((one.to - one.from) * edge.step, change);
    }),
    repeats: edge.each.length,
    evidence: evidenceOf(edge, Math.max(SHOWN, 2 * timeAt(edge, chord.to)), marks),
  });
}

const steps = {
  from: ['step'],
  power: 'on',
  takes: 1,
  gates: DYNAMIC,
  check: 'tests/checks/transition.check.ts',
} as const;

const riseTime: Characteristic = {
  ...steps,
  id: 'rise-time',
  name: 'rise time 10–90 %',
  definition:
    'Time between the 10 % and 90 % levels of the motor-side torque, read off the mean of the smallest steps of the stage aligned at their command edges, levels from the last fifth of the plateaus.',
  formula: 't(90 %) − t(10 %) of τᵢ',
  shifts:
    'the size of the step once the slew limit acts; smoothing; a filter in the current channel; a supply that sags',
  dimension: 'time',
  unit: 'ms',
  side: 'motor',
  options: {},
  source: DURATION_SOURCE,
  score: (capture, stage, _reading, context) => {
    const edge = averageEdges(capture, stage, context, { size: 'smallest', side: 'motor' });
    if ('reason' in edge) return edge;
    return readChord(edge, [0.1, 0.9], (seconds) => seconds);
  },
};

const slewRate: Characteristic = {
  ...steps,
  id: 'slew-rate',
  name: 'slew rate 20–80 %',
  definition:
    'Slope of the chord between the 20 % and 80 % levels of the motor-side torque, read off the mean of the largest steps of the stage.',
  formula: '0.6 · change / (t(80 %) − t(20 %)) of τᵢ',
  shifts:
    'a supply that sags; a hot winding; levels other than 20 % and 80 %, which read up to 30 % differently',
  dimension: 'slew',
  unit: 'N·m/ms',
  side: 'motor',
  options: {},
  source: 'common practice, no source; levels after IEC 60469:2013 (from memory)',
  score: (capture, stage, _reading, context) => {
    const edge = averageEdges(capture, stage, context, { size: 'largest', side: 'motor' });
    if ('reason' in edge) return edge;
    return readChord(edge, [0.2, 0.8], (seconds, change) => (0.6 * change) / seconds);
  },
};

const deadTime: Characteristic = {
  ...steps,
  id: 'dead-time',
  name: 'dead time',
  definition:
    'Time from the command edge until the motor-side torque leaves its level, as the delay of a delayed ramp behind a first-order lag fitted to the first 40 % of the mean of the smallest steps at smoothing 0.',
  formula:
    'd of the least-squares fit of a ramp behind a first-order lag, begun at d, to τᵢ up to 40 % of the change',
  shifts:
    'a delay of the current channel that is not in the stand model; no slew limit in the way reads 0.014 ms early; updates that come late',
  dimension: 'time',
  unit: 'ms',
  side: 'motor',
  options: {},
  source: 'common practice, no source; own definition of the instant of departure',
  check: 'tests/unit/steps.test.ts',
  score: (capture, stage, _reading, context) => {
    const { smoothing } = capture.takes[0].settings;
    if (smoothing !== 0) {
      return notEvaluated(`Smoothing ${smoothing} hides the departure: read it at smoothing 0.`);
    }
    const edge = averageEdges(capture, stage, context, { size: 'smallest', side: 'motor' });
    if ('reason' in edge) return edge;
    const dead = deadTimeOf(edge, edge.torque, edge.change);
    if (dead === undefined) return notEvaluated(NO_TRANSITION);
    return measured(dead, {
      spread: spreadOver(edge, (torque, change) => deadTimeOf(edge, torque, change)),
      repeats: edge.each.length,
      evidence: evidenceOf(edge, SHOWN, [{ time: dead, share: 0 }]),
    });
  },
};

/** Fits the onset from 1 ms before the command edge up to 40 % of the change. */
function deadTimeOf(edge: AveragedEdge, torque: Float64Array, change: number): number | undefined {
  const top = findTransition(torque, { low: 0, high: change })?.at(0.4);
  if (top === undefined) return undefined;
  const first = edge.time.findIndex((t) => t >= -0.001);
  const end = Math.ceil(top) + 1;
  // A digital loop, taken to be as fast as the samples, lets an edge wait for its next period and then
  // holds its voltage: each spreads the mean of many edges evenly over one period.
  const smear = edge.step / Math.sqrt(6);
  return fitOnset(edge.time.subarray(first, end), torque.subarray(first, end), smear)?.dead;
}

/**
 * Overshoot in a window counted in rise times, so that a longer record cannot find a greater peak
 * of noise, off samples thinned of noise.
 */
function overshootOf(edge: AveragedEdge): number | undefined {
  const chord = durationOf(edge.torque, edge.change, 0.1, 0.9);
  if (chord === undefined) return undefined;
  const window = Math.max(5 * (chord.to - chord.from), 0.002 / edge.step);
  const from = Math.floor(chord.to);
  return overshoot(edge.calm, { low: 0, high: edge.change }, from, Math.ceil(from + window));
}

function scoreOvershoot(edge: AveragedEdge): Outcome {
  const value = overshootOf(edge);
  if (value === undefined) return notEvaluated(NO_TRANSITION);
  return measured(value, {
    repeats: edge.each.length,
    spread: spreadOver(edge, (torque, change) =>
      overshootOf({ ...edge, torque, calm: calmed(torque, edge.step), change }),
    ),
    evidence: evidenceOf(edge, SHOWN, peakOf(edge, value)),
  });
}

/** Where the torque that was read as overshoot is greatest. */
function peakOf(
  edge: AveragedEdge,
  value: number,
): readonly { readonly time: number; readonly share: number }[] {
  const peak = (1 + value) * edge.change;
  const at = edge.calm.findIndex((torque) => torque >= peak - 1e-9 * Math.abs(peak));
  return at < 0 ? [] : [{ time: edge.time[at] as number, share: 1 + value }];
}

const motorOvershoot: Characteristic = {
  ...steps,
  id: 'overshoot',
  name: 'overshoot',
  definition:
    'Greatest excess of the motor-side torque over its final level within five rise times after the 90 % level, as a share of the change, read off the mean of the smallest steps smoothed by a parabola over 0.4 ms.',
  formula: 'max(τᵢ − final level) / change, within five rise times after t(90 %)',
  shifts: 'noise left on the mean edge, always upwards; final level read before it has settled',
  dimension: 'ratio',
  unit: '%',
  side: 'motor',
  options: {},
  source: 'IEC 60469:2013 and IEEE Std 181-2011, overshoot (from memory)',
  score: (capture, stage, _reading, context) => {
    const edge = averageEdges(capture, stage, context, { size: 'smallest', side: 'motor' });
    return 'reason' in edge ? edge : scoreOvershoot(edge);
  },
};

/** Deepest fall below the level before, in a window counted in rise times as for the overshoot. */
function undershootOf(edge: AveragedEdge): number | undefined {
  const chord = durationOf(edge.torque, edge.change, 0.1, 0.9);
  if (chord === undefined) return undefined;
  const window = Math.max(5 * (chord.to - chord.from), 0.002 / edge.step);
  const from = Math.max(0, Math.floor(chord.from - window));
  const before = edge.calm.subarray(from, Math.ceil(chord.from));
  return undershootBefore(before, { low: 0, high: edge.change }, before.length);
}

const undershoot: Characteristic = {
  ...steps,
  id: 'undershoot',
  name: 'undershoot',
  definition:
    'Greatest fall of the motor-side torque below the level before the step, within five rise times before the 10 % level, as a share of the change, read off the mean of the smallest steps smoothed by a parabola over 0.4 ms.',
  formula: 'max(level before − τᵢ) / change, within five rise times before t(10 %)',
  shifts: 'noise left on the mean edge, always upwards; a filter in the current channel that rings',
  dimension: 'ratio',
  unit: '%',
  side: 'motor',
  options: {},
  source: 'IEC 60469:2013 and IEEE Std 181-2011, pre-transition undershoot (from memory)',
  score: (capture, stage, _reading, context) => {
    const edge = averageEdges(capture, stage, context, { size: 'smallest', side: 'motor' });
    if ('reason' in edge) return edge;
    const value = undershootOf(edge);
    if (value === undefined) return notEvaluated(NO_TRANSITION);
    return measured(value, {
      repeats: edge.each.length,
      spread: spreadOver(edge, (torque, change) =>
        undershootOf({ ...edge, torque, calm: calmed(torque, edge.step), change }),
      ),
      evidence: evidenceOf(edge, SHOWN, []),
    });
  },
};

/** Most ringing of the stand, as a share of the change, under which its torque says something of the item. */
const MOST_RINGING = 0.03;

const shaftOvershoot: Characteristic = {
  ...steps,
  id: 'shaft-overshoot',
  name: 'overshoot at the shaft, shaped step',
  definition:
    'Greatest excess of the shaft torque over its final level within five rise times after the 90 % level, as a share of the change, for steps with a raised-cosine edge that leaves the stand ringing by no more than 3 %.',
  formula: 'max(τ − final level) / change, within five rise times after t(90 %)',
  shifts:
    'ringing of the stand, where the edge is not one and a half periods of its resonance; a loose coupling; friction',
  dimension: 'ratio',
  unit: '%',
  side: 'shaft',
  options: {},
  source: 'IEC 60469:2013, overshoot (from memory); ringing after the stand model, own derivation',
  score: (capture, stage, _reading, context) => {
    const edge = averageEdges(capture, stage, context, { size: 'smallest', side: 'shaft' });
    if ('reason' in edge) return edge;
    const ringing = predictedRinging(edge.pattern.edge, context.stand.resonance);
    if (ringing > MOST_RINGING) {
      const stand = `the stand at ${shown(context.stand.resonance)} Hz ringing`;
      const edgeShown = shown(edge.pattern.edge * 1000);
      return notEvaluated(
        `An edge of ${edgeShown} ms leaves ${stand} by ${shown(ringing * 100)} %; at most ${MOST_RINGING * 100} % is allowed.`,
      );
    }
    return scoreOvershoot(edge);
  },
};

const BAND = { band: { dimension: 'ratio', default: 0.02 } } as const;

const settlingTime: Characteristic = {
  ...steps,
  id: 'settling-time',
  name: 'settling time',
  definition:
    'Time from the 50 % instant of the command edge until the motor-side torque last enters the band around its final level, read off the mean of the smallest steps smoothed by a parabola over 0.4 ms, window one hold.',
  formula: 'last t at which |τᵢ − final level| > band · change, counted from the command edge',
  shifts: 'the width of the band; the length of the hold; noise beyond half of the band',
  dimension: 'time',
  unit: 'ms',
  side: 'motor',
  options: BAND,
  source: 'IEEE Std 181-2011, settling (from memory); counted from the command, not the torque',
  score: (capture, stage, reading, context) => {
    const edge = averageEdges(capture, stage, context, { size: 'smallest', side: 'motor' });
    if ('reason' in edge) return edge;
    const band = option(reading.options, BAND, 'band');
    return scoreSettling(edge, band);
  },
};

function scoreSettling(edge: AveragedEdge, band: number): Outcome {
  // Peaks of noise over some hundred samples reach about 3 standard deviations.
  if (3 * edge.noise > 0.5 * band * edge.change) {
    const noise = `noise of ${shown(edge.noise * 1000)} mN·m`;
    return notEvaluated(`The ${noise} fills the band of ±${shown(band * 100)} %.`);
  }
  const levels = { low: 0, high: edge.change };
  const place = settledAt(edge.calm, levels, band);
  if (place === undefined || transitionOf(edge) === undefined) {
    return notEvaluated(`The torque does not stay within ±${shown(band * 100)} % of its level.`);
  }
  const settled = timeAt(edge, place);
  return measured(settled, {
    repeats: edge.each.length,
    evidence: evidenceOf(edge, Math.max(SHOWN, 1.5 * settled), [], {
      half: band * edge.change,
      settled,
    }),
  });
}

/** Characteristics that are read off steps. */
export const STEPS: readonly Characteristic[] = [
  deadTime,
  riseTime,
  motorOvershoot,
  undershoot,
  shaftOvershoot,
  settlingTime,
  slewRate,
];
