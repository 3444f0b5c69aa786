import type { Capture, Screened } from '../capture/capture.js';
import type { Stage } from '../procedure/procedure.js';
import { STATIC } from './dependence.js';
import { fitLine, greatestMagnitude, loopWidths, mean } from './line.js';
import {
  type NotEvaluated,
  type Stretch,
  channelsOf,
  lastPart,
  measured,
  notEvaluated,
  option,
  samplesOf,
  shown,
} from './reading.js';
import type { Characteristic, Context, Evidence } from './scoring.js';

/** A loop cut into strips of equal command, rising and falling branch apart. */
export interface Loop {
  /** Mean command of the middle of each strip that both branches cross, N·m. */
  readonly command: readonly number[];
  /** Deviation from the line through the loop, N·m. */
  readonly rising: readonly number[];
  readonly falling: readonly number[];
  /** Slope of that line. */
  readonly slope: number;
}

const STRIPS = 100;
/** Outer share of the amplitude that is left out: there the loop closes. */
const OUTER = 0.95;
/** Half of the time over which the command must grow or fall to belong to a branch, s. */
const SENSE = 0.01;

interface Scored {
  readonly command: Float32Array;
  readonly rate: number;
  readonly first: number;
  readonly end: number;
  readonly amplitude: number;
}

/**
 * Sorts samples into strips by command, `delay` s after the command.
 *
 * Means over strips, not samples, are compared: the widest of many noisy samples is noise.
 */
function loopOf(scored: Scored, produced: Float32Array, delay: number): Loop | NotEvaluated {
  const { command, rate, first, end, amplitude } = scored;
  const shift = Math.floor(delay * rate);
  const share = delay * rate - shift;
  const sense = Math.round(SENSE * rate);
  const sums = { rising: strips(), falling: strips() };
  for (let i = first; i < end; i++) {
    const u = command[i] as number;
    const strip = Math.floor((u / amplitude / OUTER + 1) * (STRIPS / 2));
    const later = i + shift + 1;
    if (strip < 0 || strip >= STRIPS || later >= produced.length) continue;
    const before = command[Math.max(first, i - sense)] as number;
    const after = command[Math.min(end - 1, i + sense)] as number;
    if (after === before) continue;
    const here = produced[later - 1] as number;
    const y = here + share * ((produced[later] as number) - here);
    const branch = after > before ? sums.rising : sums.falling;
    branch.n[strip] = (branch.n[strip] as number) + 1;
    branch.u[strip] = (branch.u[strip] as number) + u;
    branch.y[strip] = (branch.y[strip] as number) + y;
  }
  return closeLoop(sums.rising, sums.falling);
}

interface Sums {
  readonly n: Float64Array;
  readonly u: Float64Array;
  readonly y: Float64Array;
}

function strips(): Sums {
  return {
    n: new Float64Array(STRIPS),
    u: new Float64Array(STRIPS),
    y: new Float64Array(STRIPS),
  };
}

function closeLoop(rising: Sums, falling: Sums): Loop | NotEvaluated {
  const crossed = Array.from({ length: STRIPS }, (_, k) => k).filter(
    (k) => (rising.n[k] as number) >= 10 && (falling.n[k] as number) >= 10,
  );
  if (crossed.length < STRIPS / 4) {
    return notEvaluated(`Both branches of the loop cross ${crossed.length} of ${STRIPS} strips.`);
  }
  const at = (sums: Sums, key: 'u' | 'y'): number[] =>
    crossed.map((k) => (sums[key][k] as number) / (sums.n[k] as number));
  const [ru, ry, fu, fy] = [at(rising, 'u'), at(rising, 'y'), at(falling, 'u'), at(falling, 'y')];
  const line = fitLine('least-squares', [...ru, ...fu], [...ry, ...fy]);
  if (line === undefined) return notEvaluated('The command does not move.');
  const rest = (u: number[], y: number[]): number[] =>
    y.map((v, i) => v - line.slope * (u[i] as number) - line.intercept);
  return {
    command: ru.map((u, i) => (u + (fu[i] as number)) / 2),
    rising: rest(ru, ry),
    falling: rest(fu, fy),
    slope: line.slope,
  };
}

/** Longest lag of the motor behind a slow triangle that is believed, s. */
const LONGEST_LAG = 0.02;

/**
 * Builds the loop of shaft torque against command with the lag taken out.
 *
 * A lag of L widens a loop by 2·L·du/dt, everywhere alike, as friction does. It is therefore not
 * taken from this loop but from the motor current, which knows no friction, and from the delays of
 * the channels in the stand model.
 */
export function frictionLoop(
  capture: Screened<Capture>,
  part: Stretch<'triangle'>,
  conditioning: number,
  context: Context,
): { readonly loop: Loop; readonly lag: number } | NotEvaluated {
  const take = capture.takes[0];
  const channels = channelsOf(take, ['command', 'torque', 'current']);
  if ('reason' in channels) return channels;
  const { amplitude, frequency, cycles } = part.pattern;
  if (conditioning >= cycles) {
    return notEvaluated(
      `Of ${cycles} cycles ${shown(conditioning)} are conditioning: none is left.`,
    );
  }
  // The first quarter climbs from rest and belongs to no branch.
  const skipped = Math.max(conditioning, 0.25) / frequency;
  const { first, end } = samplesOf(take, part.from + skipped, part.to);
  const scored = { command: channels.command, rate: take.rate, first, end, amplitude };
  const motor = loopOf(scored, channels.current, 0);
  if ('reason' in motor) return motor;
  const slew = 4 * amplitude * frequency; // N·m/s
  const width = mean(loopWidths(motor.rising, motor.falling)) / motor.slope;
  const lag = width / (2 * slew);
  if (!(Math.abs(lag) <= LONGEST_LAG)) {
    const most = `more than ${LONGEST_LAG * 1000} ms: lag and hysteresis cannot be told apart`;
    return notEvaluated(`The current lags the command by ${shown(lag * 1000)} ms, ${most}.`);
  }
  const { currentDelay, torqueDelay } = context.stand;
  const shaftLag = Math.max(0, lag - currentDelay + torqueDelay);
  const loop = loopOf(scored, channels.torque, shaftLag);
  return 'reason' in loop ? loop : { loop, lag: shaftLag };
}

const triangle = {
  from: ['triangle'],
  power: 'on',
  takes: 1,
  side: 'shaft',
  gates: STATIC,
} as const;

const HYSTERESIS_OPTIONS = { conditioning: { dimension: 'count', default: 1 } } as const;

const hysteresis: Characteristic = {
  ...triangle,
  id: 'hysteresis',
  name: 'hysteresis',
  definition:
    'Greatest width between falling and rising shaft torque at the same command, lag taken out, as a share of the span of the torque, from means over strips of 1 % of the triangle after conditioning.',
  formula: 'max |τ falling − τ rising| / (2 · g · amplitude), at equal u',
  shifts:
    'a lag taken out wrongly, 2 · lag · du/dt wide; hysteresis of the transducer; a triangle faster than 0.1 Hz',
  dimension: 'ratio',
  unit: '%',
  options: HYSTERESIS_OPTIONS,
  source: 'IEC 61298-2, hysteresis (from memory)',
  check: 'tests/checks/linearity.check.ts',
  score: (capture, stage, reading, context) => {
    const part = lastPart(stage.pattern, 'triangle');
    if (part === undefined) return notEvaluated('The stage holds no triangle.');
    const conditioning = option(reading.options, HYSTERESIS_OPTIONS, 'conditioning');
    const found = frictionLoop(capture, part, conditioning, context);
    if ('reason' in found) return found;
    const span = 2 * part.pattern.amplitude * Math.abs(found.loop.slope);
    const { rising, falling } = found.loop;
    const widest = greatestMagnitude(loopWidths(rising, falling));
    return measured(widest / span, { evidence: evidenceOf(found.loop) });
  },
};

/** Both branches as they were compared, about zero, the rising one first. */
function evidenceOf({ command, rising, falling, slope }: Loop): Evidence {
  const widths = loopWidths(rising, falling).map(Math.abs);
  const widest = widths.reduce(
    (best, width, i) => (width > (widths[best] as number) ? i : best),
    0,
  );
  const torque = (deviations: readonly number[]): readonly number[] =>
    deviations.map((deviation, i) => slope * (command[i] as number) + deviation);
  return {
    kind: 'loop',
    command: Float64Array.from([...command, ...command.toReversed()]),
    torque: Float64Array.from([...torque(rising), ...torque(falling).toReversed()]),
    width: widths[widest] ?? 0,
    at: command[widest] ?? 0,
  };
}

const FRICTION_OPTIONS = {
  conditioning: { dimension: 'count', default: 0 },
  around: { dimension: 'ratio', default: 0.1 },
} as const;

const staticFriction: Characteristic = {
  ...triangle,
  id: 'static-friction',
  name: 'static friction',
  definition:
    'Half the width between falling and rising shaft torque at zero command, lag taken out, averaged over commands within 10 % of the amplitude.',
  formula: 'mean(τ falling − τ rising) / 2 over |u| ≤ 10 % of the amplitude',
  shifts:
    'a lag taken out wrongly; noise of the current loop, which shakes the bearing free; side load of the clamp',
  dimension: 'torque',
  unit: 'mN·m',
  options: FRICTION_OPTIONS,
  source: 'common practice, no source',
  check: 'tests/unit/loop.test.ts',
  score: (capture, stage, reading, context) => {
    const part = lastPart(stage.pattern, 'triangle');
    if (part === undefined) return notEvaluated('The stage holds no triangle.');
    const conditioning = option(reading.options, FRICTION_OPTIONS, 'conditioning');
    const found = frictionLoop(capture, part, conditioning, context);
    if ('reason' in found) return found;
    const { command, rising, falling } = found.loop;
    const reach = option(reading.options, FRICTION_OPTIONS, 'around') * part.pattern.amplitude;
    const near = loopWidths(rising, falling).filter((_, i) => Math.abs(command[i] ?? 0) <= reach);
    if (near.length === 0) return notEvaluated('Only one branch of the loop crosses zero.');
    return measured(mean(near) / 2);
  },
};

/** Means are taken over this long, s: one period of 50 Hz. */
const BLOCK = 0.02;
/** Most travel of the command in that time, N·m: a deadband cannot be read finer. */
const MOST_TRAVEL = 0.005;

interface Block {
  readonly command: number;
  readonly torque: number;
}

function blocksOf(
  stage: Stage,
  capture: Screened<Capture>,
  delay: number,
): readonly Block[] | NotEvaluated {
  const part = lastPart(stage.pattern, 'triangle');
  if (part === undefined) return notEvaluated('The stage holds no triangle.');
  const take = capture.takes[0];
  const channels = channelsOf(take, ['command', 'torque']);
  if ('reason' in channels) return channels;
  const travel = 4 * part.pattern.amplitude * part.pattern.frequency * BLOCK;
  if (travel > MOST_TRAVEL) {
    const most = `at most ${MOST_TRAVEL * 1000} are allowed`;
    return notEvaluated(`The command moves ${shown(travel * 1000)} mN·m in 20 ms; ${most}.`);
  }
  const length = Math.round(BLOCK * take.rate);
  const shift = Math.round(delay * take.rate);
  const { first, end } = samplesOf(take, part.from + 0.25 / part.pattern.frequency, part.to);
  const blocks: Block[] = [];
  for (let i = first; i + length + shift <= end; i += length) {
    blocks.push({
      command: mean(channels.command, i, i + length),
      torque: mean(channels.torque, i + shift, i + shift + length),
    });
  }
  return blocks;
}

const deadband: Characteristic = {
  ...triangle,
  id: 'deadband',
  name: 'deadband',
  definition:
    'Half the interval of command around zero in which the shaft torque, as means over 20 ms, stays within three standard deviations of its value at zero command on the same branch, averaged over the crossings.',
  formula: 'half the interval of u around 0 in which |τ − τ(u = 0)| ≤ 3σ',
  shifts:
    'noise, which widens the band of 3σ; friction; a triangle too fast for its means over 20 ms',
  dimension: 'torque',
  unit: 'mN·m',
  options: {},
  source: 'common practice, no source',
  check: 'tests/unit/loop.test.ts',
  score: (capture, stage, _reading, context) => {
    const blocks = blocksOf(stage, capture, context.stand.torqueDelay);
    if ('reason' in blocks) return blocks;
    const halves = crossingsOf(blocks).map((crossing) => halfDeadband(blocks, crossing));
    const found = halves.filter((half) => half !== undefined);
    if (found.length === 0) return notEvaluated('No crossing of zero is long enough to be read.');
    return measured(mean(found), { repeats: found.length });
  },
};

/** Blocks after which the command has another sign than before. */
function crossingsOf(blocks: readonly Block[]): readonly number[] {
  return blocks.flatMap((block, i) => {
    const before = blocks[i - 1];
    return before !== undefined && before.command * block.command <= 0 && before.command !== 0
      ? [i]
      : [];
  });
}

/** Reads one crossing; the branch reaches half an amplitude to either side of it. */
function halfDeadband(blocks: readonly Block[], crossing: number): number | undefined {
  const reach = Math.max(...blocks.map((block) => Math.abs(block.command))) / 2;
  let first = crossing;
  while (first > 0 && Math.abs(blocks[first - 1]?.command ?? 0) < reach) first--;
  let end = crossing;
  while (end < blocks.length && Math.abs(blocks[end]?.command ?? 0) < reach) end++;
  if (crossing - first < 10 || end - crossing < 10) return undefined;
  const branch = blocks.slice(first, end);
  const outside = branch.filter((block) => Math.abs(block.command) > reach / 2);
  const noise = scatterAboutBranch(outside);
  const centre = branchAtZero(branch);
  if (noise === undefined || centre === undefined) return undefined;
  const inside = (i: number): boolean =>
    Math.abs((blocks[i] as Block).torque - centre) <= 3 * noise;
  let low = crossing;
  while (low > first && inside(low - 1)) low--;
  let high = crossing - 1;
  while (high < end - 1 && inside(high + 1)) high++;
  if (low === first || high === end - 1) return undefined;
  const width = Math.abs((blocks[high] as Block).command - (blocks[low] as Block).command);
  return width / 2;
}

/** Scatter of block means about one line on each side of zero, N·m. */
function scatterAboutBranch(outside: readonly Block[]): number | undefined {
  let squares = 0;
  let freedom = 0;
  for (const side of [outside.filter((b) => b.command > 0), outside.filter((b) => b.command < 0)]) {
    const x = side.map((b) => b.command);
    const y = side.map((b) => b.torque);
    const line = fitLine('least-squares', x, y);
    if (line === undefined) return undefined;
    y.forEach((v, i) => (squares += (v - line.slope * (x[i] as number) - line.intercept) ** 2));
    freedom += side.length - 2;
  }
  return freedom > 4 ? Math.sqrt(squares / freedom) : undefined;
}

/** Torque at zero command between the two blocks that enclose it, N·m. */
function branchAtZero(branch: readonly Block[]): number | undefined {
  const after = branch.findIndex(
    (b, i) => i > 0 && b.command * (branch[i - 1] as Block).command <= 0,
  );
  const [a, b] = [branch[after - 1], branch[after]];
  if (a === undefined || b === undefined || a.command === b.command) return undefined;
  return a.torque + ((b.torque - a.torque) * a.command) / (a.command - b.command);
}

/** Characteristics that are read off slow triangles. */
export const LOOPS: readonly Characteristic[] = [hysteresis, staticFriction, deadband];
