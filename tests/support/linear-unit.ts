import type { Capture, Screened, Take } from '../../src/capture/capture.js';
import { compile } from '../../src/pattern/waveform.js';
import { hertz, second } from '../../src/base/units.js';
import type { Context } from '../../src/scoring/scoring.js';
import type { Pattern, Reading, Settings, Stage } from '../../src/procedure/procedure.js';
import type { StandModel } from '../../src/procedure/station.js';
import { lcgNormal } from './lcg.js';
import { standModel } from './stand.js';

/**
 * A torque unit on a stand that is linear and solved exactly, so that every true value is known in
 * closed form: dead time, two equal poles (smoothing), one pole (current loop), spring and mass.
 */
export interface LinearUnit {
  /** s */
  readonly deadTime: number;
  /** Hz; undefined for none. */
  readonly smoothing: number | undefined;
  readonly loop: number;
  readonly resonance: number;
  readonly damping: number;
  readonly torqueDelay: number;
  /** N·m/A */
  readonly torqueConstant: number;
  /** N·m, added to the transducer. */
  readonly zero: number;
  /** Standard deviation of one sample, A and N·m. */
  readonly currentNoise: number;
  readonly torqueNoise: number;
  readonly hum: { readonly amplitude: number; readonly frequency: number };
  /** How much faster the device clock runs than the digitizer. */
  readonly skew: number;
  readonly seed: number;
}

export const CALM: LinearUnit = {
  deadTime: 0.0006,
  smoothing: 200,
  loop: 800,
  resonance: 361,
  damping: 0.03,
  torqueDelay: 0.00114,
  torqueConstant: 0.6,
  zero: 0,
  currentNoise: 0,
  torqueNoise: 0,
  hum: { amplitude: 0, frequency: 50 },
  skew: 0,
  seed: 1,
};

/** Noise of the stand and of the current sensor as they are met in practice. */
export const NOISY: LinearUnit = { ...CALM, currentNoise: 0.02, torqueNoise: 0.002 };

/** Smoothing of settings 0 … 5, Hz. */
export const SETTINGS = [undefined, 400, 200, 100, 50, 25] as const;

export const STAND: StandModel = standModel({ torqueDelay: second(0.00114) });

/** A context around a stand; the parts of the model that dynamic scores do not read are missing. */
export function contextOf(stand: StandModel = STAND, zero = 0): Context {
  return {
    model: {} as Context['model'],
    stand,
    zero,
    preload: 0,
    shunt: 5,
    torqueConstant: { value: 0.6, origin: 'nominal' },
  };
}

const RATE = 20_000;
const FINE = 5; // steps of 10 µs a sample

export function stageOf(
  pattern: Pattern,
  takes: readonly number[] = [2],
  power: 'on' | 'off' = 'on',
): Stage {
  const [first = 2, ...others] = takes;
  const settings = (smoothing: number): Settings => ({ smoothing, fixture: 'coupled' });
  return {
    id: 'stage',
    title: 'stage',
    power,
    pattern,
    updates: hertz(1000),
    takes: [settings(first), ...others.map(settings)],
    reads: [],
    gates: [],
    where: { file: 'test.yaml', line: 1, column: 1 },
  };
}

export function readingOf(
  characteristic: string,
  options: Readonly<Record<string, number>> = {},
): Reading {
  return { characteristic, options, where: { file: 'test.yaml', line: 1, column: 1 } };
}

/** Plays a stage: each take with the unit that `unitAt` returns for its smoothing. */
export function captureOf(
  stage: Stage,
  unitAt: (smoothing: number, index: number) => LinearUnit,
): Screened<Capture> {
  const [first, ...others] = stage.takes.map((settings, i) =>
    playOne(stage, settings, unitAt(settings.smoothing, i)),
  );
  if (first === undefined) throw new Error('a stage without takes');
  return { stage: stage.id, takes: [first, ...others] } as unknown as Screened<Capture>;
}

function playOne(stage: Stage, settings: Settings, unit: LinearUnit): Take {
  const plan = compile(stage.pattern, stage.updates);
  const samples = Math.round((plan.command.length / stage.updates) * RATE);
  const latch = (step: number): number => {
    const time = (step / (RATE * FINE)) * (1 + unit.skew);
    if (step < 0) return 0;
    const index = Math.floor(time * stage.updates + 1e-7);
    return plan.command[Math.min(index, plan.command.length - 1)] ?? 0;
  };
  const wait = Math.round(unit.deadTime * RATE * FINE);
  const advance = discretize(unit, 1 / (RATE * FINE));
  const late = Math.round(unit.torqueDelay * RATE * FINE);
  const motor = new Float64Array(samples * FINE);
  const shaft = new Float64Array(samples * FINE);
  const state = new Float64Array(8);
  for (let i = 0; i < motor.length; i++) {
    [motor[i], shaft[i]] = advance(state, latch(i - wait)) as [number, number];
  }
  const gauss = lcgNormal(7919 * unit.seed + settings.smoothing + 17);
  const mean = (at: (step: number) => number, sample: number): number => {
    let sum = 0;
    for (let j = 0; j < FINE; j++) sum += at(sample * FINE + j) / FINE;
    return sum;
  };
  const hum = (n: number): number =>
    unit.hum.amplitude * Math.sin((2 * Math.PI * unit.hum.frequency * n) / RATE);
  const channel = (value: (n: number) => number): Float32Array =>
    Float32Array.from({ length: samples }, (_, n) => value(n));
  return {
    settings,
    rate: hertz(RATE),
    channels: {
      command: channel((n) => mean(latch, n)),
      current: channel(
        (n) =>
          mean((step) => motor[step] ?? 0, n) / unit.torqueConstant + unit.currentNoise * gauss(),
      ),
      torque: channel(
        (n) =>
          mean((step) => shaft[step - late] ?? 0, n) +
          unit.zero +
          hum(n) +
          unit.torqueNoise * gauss(),
      ),
    },
    expected: samples,
    gaps: [],
    device: {
      updates: plan.command.length,
      missing: 0,
      time: (samples / RATE) * (1 + unit.skew),
      fault: 0,
    },
  };
}

/**
 * One step of the exact solution for a constant input: means of motor and shaft torque over the step.
 * State: two smoothing poles, loop, angle and speed of the spring, two integrals, input.
 */
function discretize(
  unit: LinearUnit,
  step: number,
): (state: Float64Array, input: number) => readonly [number, number] {
  const size = 8;
  const a = Array.from({ length: size }, () => new Float64Array(size));
  const set = (row: number, column: number, value: number): void => {
    (a[row] as Float64Array)[column] = value;
  };
  const first = unit.smoothing === undefined ? 1e5 : 2 * Math.PI * unit.smoothing;
  const loop = 2 * Math.PI * unit.loop;
  const w = 2 * Math.PI * unit.resonance;
  set(0, 0, -first);
  set(0, 7, first);
  set(1, 0, first);
  set(1, 1, -first);
  // Without smoothing the loop is driven by the input itself.
  set(2, 2, -loop);
  set(2, unit.smoothing === undefined ? 7 : 1, loop);
  set(3, 4, 1);
  set(4, 3, -w * w);
  set(4, 4, -2 * unit.damping * w);
  set(4, 2, w * w);
  set(5, 2, 1 / step);
  set(6, 3, 1 / step);
  const matrix = exponential(a, step);
  const next = new Float64Array(size);
  return (state, input) => {
    state[5] = 0;
    state[6] = 0;
    state[7] = input;
    for (let i = 0; i < size; i++) {
      let sum = 0;
      const row = matrix[i] as Float64Array;
      for (let j = 0; j < size; j++) sum += (row[j] as number) * (state[j] as number);
      next[i] = sum;
    }
    state.set(next);
    return [next[5] as number, next[6] as number];
  };
}

/** exp(a · step) by its power series; the steps here are short. */
function exponential(a: readonly Float64Array[], step: number): readonly Float64Array[] {
  const size = a.length;
  const identity = a.map((_, i) =>
    Float64Array.from({ length: size }, (_x, j) => (i === j ? 1 : 0)),
  );
  let term: readonly Float64Array[] = identity;
  const sum = identity.map((row) => Float64Array.from(row));
  for (let n = 1; n <= 30; n++) {
    const previous = term;
    term = a.map((_, i) =>
      Float64Array.from({ length: size }, (_x, j) => {
        let entry = 0;
        for (let k = 0; k < size; k++) {
          entry +=
            ((previous[i] as Float64Array)[k] as number) * ((a[k] as Float64Array)[j] as number);
        }
        return (entry * step) / n;
      }),
    );
    sum.forEach((row, i) => {
      for (let j = 0; j < size; j++) {
        row[j] = (row[j] as number) + ((term[i] as Float64Array)[j] as number);
      }
    });
  }
  return sum;
}

/** Complex gain of the unit from latched command to motor torque. */
export function trueGain(
  unit: LinearUnit,
  f: number,
): { readonly size: number; readonly angle: number } {
  const poles = unit.smoothing === undefined ? 0 : 2;
  const [a, b] = [f / (unit.smoothing ?? Infinity), f / unit.loop];
  return {
    size: 1 / (1 + a * a) ** (poles / 2) / Math.hypot(1, b),
    angle: -360 * f * unit.deadTime - ((Math.atan(b) + poles * Math.atan(a)) * 180) / Math.PI,
  };
}

/** Low-frequency delay from latched command to motor torque, s. */
export function trueLag(unit: LinearUnit): number {
  const poles = unit.smoothing === undefined ? 0 : 2 / (2 * Math.PI * unit.smoothing);
  return unit.deadTime + 1 / (2 * Math.PI * unit.loop) + poles;
}
