import type { Channel } from './bench.js';
import { type Change, type Fault, graded, onPart } from './severity.js';
import type { DeadChannel, MeasuredChannel, StandParameters } from './spread.js';

const onStand = (change: (stand: StandParameters) => Partial<StandParameters>): Change =>
  onPart('stand', change);

/** Gives some channels one defect of their wiring. */
const dead = (channels: readonly Channel[], fault: DeadChannel): Change =>
  onStand(({ wiring }) => ({
    wiring: {
      ...wiring,
      dead: { ...wiring.dead, ...Object.fromEntries(channels.map((name) => [name, fault])) },
    },
  }));

const listed = (channels: readonly Channel[]): string => channels.join(', ');

/** Channels that the trade loses first, then one that everything hangs on, then nearly all. */
const CHANNELS: readonly [readonly Channel[], readonly Channel[], readonly Channel[]] = [
  ['supply'],
  ['torque'],
  ['torque', 'current', 'supply'],
];

/** Sensors, amplifier and wiring that do not measure what they should. */
export const SENSOR_FAULTS = [
  {
    name: 'stuck-channel',
    blames: 'stand',
    expect: ['channels-alive'],
    stages: [],
    severities: graded(
      CHANNELS,
      (channels) => `A sensor is dead and its channel stands on one value: ${listed(channels)}.`,
      (channels) => dead(channels, { kind: 'stuck' }),
    ),
  },
  {
    name: 'channel-at-rail',
    blames: 'stand',
    expect: ['channels-alive', 'converter-clip'],
    stages: [],
    severities: graded(
      CHANNELS,
      (channels) =>
        `A wire is open and its channel lies at the end of its range: ${listed(channels)}.`,
      (channels) => dead(channels, { kind: 'rail' }),
    ),
  },
  {
    name: 'missing-channel',
    blames: 'stand',
    expect: ['channels-present'],
    stages: [],
    severities: graded(
      CHANNELS,
      (channels) => `No samples come from ${listed(channels)}.`,
      (channels) => dead(channels, { kind: 'missing' }),
    ),
  },
  {
    name: 'invalid-samples',
    blames: 'stand',
    expect: ['values-finite'],
    stages: [],
    severities: graded(
      [200_000, 5000, 3],
      (every) => `One sample of torque in ${every} is no number.`,
      (every) => dead(['torque'], { kind: 'invalid', every }),
    ),
  },
  {
    name: 'swapped-channels',
    blames: 'stand',
    expect: ['shunt'],
    stages: [],
    severities: graded<readonly [MeasuredChannel, MeasuredChannel]>(
      [
        ['supply', 'winding'],
        ['torque', 'current'],
        ['torque', 'supply'],
      ],
      ([a, b]) => `The plugs of ${a} and ${b} are exchanged at the digitizer.`,
      (swapped) => onStand(({ wiring }) => ({ wiring: { ...wiring, swapped } })),
    ),
  },
  {
    name: 'bridge-chain',
    blames: 'stand',
    expect: ['shunt'],
    stages: ['static'],
    severities: graded(
      [0.0005, 0.008, 0.2],
      (gain) =>
        `The bridge amplifier reads ${Number((100 * gain).toPrecision(2))} % too much, of torque and of the shunt alike.`,
      (gain) =>
        onStand((s) => ({
          torqueGain: s.torqueGain + gain,
          shunt: (1 + gain) * s.shunt,
          shuntNegative: (1 + gain) * s.shuntNegative,
        })),
    ),
  },
  {
    name: 'thermometer',
    blames: 'stand',
    expect: ['readiness/not-ready'],
    stages: [],
    severities: graded(
      [26, -40, 150],
      (reading) => `The thermometer of the stand says ${reading} °C whatever the hall is at.`,
      (thermometer) => onStand(() => ({ thermometer })),
    ),
  },
  {
    name: 'winding-thermometer',
    blames: 'stand',
    expect: ['winding-plausible'],
    stages: [],
    severities: {
      slight: {
        what: 'The sensor of the winding stands on the value with which the run began.',
        change: dead(['winding'], { kind: 'stuck' }),
      },
      middle: {
        what: 'A wire to the sensor of the winding is open: the channel lies at the end of its range.',
        change: dead(['winding'], { kind: 'rail' }),
      },
      severe: {
        what: 'The sensor of the winding is gone: no samples come from it.',
        change: dead(['winding'], { kind: 'missing' }),
      },
    },
  },
] as const satisfies readonly Fault[];
