import type { Take } from '../capture/capture.js';
import { KICK, rungsOf, type Rung } from '../pattern/virtual-spring.js';
import type { VirtualSpringPattern } from '../procedure/procedure.js';
import type { StandModel } from '../procedure/station.js';
import { leastSquares, mean, standardDeviation } from './line.js';
import { DYNAMIC } from './dependence.js';
import {
  channelsOf,
  lastPart,
  measured,
  notEvaluated,
  option,
  shown,
  type NotEvaluated,
  type Stretch,
} from './reading.js';
import type { Characteristic, Evidence, Outcome } from './scoring.js';
import { blockMeans, lineOf, windowOf } from './spectrum.js';
import { linearStiffness, passivityBound } from './stability.js';
import { fitSwing, wavesOf, type Swing } from './swing.js';

/** One rung of the ladder as it went. */
interface Read {
  readonly stiffness: number;
  readonly swing: Swing;
  /** Damping ratio with the angle that bearing friction adds taken out. */
  readonly damping: number;
  /** Largest command, N·m. */
  readonly amplitude: number;
  /** By how much the motor torque was later than the command, s. */
  readonly lag: number;
}

const THIN = 500; // samples a second that are fitted
const GUARD = 0.03; // s after the kick: what the kick stirred up besides the swing is gone then
const FEWEST_CYCLES = 1.5;
const CLEAN = 0.5; // most that may be left over, of the swing

/** Sample at which the loop was ended at its limit, or the length of the record. */
export function endOfLoop(command: Float32Array, rate: number, limit: number): number {
  let last = command.length - 1;
  while (last >= 0 && Math.abs(command[last] as number) < 1e-3) last -= 1;
  const silent = command.length - 1 - last;
  if (silent < QUIET * rate) return command.length;
  const from = Math.max(0, last - Math.round(LAST_SWING * rate));
  let most = 0;
  for (let i = from; i <= last; i++) most = Math.max(most, Math.abs(command[i] as number));
  return most >= NEAR_LIMIT * limit ? last : command.length;
}

const QUIET = 0.02; // s at zero that nothing but the end of the loop explains
const LAST_SWING = 0.25; // s
const NEAR_LIMIT = 0.8;

/** Reads the rungs that were played until the loop was ended. */
function readLadder(
  take: Take,
  part: Stretch<'virtual-spring'>,
  stand: StandModel,
): { readonly rungs: readonly Read[] } | NotEvaluated {
  const channels = channelsOf(take, ['command', 'current', 'torque']);
  if ('kind' in channels) return channels;
  const { command } = channels;
  const end = endOfLoop(command, take.rate, part.pattern.limit);
  const rungs: Read[] = [];
  for (const rung of rungsOf(part.pattern)) {
    const from = Math.round((part.from + rung.from + KICK + GUARD) * take.rate);
    const to = Math.min(end, Math.round((part.from + rung.to) * take.rate));
    const ended = end < Math.round((part.from + rung.to) * take.rate);
    const expected = Math.sqrt(rung.stiffness / part.pattern.wheel.inertia) / (2 * Math.PI);
    if (to - from < (FEWEST_CYCLES * take.rate) / expected) {
      return ended ? { rungs } : tooShort(rung, expected);
    }
    const read = readRung(channels, take.rate, { from, to, expected });
    if (read === undefined) {
      return notEvaluated(`At ${shown(rung.stiffness)} N·m/rad no swing can be fitted.`);
    }
    rungs.push({ stiffness: rung.stiffness, ...withoutFriction(read, stand) });
    if (ended) return { rungs };
  }
  return { rungs };
}

function tooShort(rung: Rung, expected: number): NotEvaluated {
  const needed = shown(FEWEST_CYCLES / expected + KICK + GUARD);
  return notEvaluated(
    `A rung lasts ${shown(rung.to - rung.from)} s; at ${shown(rung.stiffness)} N·m/rad ${needed} s are needed.`,
  );
}

/** A rung as its channels show it; delays behind the command, s. */
interface Seen {
  readonly swing: Swing;
  readonly amplitude: number;
  readonly current: number;
  readonly torque: number;
}

function readRung(
  channels: Readonly<Record<'command' | 'current' | 'torque', Float32Array>>,
  rate: number,
  { from, to, expected }: { readonly from: number; readonly to: number; readonly expected: number },
): Seen | undefined {
  const block = Math.max(1, Math.round(rate / THIN));
  const count = Math.floor((to - from) / block);
  const thin = rate / block;
  const swing = bestSwing(blockMeans(channels.command, from, count, block), thin, expected);
  if (swing === undefined || swing.residual > CLEAN) return undefined;
  let amplitude = 0;
  for (let i = from; i < to; i++) {
    amplitude = Math.max(amplitude, Math.abs(channels.command[i] as number));
  }
  const { cos, sin } = wavesOf(count, thin, swing.frequency, swing.growth);
  const columns = [cos, sin, new Float64Array(count).fill(1)];
  const behind = (x: Float32Array): number => {
    const same = leastSquares(columns, blockMeans(x, from, count, block))?.coefficients;
    const [a = 0, b = 0] = same ?? [];
    // a·cos + b·sin = |c|·cos(ωt − atan2(b, a)): what is later has the greater angle.
    const angle = Math.atan2(b, a) - Math.atan2(swing.b, swing.a);
    const turn = angle - 2 * Math.PI * Math.round(angle / (2 * Math.PI));
    return turn / (2 * Math.PI * swing.frequency);
  };
  return { swing, amplitude, current: behind(channels.current), torque: behind(channels.torque) };
}

/**
 * Takes out what bearing friction does to the loop of a locked shaft. There it holds the torque at
 * the transducer back behind that of the motor, by the more the smaller the swing, and an angle φ in
 * the loop takes φ/2 off the damping ratio. On a wheel that turns it would damp instead.
 */
function withoutFriction(seen: Seen, stand: StandModel): Omit<Read, 'stiffness'> {
  const { swing, amplitude } = seen;
  const lag = seen.current - stand.currentDelay;
  const held = seen.torque - stand.torqueDelay - lag;
  const damping = swing.damping + Math.PI * swing.frequency * held;
  return { swing, amplitude, lag, damping };
}

const GOOD = 0.2; // left over of the swing; a fit that leaves less needs no other first guess

/** Fits from one first guess after another: a swing may die away or grow within a cycle. */
function bestSwing(y: Float64Array, rate: number, expected: number): Swing | undefined {
  let best: Swing | undefined;
  for (const share of [-0.05, 0.05, -0.2]) {
    for (const factor of [1, 0.8, 1.25]) {
      const growth = share * 2 * Math.PI * expected;
      const fit = fitSwing(y, rate, { frequency: factor * expected, growth });
      if (fit === undefined || Math.abs(Math.log(fit.frequency / expected)) > 1) continue;
      if (best === undefined || fit.residual < best.residual) best = fit;
      if (best.residual < GOOD) return best;
    }
  }
  return best;
}

const MARGIN = {
  damping: { dimension: 'ratio', default: 0 },
  /** s that the bench adds to the loop and no channel shows: converter and reckoning; for the rule only. */
  'loop-delay': { dimension: 'time', default: 0 },
} as const;

/** Where the damping ratio comes down to a level, N·m/rad, between the two rungs that enclose it. */
function crossing(rungs: readonly Read[], level: number): number | undefined {
  const i = rungs.findIndex(({ damping }) => damping <= level);
  const [before, after] = [rungs[i - 1], rungs[i]];
  if (before === undefined || after === undefined) return undefined;
  // (b + B − K·t_d)/2√(J·K) is what a delay leaves of the damping: times √K it is near straight in K.
  const over = ({ damping, stiffness }: Read): number => (damping - level) * Math.sqrt(stiffness);
  const [high, low] = [over(before), over(after)];
  return before.stiffness + ((after.stiffness - before.stiffness) * high) / (high - low);
}

interface Margin {
  readonly value: number;
  readonly bound: 'at-least' | undefined;
  readonly rungs: readonly Read[];
}

function marginOf(
  take: Take,
  part: Stretch<'virtual-spring'>,
  level: number,
  stand: StandModel,
): Margin | NotEvaluated {
  const ladder = readLadder(take, part, stand);
  if ('kind' in ladder) return ladder;
  const { rungs } = ladder;
  const found = crossing(rungs, level);
  if (found !== undefined) return { value: found, bound: undefined, rungs };
  const [first, last] = [rungs[0], rungs.at(-1)];
  if (first === undefined || last === undefined) {
    return notEvaluated('The spring asked for more than its limit on the first rung.');
  }
  if (first.damping <= level) {
    const at = `already at ${shown(first.stiffness)} N·m/rad`;
    return notEvaluated(`The damping is ${shown(first.damping)} ${at}: begin the ladder softer.`);
  }
  // No rung that could be read came down to the level: the margin is no less than the last of them.
  return { value: last.stiffness, bound: 'at-least', rungs };
}

function ladderEvidence(
  { rungs, value }: Margin,
  pattern: VirtualSpringPattern,
  loop: { readonly period: number; readonly known: number },
): Evidence {
  const { inertia, drag } = pattern.wheel;
  const wheel = { inertia, damping: drag };
  const { period } = loop;
  const nearest = rungs.reduce((a, b) =>
    Math.abs(b.stiffness - value) < Math.abs(a.stiffness - value) ? b : a,
  );
  const delay = Math.max(0, nearest.lag + loop.known);
  const needed = passivityBound({ stiffness: 0, damping: pattern.damping }, period);
  return {
    kind: 'ladder',
    points: rungs.map(({ stiffness, damping, amplitude }) => ({ stiffness, damping, amplitude })),
    margin: value,
    rule: linearStiffness(wheel, pattern.damping, { period, delay }),
    passive: Math.max(0, (2 * (drag - needed)) / period),
  };
}

const SPRING = {
  from: ['virtual-spring'],
  power: 'on',
  takes: 1,
  side: 'shaft',
  gates: DYNAMIC,
  check: 'tests/unit/closed-loop.test.ts',
} as const;

const stabilityMargin: Characteristic = {
  ...SPRING,
  id: 'stability-margin',
  name: 'stability margin',
  definition:
    'Stiffness of the virtual spring at which the damping ratio of the swing after a kick comes down to the level, 0 unless stated, between the two rungs that enclose it; where it stays above on every rung that can be read, the last of them as a lower bound; what bearing friction does to the loop of a locked shaft is taken out.',
  formula:
    'u ≈ u₀ + e^(σt)·(a·cos ωt + b·sin ωt) on each rung; ζ = −σ/√(σ² + ω²) + φ/2, φ the angle by which τ_shaft follows τ_i later than the delays of the channels explain; K where (ζ − ζ₀)·√K = 0, straight between rungs',
  shifts:
    'delay of the channels and of the loop that the bench reckons; smoothing setting; a kick so small that the swing is friction alone',
  dimension: 'stiffness',
  unit: 'N·m/rad',
  options: MARGIN,
  source:
    'common practice, no source; beside it the linear rule of Gil et al. with the delay of the same capture, and the passivity bound of Colgate & Schenkel (both from memory)',
  score: (capture, stage, reading, { stand }) => {
    const part = lastPart(stage.pattern, 'virtual-spring');
    if (part === undefined) return notEvaluated('The stage closes no loop.');
    const level = option(reading.options, MARGIN, 'damping');
    const found: Margin[] = [];
    for (const take of capture.takes) {
      const margin = marginOf(take, part, level, stand);
      if ('kind' in margin) return margin;
      found.push(margin);
    }
    const known = stand.torqueDelay + option(reading.options, MARGIN, 'loop-delay');
    return marginOutcome(found, part.pattern, { period: 1 / stage.updates, known });
  },
};

function marginOutcome(
  found: readonly Margin[],
  pattern: VirtualSpringPattern,
  loop: { readonly period: number; readonly known: number },
): Outcome {
  const [first] = found;
  if (first === undefined) throw new Error('a capture without takes');
  const evidence = ladderEvidence(first, pattern, loop);
  const values = found.map(({ value }) => value);
  if (found.some(({ bound }) => bound !== undefined)) {
    return measured(Math.min(...values), { evidence, bound: 'at-least' });
  }
  if (values.length === 1) return measured(first.value, { evidence });
  const spread = standardDeviation(values);
  return measured(mean(values), { evidence, spread, repeats: values.length });
}

const CYCLE = {
  settling: { dimension: 'time', default: 1 },
  cycles: { dimension: 'count', default: 20 },
} as const;
const SWING = { from: 1, to: 60 }; // Hz: where a wheel on a spring can swing
const FLOOR = 0.003; // N·m, amplitude: below, there is no swing to follow
const STEADY = 0.8; // least ratio of the second half of the time to the first

const limitCycle: Characteristic = {
  ...SPRING,
  id: 'limit-cycle',
  name: 'limit cycle',
  definition:
    'Peak to peak of the strongest line of shaft torque from 1 Hz to 60 Hz on the last rung after the kick has died away, over 20 cycles or more; where the swing reaches the limit of the spring, twice that limit as a lower bound.',
  formula: '2·|c(f)| at the greatest line, flat-top window; f is marked in the spectrum',
  shifts:
    'friction of the bearing, which on a locked shaft delays the loop and feeds a swing of its own, some 0.2 N·m to 0.5 N·m at 40 N·m/rad for 25 mN·m; size of the kick where more than one swing can hold itself',
  dimension: 'torque',
  unit: 'mN·m',
  options: CYCLE,
  source: 'common practice, no source',
  score: (capture, stage, reading) => {
    const part = lastPart(stage.pattern, 'virtual-spring');
    if (part === undefined) return notEvaluated('The stage closes no loop.');
    const found: Outcome[] = capture.takes.map((take) => cycleOf(take, part, reading.options));
    const none = found.find((outcome) => outcome.kind === 'not-evaluated');
    if (none !== undefined) return none;
    // The largest counts; a swing that reached the limit is larger than any other.
    return found.reduce((a, b) =>
      a.kind === 'measured' && b.kind === 'measured' && b.value > a.value ? b : a,
    );
  },
};

function cycleOf(
  take: Take,
  part: Stretch<'virtual-spring'>,
  options: Readonly<Record<string, number>>,
): Outcome {
  const channels = channelsOf(take, ['command', 'torque']);
  if ('kind' in channels) return channels;
  const { limit, wheel } = part.pattern;
  if (endOfLoop(channels.command, take.rate, limit) < channels.command.length) {
    return measured(2 * limit, { bound: 'at-least' });
  }
  const rung = rungsOf(part.pattern).at(-1);
  if (rung === undefined) throw new Error('a ladder without rungs');
  const from = Math.round((part.from + rung.from + option(options, CYCLE, 'settling')) * take.rate);
  const to = Math.min(channels.torque.length, Math.round((part.from + rung.to) * take.rate));
  const expected = Math.sqrt(rung.stiffness / wheel.inertia) / (2 * Math.PI);
  const cycles = ((to - from) / take.rate) * expected;
  const needed = option(options, CYCLE, 'cycles');
  if (!(cycles >= needed)) {
    return notEvaluated(
      `About ${shown(Math.max(0, cycles))} cycles fit into the rung after settling; ${shown(needed)} are needed.`,
    );
  }
  const block = Math.max(1, Math.round(take.rate / THIN));
  const count = Math.floor((to - from) / block);
  const torque = blockMeans(channels.torque, from, count, block);
  return strongest(torque, take.rate / block);
}

/** Reads the strongest line in the range of swings, which must be as strong at the end as before. */
function strongest(torque: Float64Array, rate: number): Outcome {
  const level = mean(torque);
  const rest = torque.map((value) => value - level);
  const spacing = rate / rest.length / 2;
  const count = Math.floor((SWING.to - SWING.from) / spacing);
  const frequency = Float64Array.from({ length: count }, (_, k) => SWING.from + k * spacing);
  const window = windowOf('flattop', rest.length);
  const amplitudeOf = (x: Float64Array, weights: Float64Array, f: number): number => {
    const { re, im } = lineOf(x, weights, f / rate);
    return Math.hypot(re, im);
  };
  const amplitude = frequency.map((f) => amplitudeOf(rest, window, f));
  const k = amplitude.reduce((best, a, i) => (a > (amplitude[best] as number) ? i : best), 0);
  const f = frequency[k] as number;
  const half = Math.floor(rest.length / 2);
  const short = windowOf('flattop', half);
  const [early, late] = [rest.subarray(0, half), rest.subarray(half, 2 * half)].map((x) =>
    amplitudeOf(x, short, f),
  ) as [number, number];
  const isDying = early > FLOOR && late < STEADY * early;
  if (isDying && late > FLOOR) {
    const fallen = `from ${shown(early * 1000)} mN·m to ${shown(late * 1000)} mN·m`;
    return notEvaluated(`The swing at ${shown(f)} Hz still dies away, ${fallen}: wait longer.`);
  }
  // A kick that is still seen early and gone late leaves what it had hidden: the late half.
  const found = isDying ? late : (amplitude[k] as number);
  const toLevel = (a: number): number => 20 * Math.log10(Math.max(a, 1e-9));
  const mark = { frequency: f, level: toLevel(found), label: `${shown(f)} Hz` };
  const marks = found > FLOOR ? { marks: [mark] } : {};
  return measured(2 * found, {
    evidence: {
      kind: 'spectrum',
      frequency,
      level: amplitude.map(toLevel),
      unit: 'dB re 1 N·m',
      ...marks,
    },
  });
}

/** Characteristics of an item as a virtual spring on a wheel. */
export const CLOSED_LOOP: readonly Characteristic[] = [stabilityMargin, limitCycle];
