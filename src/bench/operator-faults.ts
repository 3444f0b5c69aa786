import { type Change, type Fault, graded, onPart } from './severity.js';
import type { Incident, ItemParameters, Parameters } from './spread.js';

/** What of the other models of the maker shows on the stand of an H12. */
const H06 = {
  model: 'H06',
  torqueConstant: 0.42,
  resistance: 0.42,
  inductance: 0.8e-3,
  inertia: 0.45e-3,
  slew: 4000,
  frequency: 1000,
} as const;
const H25 = {
  model: 'H25',
  torqueConstant: 0.95,
  resistance: 0.28,
  inductance: 1.1e-3,
  inertia: 4.2e-3,
  slew: 9000,
  frequency: 600,
} as const;

const incident =
  (what: Incident['what']) =>
  (torque: number): Change =>
  (good) => ({ ...good, incidents: [...good.incidents, { what, torque }] });

/** N·m in the shaft when something happens: none yet, some of the first torque, near the peak. */
const MOMENTS = [0, 0.5, 10] as const;

/** What the operator, or whoever comes by, does to a run. */
export const OPERATOR_FAULTS = [
  {
    name: 'hand-on-wheel',
    blames: 'operator',
    expect: ['zero-noise', 'steady-hand'],
    stages: [],
    severities: graded(
      [0.005, 0.3, 2],
      (torque) => `A hand rests on the wheel: up to ${torque} N·m, wandering at 0.3 … 1 Hz.`,
      (hand) => onPart('operator', () => ({ hand })),
    ),
  },
  {
    name: 'hot-item',
    blames: 'operator',
    expect: ['item-cool'],
    stages: [],
    severities: graded(
      [28, 45, 75],
      (temperature) => `The item was worked before and is ${temperature} °C warm at the start.`,
      (temperature) =>
        onPart('operator', (_, { stand }) => ({ warmth: temperature - stand.ambient })),
    ),
  },
  {
    name: 'wrong-model',
    blames: 'operator',
    expect: ['bench/wrong-item'],
    stages: ['polarity'],
    severities: {
      slight: {
        what: 'Another H12 than the one that was scanned lies in the nest.',
        change: onPart('item', ({ serial }) => ({
          serial: `${serial.slice(0, -1)}${serial.endsWith('0') ? '1' : '0'}`,
        })),
      },
      middle: {
        what: 'An H06 lies in the nest, and says so: 0.42 N·m/A and a resonance at 614 Hz.',
        change: (good) =>
          onPart('item', ({ serial }) => ({
            ...madeAs(H06, good),
            serial: serial.replace('H12', 'H06'),
          }))(good),
      },
      severe: {
        what: 'An H25 that calls itself the H12 that was scanned lies in the nest: 0.95 N·m/A and a resonance at 201 Hz.',
        change: (good) => onPart('item', () => ({ ...madeAs(H25, good), model: 'H12' }))(good),
      },
    },
  },
  {
    name: 'guard-opened',
    blames: 'operator',
    expect: ['bench/interlock'],
    stages: ['polarity', 'full-step'],
    severities: graded(
      MOMENTS,
      (torque) => `The guard is opened while the shaft carries ${torque} N·m.`,
      incident('guard-opened'),
    ),
  },
  {
    name: 'emergency-stop',
    blames: 'operator',
    expect: ['bench/interlock'],
    stages: ['polarity', 'full-step'],
    severities: graded(
      MOMENTS,
      (torque) => `The emergency stop is pressed while the shaft carries ${torque} N·m.`,
      incident('stop-pressed'),
    ),
  },
  {
    name: 'presence-lost',
    blames: 'operator',
    expect: ['bench/interlock'],
    stages: ['polarity', 'full-step'],
    severities: graded(
      MOMENTS,
      (torque) => `The hold-to-run device is let go while the shaft carries ${torque} N·m.`,
      incident('presence-lost'),
    ),
  },
] as const satisfies readonly Fault[];

/** Another model with the spread that was drawn for this serial. */
function madeAs(model: typeof H06 | typeof H25, { item }: Parameters): Partial<ItemParameters> {
  const { frequency, ...nominal } = model;
  const spread = item.torqueConstant / 0.6;
  return {
    ...nominal,
    torqueConstant: spread * model.torqueConstant,
    assumedConstant: (spread * model.torqueConstant * item.assumedConstant) / item.torqueConstant,
    loop: { kind: 'cancelling', frequency },
  };
}
