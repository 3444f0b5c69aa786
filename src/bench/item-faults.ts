import { type Change, type Fault, graded, onPart } from './severity.js';
import type { ItemParameters } from './spread.js';

const DEGREE = Math.PI / 180;

const onItem = (change: (item: ItemParameters) => Partial<ItemParameters>): Change =>
  onPart('item', change);

/** Motor, bearing and sensors. */
export const MOTOR_FAULTS = [
  {
    name: 'weak-magnets',
    blames: 'item',
    expect: ['static-gain', 'torque-constant'],
    stages: ['static'],
    severities: graded(
      [0.015, 0.06, 0.25],
      (loss) => `The magnets are ${percent(loss)} % weak; the firmware was trimmed for good ones.`,
      (loss) => onItem((i) => ({ torqueConstant: (1 - loss) * i.torqueConstant })),
    ),
  },
  {
    name: 'high-resistance',
    blames: 'item',
    expect: ['ripple', 'winding-rise'],
    stages: ['static', 'ripple'],
    severities: graded(
      [0.08, 0.4, 2],
      (excess) =>
        `One of three windings has ${percent(excess)} % more resistance: it runs hot, and the current ripples.`,
      (excess) =>
        onItem((i) => ({
          resistance: (1 + excess / 3) * i.resistance,
          hotWinding: (1 + excess) / (1 + excess / 3),
          ripple: risen(i, 1 + 17.5 * excess),
        })),
    ),
  },
  {
    name: 'bearing-rub',
    blames: 'item',
    expect: ['static-friction', 'hysteresis'],
    stages: ['static', 'triangle'],
    severities: graded(
      [1.4, 3, 10],
      (times) => `The bearing rubs: its friction is ${times} times that of a good one.`,
      (times) => onItem((i) => ({ friction: times * i.friction })),
    ),
  },
  {
    name: 'asymmetry',
    blames: 'item',
    expect: ['symmetry'],
    stages: ['static'],
    severities: graded(
      [0.006, 0.016, 0.06],
      (share) => `Positive torque comes out ${percent(share)} % greater than negative torque.`,
      (share) => onItem((i) => ({ split: i.split + share })),
    ),
  },
  {
    name: 'noisy-current-sensor',
    blames: 'item',
    expect: ['noise', 'ripple'],
    stages: ['idle', 'static', 'ripple'],
    severities: graded(
      [1.5, 5, 25],
      (times) => `The current sensor of the item is ${times} times as noisy as a good one.`,
      (times) => onItem((i) => ({ currentNoise: times * i.currentNoise })),
    ),
  },
  {
    name: 'encoder-offset',
    blames: 'item',
    expect: ['static-gain', 'torque-over-angle'],
    stages: ['static', 'angles'],
    severities: graded(
      [3, 12, 30],
      (angle) =>
        `The encoder is ${angle}° off, electrical: ${percent(1 - Math.cos(angle * DEGREE))} % less torque per ampere, more ripple, and torque that varies with the angle.`,
      (angle) =>
        onItem((i) => ({
          encoderOffset: angle * DEGREE,
          commutation: i.commutation + (1 - Math.cos(angle * DEGREE)) / 2,
          ripple: risen(i, 1 + angle / 6),
        })),
    ),
  },
  {
    name: 'loud',
    blames: 'item',
    expect: ['sound-over-settings', 'sound-level'],
    stages: ['sound'],
    severities: graded(
      [1.2, 8, 50],
      (times) => `The item is loud: ${times} times the sound pressure of a good one.`,
      (times) => onItem((i) => ({ noisiness: times * i.noisiness })),
    ),
  },
] as const satisfies readonly Fault[];

/** Current loop and firmware. */
export const FIRMWARE_FAULTS = [
  {
    name: 'detuned-high',
    blames: 'item',
    expect: ['overshoot'],
    stages: ['static', 'steps-0'],
    severities: graded<number | undefined>(
      [undefined, 0.25, 0.1],
      (damping) =>
        damping === undefined
          ? 'The current loop is tuned a little hard: it crosses over at 1000 Hz.'
          : `The current loop is tuned too hard: its damping ratio is ${damping}.`,
      (damping) =>
        onItem(({ loop: { frequency } }) => ({
          loop:
            damping === undefined
              ? { kind: 'cancelling', frequency: 1000 }
              : { kind: 'damped', frequency, damping },
        })),
    ),
  },
  {
    name: 'detuned-low',
    blames: 'item',
    expect: ['rise-time'],
    stages: ['static', 'steps-0'],
    severities: graded(
      [600, 300, 80],
      (frequency) => `The current loop is tuned too softly: it crosses over at ${frequency} Hz.`,
      (frequency) => onItem(() => ({ loop: { kind: 'cancelling', frequency } })),
    ),
  },
  {
    name: 'wrong-slew',
    blames: 'item',
    expect: ['slew-rate'],
    stages: ['static', 'full-step'],
    severities: graded(
      [5.4, 3, 0.8],
      (slew) => `The slew limit was left at ${slew} N·m/ms.`,
      (slew) => onItem(() => ({ slew: 1000 * slew })),
    ),
  },
  {
    name: 'swapped-smoothing',
    blames: 'item',
    expect: ['grain-ratio', 'lag-increase'],
    stages: ['static', 'smoothing'],
    severities: graded<readonly [number, number]>(
      [
        [4, 5],
        [3, 4],
        [2, 3],
      ],
      ([a, b]) => `The tables of smoothing settings ${a} and ${b} are exchanged.`,
      ([a, b]) => onItem((i) => ({ smoothing: exchanged(i.smoothing, a, b) })),
    ),
  },
  {
    name: 'late-firmware',
    blames: 'item',
    expect: ['dead-time', 'lag', 'phase-bandwidth', 'stability-margin'],
    stages: ['static', 'steps-0'],
    severities: graded(
      [0.2, 1, 5],
      (ms) => `An old build under the shipped version number takes ${ms} ms longer.`,
      (ms) => onItem((i) => ({ deadTime: i.deadTime + ms * 1e-3, build: 'old build' })),
    ),
  },
  {
    name: 'slow-command-loss',
    blames: 'item',
    expect: ['command-loss-reaction'],
    stages: ['loss'],
    severities: graded(
      [0.12, 0.22, Infinity],
      (time) =>
        time === Infinity
          ? 'The item holds its torque for as long as it hears nothing.'
          : `The item takes its torque away ${1000 * time} ms after the last update.`,
      (commandTimeout) => onItem(() => ({ commandTimeout })),
    ),
  },
  {
    name: 'device-hang',
    blames: 'item',
    expect: ['bench/unreachable'],
    stages: ['polarity', 'full-step'],
    severities: graded(
      [0, 0.5, 10],
      (torque) => `The device stops answering when it gives ${torque} N·m.`,
      (torque) => (good) => ({
        ...good,
        incidents: [...good.incidents, { what: 'device-hang', torque }],
      }),
    ),
  },
  {
    name: 'fault-code',
    blames: 'item',
    expect: ['bench/device-fault'],
    stages: ['polarity', 'full-step'],
    severities: graded(
      [0, 0.5, 10],
      (torque) => `The device reports a fault and drops its torque when it gives ${torque} N·m.`,
      (torque) => (good) => ({
        ...good,
        incidents: [...good.incidents, { what: 'device-fault', torque }],
      }),
    ),
  },
] as const satisfies readonly Fault[];

function percent(share: number): string {
  return String(Number((100 * share).toPrecision(2)));
}

function risen({ ripple }: ItemParameters, times: number): ItemParameters['ripple'] {
  return [times * ripple[0], times * ripple[1]];
}

function exchanged(list: readonly number[], a: number, b: number): readonly number[] {
  return list.map((value, i) =>
    i === a ? (list[b] ?? value) : i === b ? (list[a] ?? value) : value,
  );
}
