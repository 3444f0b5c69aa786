import type { Capture, Screened, Take } from '../../src/capture/capture.js';
import { compile, edges, parts } from '../../src/pattern/waveform.js';
import { seeded } from '../../src/pattern/random.js';
import type { Pattern, Settings, Stage, StepPattern } from '../../src/procedure/procedure.js';
import type { Characteristic, Context, Outcome } from '../../src/scoring/scoring.js';
import {
  hertz,
  newtonMetre,
  ohm,
  second,
  torquePerAmpere,
  torquePerSecond,
} from '../../src/base/units.js';
import { standModel } from './stand.js';

export const RATE = 20_000;
export const KT = 0.6;

/** A stand and a model as the invented H12 has them, nothing measured yet. */
export const context: Context = {
  model: {
    code: 'H12',
    name: 'console helm',
    gtin: '09520123401207',
    revision: 'C3',
    serial: '^H12-\\d{2}-\\d{5}$',
    torqueConstant: torquePerAmpere(KT),
    resistance: ohm(0.35),
    continuousLoss: 52,
    slew: torquePerSecond(6000),
    firmware: ['1.0.0'],
  },
  stand: standModel({ characterized: '2026-11-01T00:00:00Z' }),
  zero: 0,
  preload: 0,
  shunt: 5,
  torqueConstant: { value: KT, origin: 'nominal' },
};

const where = { file: 'made', line: 1, column: 1 };

/** A stage that reads one characteristic. */
export function stageOf(
  pattern: Pattern,
  options: Readonly<Record<string, number>> = {},
  power: Stage['power'] = 'on',
): Stage {
  return {
    id: 'made',
    title: 'made',
    power,
    pattern,
    updates: hertz(1000),
    takes: [{ smoothing: 0, fixture: 'coupled' }],
    reads: [{ characteristic: 'made', options, where }],
    gates: [],
    where,
  };
}

export const hold = (level: number, duration: number): Pattern => ({
  kind: 'hold',
  level: newtonMetre(level),
  duration: second(duration),
});

export function steps(
  levels: readonly [number, number, ...number[]],
  seconds: number,
  repeat = 1,
  edge = 0,
): StepPattern {
  const [first, next, ...rest] = levels;
  return {
    kind: 'step',
    levels: [newtonMetre(first), newtonMetre(next), ...rest.map(newtonMetre)],
    hold: second(seconds),
    repeat,
    edge: second(edge),
  };
}

/** Torque in N·m at a time in s since the start of the take. */
type Signal = (time: number) => number;

/** What a made take contains; what is left out is zero. */
export interface Making {
  readonly pattern: Pattern;
  readonly motor?: Signal;
  readonly shaft?: Signal;
  /** Standard deviations of noise: A and N·m. */
  readonly currentNoise?: number;
  readonly torqueNoise?: number;
  readonly supply?: Signal;
  readonly winding?: Signal;
  readonly settings?: Settings;
  readonly missing?: number;
  readonly seed?: number;
}

/** Parts of a sample period over which a signal is averaged, as a converter does. */
const WITHIN = 4;

/** Samples signals as a digitizer would: means over each period, the torque channel late, noise from a seed. */
export function takeOf(making: Making): Take {
  const duration = parts(making.pattern).at(-1)?.to ?? 0;
  const n = Math.round(duration * RATE);
  const { command } = compile(making.pattern, hertz(1000));
  const normal = normalFrom(making.seed ?? 1);
  const sample = (signal: Signal, noise: number): Float32Array =>
    Float32Array.from({ length: n }, (_, i) => {
      let sum = 0;
      for (let k = 0; k < WITHIN; k++) sum += signal((i + (k + 0.5) / WITHIN) / RATE);
      return sum / WITHIN + (noise > 0 ? noise * normal() : 0);
    });
  const zero: Signal = () => 0;
  const { motor = zero, shaft = zero, supply = () => 48, winding = () => 23 } = making;
  return {
    settings: making.settings ?? { smoothing: 0, fixture: 'coupled' },
    rate: hertz(RATE),
    channels: {
      command: Float32Array.from({ length: n }, (_, i) => command[Math.floor(i / 20)] ?? 0),
      current: sample((t) => motor(t) / KT, making.currentNoise ?? 0),
      torque: sample((t) => shaft(t - context.stand.torqueDelay), making.torqueNoise ?? 0),
      supply: sample(supply, 0),
      winding: sample(winding, 0),
    },
    expected: n,
    gaps: [],
    device: { updates: command.length, missing: making.missing ?? 0, time: duration, fault: 0 },
  };
}

/** Normal deviates by Box and Muller from a seeded generator. */
export function normalFrom(seed: number): () => number {
  const uniform = seeded(seed);
  return () => Math.sqrt(-2 * Math.log(1 - uniform())) * Math.cos(2 * Math.PI * uniform());
}

/** A capture that tests vouch for instead of the screening. */
export function captureOf(take: Take, ...more: readonly Take[]): Screened<Capture> {
  return { stage: 'made', takes: [take, ...more] } as unknown as Screened<Capture>;
}

/** Answers each edge of a step pattern by its change times a unit response. */
export function answering(
  pattern: StepPattern,
  respond: (time: number, change: number) => number,
): Signal {
  const all = edges(pattern);
  return (t) => {
    let sum = pattern.levels[0] as number;
    for (const edge of all) {
      if (t < edge.time) break;
      sum += respond(t - edge.time, edge.to - edge.from);
    }
    return sum;
  };
}

/** Ramp at `slew` through a first-order lag after a dead time: the motor of a good item. */
export function slewed(
  slew: number,
  lag: number,
  dead: number,
): (time: number, change: number) => number {
  const ramp = (t: number): number => (t <= 0 ? 0 : t + lag * Math.expm1(-t / lag));
  return (time, change) => {
    const t = time - dead;
    return Math.sign(change) * slew * (ramp(t) - ramp(t - Math.abs(change) / slew));
  };
}

/** Value of an outcome, or an error with its reason. */
export function valueOf(outcome: Outcome): number {
  if (outcome.kind === 'measured') return outcome.value;
  throw new Error(outcome.reason);
}

/** Reason of an outcome that has no value, or an error with the value. */
export function reasonOf(outcome: Outcome): string {
  if (outcome.kind === 'not-evaluated') return outcome.reason;
  throw new Error(`measured ${outcome.value}`);
}

/** What a test scores: takes of one stage with this pattern, and what completes the definition. */
export interface Scoring {
  readonly pattern: Pattern;
  readonly takes: readonly Take[];
  readonly options?: Readonly<Record<string, number>>;
  readonly given?: Context;
}

/** Scores one characteristic of a list. */
export function scoreIn(
  list: readonly Characteristic[],
  id: string,
  { pattern, takes, options = {}, given = context }: Scoring,
): Outcome {
  const entry = list.find((candidate) => candidate.id === id);
  const stage = stageOf(pattern, options);
  const [reading] = stage.reads;
  const [first, ...others] = takes;
  if (entry === undefined) throw new Error(`no characteristic ${id}`);
  if (reading === undefined || first === undefined) throw new Error(`nothing to read ${id} from`);
  return entry.score(captureOf(first, ...others), stage, reading, given);
}
