/** What an ideal bench would read of one drawn item, row by row of the limits, in base units. */
import type { ItemParameters, StandParameters } from '../../src/bench/spread.js';
import { coggingAt, commutationAt } from '../../src/bench/spread.js';
import { drawParameters } from '../../src/bench/truth.js';
import { underlyingShape } from '../../src/pattern/shapes.js';
import type { Pattern, Stage } from '../../src/procedure/procedure.js';
import {
  type IdealItem,
  type IdealStatic,
  idealBandwidth,
  idealGain,
  idealGrain,
  idealPhaseBandwidth,
  idealPhaseDelay,
  idealLag,
  idealRise,
  idealSlew,
  idealStep,
  idealTorque,
  reaching,
  slewLag,
} from '../support/reference.js';
import { shaftUnder, shareAtRest, stickingGain } from '../support/reference-shaft.js';
import type { RunDocuments } from '../support/simulated-run.js';
import { magnetsAt, warmedThrough } from './heat-reference.js';
import { deviationOf, meanOf } from './report.js';
import {
  latchedOf,
  loopTime,
  motorTorque,
  noiseGain,
  RATE,
  RIPPLE,
  shaftOf,
} from './ideal-chain.js';

/** Everything about one drawn item that the rows are reckoned from. */
interface Drawn {
  readonly documents: RunDocuments;
  readonly item: ItemParameters;
  readonly stand: StandParameters;
  readonly seed: number;
  readonly temperatures: ReturnType<typeof warmedThrough>;
  /** By smoothing setting. */
  readonly at: (setting: number) => IdealItem;
  /** The static law at a time of a stage. */
  readonly held: (stage: string, time: number) => IdealStatic;
  /** N·m/s, and the gain of the current channel: as they are, or 0 and 1. */
  readonly drift: number;
  readonly currentGain: number;
}

type Rows = Record<string, number>;

/** Which truth is wanted. */
export interface Wanted {
  readonly attempt?: number;
  /**
   * Also what this stand gets wrong and no score can know of: the gains of its transducer and current
   * sensor, its drift. Without it the values are those of the item alone.
   */
  readonly withStand?: boolean;
}

function drawnOf(documents: RunDocuments, serial: string, wanted: Wanted): Drawn {
  const { station, procedure } = documents;
  const { attempt = 1, withStand = false } = wanted;
  const { item, stand } = drawParameters({ station, serial, attempt, faults: [] });
  const temperatures = warmedThrough(procedure, item, stand.ambient);
  const seen = withStand ? 1 + stand.torqueGain : 1;
  return {
    documents,
    item,
    stand,
    seed: Number(serial.slice(-5)),
    temperatures,
    at: (setting) => ({
      deadTime: item.deadTime,
      smoothing: item.smoothing[setting] ?? NaN,
      slew: item.slew,
      loop: loopTime(item),
    }),
    held: (stage, time) => ({
      torqueConstant:
        item.torqueConstant *
        commutationAt(item, stand.angle) *
        magnetsAt(temperatures(stage, time).body) *
        seen,
      assumedConstant: item.assumedConstant,
      split: item.split,
      droop: item.droop,
      offset: item.offset,
    }),
    drift: withStand ? stand.drift : 0,
    currentGain: withStand ? 1 + stand.currentGain : 1,
  };
}

/** Reckons the true values of every row of the limits that has one, for a serial on one clamping. */
export function truthOf(
  documents: RunDocuments,
  serial: string,
  wanted: Wanted = {},
): ReadonlyMap<string, number> {
  const drawn = drawnOf(documents, serial, wanted);
  const level = levels(drawn, SEEDS);
  return new Map(
    Object.entries({
      ...zeros(drawn),
      ...level.rows,
      ...bearing(drawn),
      ...edges(drawn, level.scale),
      ...response(drawn),
      ...smoothing(drawn, level.scale),
      ...purity(drawn),
      ...holds(drawn, level),
      ...turned(drawn),
      ...looped(drawn),
      'field.missing-updates': 0,
    }),
  );
}

/** What the bearing does on the triangle of the documents, whatever its frequency. */
export const bearingOf = (documents: RunDocuments, serial: string): ReadonlyMap<string, number> =>
  new Map(Object.entries(bearing(drawnOf(documents, serial, {}))));

/**
 * The rows for which a least error is known, on one clamping of a stand with all that was drawn for it,
 * but for the bearing: what it holds back on the mean is the same for every attempt of a serial and
 * drops out of their scatter.
 */
export function boundedTruthOf(
  documents: RunDocuments,
  serial: string,
  attempt: number,
): ReadonlyMap<string, number> {
  const drawn = drawnOf(documents, serial, { attempt, withStand: true });
  const level = levels(drawn, 0);
  return new Map(
    Object.entries({
      ...level.rows,
      ...smoothing(drawn, level.scale),
      'steps-0.dead-time': drawn.item.deadTime,
    }),
  );
}

/**
 * Standard deviation over repeats of what the bearing holds back in each scored hold, N·m; where the
 * ripple stands when a hold begins is chance as well.
 */
export function bearingScatter(
  documents: RunDocuments,
  serial: string,
  repeats: number,
): readonly number[] {
  const drawn = drawnOf(documents, serial, {});
  const all = Array.from({ length: repeats }, (_, k) =>
    heldBack({ ...drawn, seed: 1000 + k }, k / repeats),
  );
  return (all[0] ?? [])
    .map((_, hold) => deviationOf(all.map((one) => one[hold] as number)))
    .slice(CONDITIONING);
}

function stageOf({ documents }: Drawn, id: string): Stage {
  const stage = documents.procedure.stages.find((candidate) => candidate.id === id);
  if (stage === undefined) throw new Error(`the procedure has no stage "${id}"`);
  return stage;
}

function patternOf<K extends Pattern['kind']>(
  drawn: Drawn,
  id: string,
  kind: K,
): Extract<Pattern, { kind: K }> {
  const { pattern } = stageOf(drawn, id);
  if (pattern.kind !== kind) throw new Error(`stage "${id}" is no ${kind}`);
  return pattern as Extract<Pattern, { kind: K }>;
}

/** Zeros and noise; what hum and converter add to noise is the stand's, and counted as put in. */
function zeros({ item, stand, held }: Drawn): Rows {
  const shaft = shaftOf(item, stand);
  const still = stand.preload + coggingAt(item, stand.angle);
  const sensor = (item.torqueConstant * item.currentNoise) ** 2 / (RATE / 2);
  const converter = stand.torqueNoise ** 2 / (RATE / 2);
  let power = stand.hum ** 2;
  for (let f = 0.75; f < 500; f += 0.5) {
    power += 0.5 * (sensor * (noiseGain(item, f) * stickingGain(shaft, f)) ** 2 + converter);
  }
  return {
    'zero.preload': still,
    'idle.zero-offset': still + shareAtRest(shaft) * idealTorque(held('idle', 0), 0),
    'idle.noise': Math.sqrt(power),
  };
}

interface Levels {
  readonly rows: Rows;
  /** Torque over command around ± 40 %: what motor-side torque is scaled by. */
  readonly scale: number;
  /** N·m/A */
  readonly constant: number;
  /** N·m that the bearing holds back at the end of the first hold at full torque. */
  readonly heldBack: number;
}

const AVERAGE = 0.35; // s
const GUARD = 0.005; // s
const CONDITIONING = 3; // holds
/**
 * Runs over which what the bearing holds back is averaged, each with noise of its own and the ripple
 * beginning elsewhere: where it stands when a level is reached shifts a hold by up to 3 mN·m.
 */
const SEEDS = 8;

/** What the bearing holds back at the end of each hold of the static stage, N·m. */
function heldBack(drawn: Drawn, turns: number): readonly number[] {
  const { item, stand, seed, held } = drawn;
  const pattern = patternOf(drawn, 'static', 'step');
  const kept = new Array<number>(pattern.levels.length).fill(0);
  const law = held('static', (pattern.levels.length * pattern.hold) / 2);
  const torque = motorTorque(latchedOf(stageOf(drawn, 'static')), item, law, 2, turns);
  shaftUnder(shaftOf(item, stand), torque, seed, (i, _, back) => {
    const k = Math.floor(i / (pattern.hold * RATE));
    const into = i / RATE - k * pattern.hold;
    if (into < pattern.hold - GUARD - AVERAGE || into >= pattern.hold - GUARD) return;
    kept[k] = (kept[k] as number) + back / (AVERAGE * RATE);
  });
  return kept;
}

/** The holds of the static stage: what the motor makes less what the bearing holds back. */
function levels(drawn: Drawn, seeds: number): Levels {
  const { item, held, drift, currentGain } = drawn;
  const pattern = patternOf(drawn, 'static', 'step');
  const runs = Array.from({ length: seeds }, (_, k) =>
    heldBack({ ...drawn, seed: drawn.seed + 7919 * k }, k / seeds),
  );
  const kept = (k: number): number =>
    seeds === 0 ? 0 : meanOf(runs.map((run) => run[k] as number));
  const points = pattern.levels.map((command, k) => {
    const time = (k + 1) * pattern.hold - GUARD - AVERAGE / 2;
    const law = held('static', time);
    const current = (currentGain * (command + item.offset)) / item.assumedConstant;
    const made = idealTorque(law, command) - kept(k) + drift * time;
    return { command: Number(command), current, torque: made };
  });
  const scored = points.slice(CONDITIONING);
  const inside = scored.filter(({ command }) => Math.abs(command) > 0.5 && Math.abs(command) < 3.7);
  const constant = slopeOf(inside.map((p) => [p.current, p.torque]));
  const both = (side: number): number =>
    slopeOf(scored.filter((p) => p.command * side > -1e-3).map((p) => [p.command, p.torque]));
  return {
    scale: (constant * currentGain) / item.assumedConstant,
    constant: constant * currentGain,
    heldBack: kept(0),
    rows: {
      'static.static-gain': slopeOf(scored.map((p) => [p.command, p.torque])),
      'static.linearity': nonlinearity(scored),
      'static.symmetry': (2 * (both(1) - both(-1))) / (both(1) + both(-1)),
      'static.torque-constant': constant,
    },
  };
}

function lineOf(points: readonly (readonly [number, number])[]): {
  slope: number;
  at: (x: number) => number;
} {
  const n = points.length;
  const [x0, y0] = [0, 1].map((c) => points.reduce((sum, p) => sum + (p[c] as number), 0) / n) as [
    number,
    number,
  ];
  let [xy, xx] = [0, 0];
  for (const [x, y] of points) {
    xy += (x - x0) * (y - y0);
    xx += (x - x0) ** 2;
  }
  return { slope: xy / xx, at: (x) => y0 + (xy / xx) * (x - x0) };
}

const slopeOf = (points: readonly (readonly [number, number])[]): number => lineOf(points).slope;

function nonlinearity(
  points: readonly { readonly command: number; readonly torque: number }[],
): number {
  const all = [...new Set(points.map((p) => Math.round(1000 * p.command)))].map((key) => {
    const same = points.filter((p) => Math.round(1000 * p.command) === key);
    const mean = same.reduce((sum, p) => sum + p.torque, 0) / same.length;
    return [key / 1000, mean] as const;
  });
  const line = lineOf(all);
  const off = all.map(([x, y]) => Math.abs(y - line.at(x)));
  return Math.max(...off) / Math.max(...all.map(([x]) => Math.abs(x)));
}

const STRIPS = 100;

/** The loop that the bearing leaves open on a slow triangle while the noise of the loop shakes it. */
function bearing(drawn: Drawn): Rows {
  const { item, stand, held, seed } = drawn;
  const { amplitude, frequency } = patternOf(drawn, 'triangle', 'triangle');
  const latched = latchedOf(stageOf(drawn, 'triangle'));
  const law = held('triangle', 10);
  const cycle = RATE / frequency;
  const sums = [new Float64Array(STRIPS), new Float64Array(STRIPS)] as const; // rising, falling
  const counts = [new Float64Array(STRIPS), new Float64Array(STRIPS)] as const;
  shaftUnder(shaftOf(item, stand), motorTorque(latched, item, law, 2), seed + 1, (i, _, back) => {
    const strip = Math.floor(((latched[i] as number) / amplitude / 0.95 + 1) * (STRIPS / 2));
    if (i < cycle || strip < 0 || strip >= STRIPS) return;
    const turn = (i / cycle) % 1;
    const way = turn < 0.25 || turn >= 0.75 ? 0 : 1;
    sums[way][strip] = (sums[way][strip] as number) + back;
    counts[way][strip] = (counts[way][strip] as number) + 1;
  });
  const widths = Array.from({ length: STRIPS }, (_, k) => {
    const of = (way: 0 | 1): number => (sums[way][k] as number) / (counts[way][k] as number);
    return of(0) - of(1);
  }).filter(Number.isFinite);
  const near = widths.slice(45, 55);
  const span = 2 * amplitude * (idealTorque(law, 1) - idealTorque(law, 0));
  return {
    'triangle.hysteresis': Math.max(...widths) / span,
    'triangle.static-friction': near.reduce((a, b) => a + b, 0) / near.length / 2,
    'small-triangle.deadband': 0, // nothing of the kind is in the item
  };
}

function edges(drawn: Drawn, scale: number): Rows {
  const { item, at } = drawn;
  const small = idealStep(at(2), 3, 0.05);
  const last = small.findLastIndex((y) => Math.abs(1 - y) > 0.02);
  return {
    'steps-0.dead-time': item.deadTime,
    'steps-0.rise-time': idealRise(at(0), 3),
    'steps-2.rise-time': idealRise(at(2), 3),
    'steps-0.overshoot': 0,
    'full-step.slew-rate': scale * idealSlew(at(0), 24),
    'steps-2.settling-time': (last + 1.5) * 1e-6,
    'shaped-step.shaft-overshoot': shapedOvershoot(drawn),
    ...supplied(drawn),
  };
}

/** Peak of the mean of all shaped edges over their final level, shaft without noise. */
function shapedOvershoot(drawn: Drawn): number {
  const { item, stand, held, seed } = drawn;
  const pattern = patternOf(drawn, 'shaped-step', 'step');
  const torque = motorTorque(
    latchedOf(stageOf(drawn, 'shaped-step')),
    item,
    held('shaped-step', 0),
    0,
  );
  const hold = Math.round(pattern.hold * RATE);
  const mean = new Float64Array(hold);
  const shaft = { ...shaftOf(item, stand), shaking: 0 };
  const carried = new Float64Array(torque.length);
  shaftUnder(shaft, torque, seed, (i, spring) => (carried[i] = spring));
  const edgesThere = pattern.levels.length * pattern.repeat - 1;
  for (let k = 1; k <= edgesThere; k++) {
    const before = carried.subarray(k * hold - Math.round(0.2 * hold), k * hold);
    const level = before.reduce((a, b) => a + b, 0) / before.length;
    const sense = k % 2 === 1 ? 1 : -1;
    for (let i = 0; i < hold; i++) {
      mean[i] =
        (mean[i] as number) + (sense * ((carried[k * hold + i] as number) - level)) / edgesThere;
    }
  }
  const plateau = mean.subarray(Math.round(0.8 * hold));
  const change = plateau.reduce((a, b) => a + b, 0) / plateau.length;
  return Math.max(0, Math.max(...mean) / change - 1);
}

/** Least bus voltage, mean over 1 ms: a source behind a resistance that settles in 2 ms; and what is left of it. */
function supplied(drawn: Drawn): Rows {
  const { item, stand, held, temperatures } = drawn;
  const latched = latchedOf(stageOf(drawn, 'full-step'));
  const law = {
    ...held('full-step', 0),
    torqueConstant: 1,
    assumedConstant: 1,
    split: 0,
    droop: 0,
  };
  const set = motorTorque(latched, item, law, 0);
  const ohm = (item.resistance * (234.5 + temperatures('full-step', 0).winding)) / 254.5;
  const settle = -Math.expm1(-1 / RATE / 2e-3);
  let [volt, before, sum, least, busiest] = [stand.supplyVoltage, 0, 0, Infinity, 0];
  const course = set.map((torque) => {
    const current = torque / item.assumedConstant;
    const drive = ohm * current + item.inductance * (current - before) * RATE;
    before = current;
    busiest = Math.max(busiest, (Math.sqrt(3) * Math.abs(drive)) / volt);
    const load = (stand.supplyResistance * 1.5 * drive * current) / volt;
    volt += settle * (stand.supplyVoltage - load - volt);
    return volt;
  });
  const window = RATE / 1000;
  course.forEach((v, i) => {
    sum += v - (i >= window ? (course[i - window] as number) : 0);
    if (i >= window - 1) least = Math.min(least, sum / window);
  });
  return { 'full-step.supply-minimum': least, 'full-step.saturation-margin': 1 - busiest };
}

/** What shows when the locked shaft is turned. */
function turned(drawn: Drawn): Rows {
  const { item, stand } = drawn;
  const constants = stageOf(drawn, 'angles').takes.map(({ angle }) =>
    commutationAt(item, stand.angle + (angle ?? 0)),
  );
  const apart = Math.max(...constants) - Math.min(...constants);
  return { 'cogging.cogging': item.cogging, 'angles.torque-over-angle': apart / meanOf(constants) };
}

/** The item in a loop with a wheel, and when its command is lost. */
function looped(drawn: Drawn): Rows {
  const { item, stand, at } = drawn;
  const { damping, wheel } = patternOf(drawn, 'stability', 'virtual-spring');
  const { level } = patternOf(drawn, 'loss', 'silence');
  const period = 1 / stageOf(drawn, 'stability').updates;
  const late = item.deadTime + stand.amplifierDelay + stand.converterDelay / RATE + stand.loopDelay;
  const fall = reaching(idealStep(at(0), level, 0.02), 1 - SILENT);
  return {
    'stability.stability-margin': stiffnessOnEdge({ damping, wheel, period, late, item: at(2) }),
    'loss.command-loss-reaction': item.commandTimeout + fall,
  };
}

/** Share of the torque before, under which a lost command counts as answered. */
const SILENT = 0.05;

/**
 * Stiffness at which K + jωB = (Jω² − jωb)/G(jω): the wheel swings on the edge. G is the hold of the
 * updates, the item and all delays; ω by halving between 1 Hz and 20 Hz.
 */
function stiffnessOnEdge(of: {
  readonly damping: number;
  readonly wheel: { readonly inertia: number; readonly drag: number };
  readonly period: number;
  readonly late: number;
  readonly item: IdealItem;
}): number {
  const edgeAt = (w: number): { readonly real: number; readonly imaginary: number } => {
    const { size, angle } = idealGain({ ...of.item, deadTime: 0 }, w / (2 * Math.PI));
    const half = (w * of.period) / 2;
    const gain = (size * Math.sin(half)) / half;
    const turn = -(angle - w * of.late - half); // 1/G turns forwards by what G lags
    const [re, im] = [of.wheel.inertia * w * w, -of.wheel.drag * w];
    return {
      real: (re * Math.cos(turn) - im * Math.sin(turn)) / gain,
      imaginary: (re * Math.sin(turn) + im * Math.cos(turn)) / gain,
    };
  };
  let [low, high] = [2 * Math.PI, 40 * Math.PI];
  for (let round = 0; round < 60; round++) {
    const middle = (low + high) / 2;
    if (edgeAt(middle).imaginary / middle < of.damping) low = middle;
    else high = middle;
  }
  return edgeAt(low).real;
}

function response({ at }: Drawn): Rows {
  const item = at(2);
  const low = [1, 2, 3, 4, 5].map((f) => idealGain(item, f).size);
  const mean = low.reduce((a, b) => a + b, 0) / low.length;
  return {
    'response.bandwidth': idealBandwidth(item),
    'response.phase-bandwidth': idealPhaseBandwidth(item),
    'response.gain-peaking': 20 * Math.log10(idealGain(item, 5).size / mean),
  };
}

const SETTINGS = [0, 1, 2, 3, 4, 5];

function smoothing(drawn: Drawn, scale: number): Rows {
  const { at } = drawn;
  const { rate, of } = patternOf(drawn, 'smoothing', 'staircase');
  if (of.kind !== 'sine') throw new Error('the sweep is no sine');
  const { amplitude, frequency } = of;
  const lags = SETTINGS.map(
    (s) => idealPhaseDelay(at(s), frequency) + slewLag(at(s), amplitude, frequency, rate),
  );
  const grains = SETTINGS.map((s) => scale * idealGrain(at(s), amplitude, frequency, rate));
  const follow = following(drawn);
  return {
    'smoothing.lag': lags[2] as number,
    'smoothing.grain': grains[2] as number,
    'smoothing.trade-off-departure': 0, // nothing of the kind is in the item
    'smoothing.lag-increase': Math.min(...lags.slice(1).map((lag, i) => lag - (lags[i] as number))),
    'smoothing.grain-ratio': Math.max(...grains.slice(1).map((g, i) => g / (grains[i] as number))),
    ...Object.fromEntries(
      SETTINGS.flatMap((s) => [
        [`lag at setting ${s}`, lags[s] as number],
        [`grain at setting ${s}`, grains[s] as number],
      ]),
    ),
    'field.lag-updates': follow.lag,
    'field.tracking-error': follow.error,
  };
}

const BAND = 500; // Hz, up to which what is left over counts

/** The recording through the item: lag at low frequency, and what is left when lag and gain are taken out. */
function following(drawn: Drawn): { readonly lag: number; readonly error: number } {
  const { item, at, held } = drawn;
  const pattern = patternOf(drawn, 'field', 'recorded');
  const lag = idealLag(at(2)) + 0.5 / pattern.rate;
  const shape = underlyingShape(pattern);
  const law = held('field', 0);
  const torque = motorTorque(latchedOf(stageOf(drawn, 'field')), item, law, 2);
  const margin = 0.2 * RATE;
  let [ss, ts, tt, n] = [0, 0, 0, 0];
  for (let i = margin; i < torque.length - margin; i += 4) {
    const s = shape((i + 0.5) / RATE + item.deadTime - lag - 0.5 / RATE);
    const t = torque[i] as number;
    ss += s * s;
    ts += t * s;
    tt += t * t;
    n += 1;
  }
  const left = Math.max(0, tt - (ts * ts) / ss) / n;
  const meanSquare = ss / n;
  const shaken =
    (item.torqueConstant * item.currentNoise * noiseGain(item, BAND / 2)) ** 2 *
    (BAND / (RATE / 2));
  return { lag: lag * pattern.rate, error: Math.sqrt((left + shaken) / meanSquare) };
}

const HARMONICS = [2, 3, 4, 5, 6, 7, 8, 9, 10];

function purity(drawn: Drawn): Rows {
  const { item, stand, held, seed } = drawn;
  const { frequency } = patternOf(drawn, 'purity', 'sine');
  const shaft = shaftOf(item, stand);
  const torque = motorTorque(latchedOf(stageOf(drawn, 'purity')), item, held('purity', 0), 2);
  const from = Math.round(0.3 * RATE);
  const cycles = Math.floor(((torque.length - from) * frequency) / RATE);
  const length = Math.round((cycles * RATE) / frequency);
  const lines = [1, ...HARMONICS].map(() => [0, 0] as [number, number]);
  shaftUnder(shaft, torque, seed + 2, (i, carried) => {
    if (i < from || i >= from + length) return;
    lines.forEach((line, k) => {
      const turn = (2 * Math.PI * (k + 1) * frequency * i) / RATE;
      line[0] += carried * Math.cos(turn);
      line[1] += carried * Math.sin(turn);
    });
  });
  const fn = Math.sqrt(stand.stiffness / item.inertia) / (2 * Math.PI);
  const sizes = lines.map(
    ([a, b], k) => Math.hypot(a, b) * Math.abs(1 - (((k + 1) * frequency) / fn) ** 2),
  );
  return {
    'purity.distortion': Math.hypot(...sizes.slice(1)) / (sizes[0] as number),
    'ripple.ripple': rippleOf(drawn),
  };
}

const HUM = [50, 60].flatMap((mains) => [1, 2, 3, 4].map((k) => k * mains)).filter((f) => f <= 200);

/** What the shaft carries of the ripple and of the noise up to 200 Hz, over the level. */
function rippleOf({ item, stand, held }: Drawn): number {
  const shaft = shaftOf(item, stand);
  const law = held('ripple', 2);
  const level = idealTorque(law, 6);
  const rest = shareAtRest(shaft);
  let power = 0;
  item.ripple.forEach((share, k) => {
    const f = RIPPLE * (k + 1);
    const loop = 1 / Math.hypot(1, 2 * Math.PI * f * loopTime(item));
    power += (share * level * loop * rest) ** 2 / 2;
  });
  const density =
    ((item.torqueConstant * item.currentNoise * noiseGain(item, 100) * rest) ** 2 +
      stand.torqueNoise ** 2) /
    (RATE / 2);
  const band = 199 - 4 * HUM.length;
  return Math.sqrt(power + density * band) / level;
}

/** Long holds: what magnets lose while they warm. */
function holds({ held, temperatures, item, stand }: Drawn, level: Levels): Rows {
  const at = (stage: string, time: number, command: number): number =>
    idealTorque(held(stage, time), command) - level.heldBack;
  const still = stand.preload + coggingAt(item, stand.angle);
  const peakCurrent = (12 + item.offset) / item.assumedConstant;
  const hot = (time: number): number => {
    const { body, winding } = temperatures('thermal', 10 + time);
    return body + item.hotWinding * (1 + Math.cos(20 * stand.angle)) * (winding - body);
  };
  return {
    'peak.peak-torque': at('peak', 5, 12) + still,
    'peak.torque-constant-droop': 1 - at('peak', 1, 12) / peakCurrent / level.constant,
    'thermal.thermal-fade': 1 - at('thermal', 39.5, 6) / at('thermal', 11.5, 6),
    'thermal.winding-rise': hot(29.75) - hot(0.25),
  };
}
