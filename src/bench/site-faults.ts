import type { Adapter } from './bench.js';
import { type Change, type Fault, graded, onPart } from './severity.js';
import type { StandParameters } from './spread.js';

const onStand = (change: (stand: StandParameters) => Partial<StandParameters>): Change =>
  onPart('stand', change);

/** N·m/s of zero drift of a bridge amplifier in its first minutes. */
const COLD_DRIFT = 0.01 / 60;

/** An adapter of another bench. */
const STRANGE: Adapter = { id: 'AD-31', kind: 'h31-shaft', serial: 'HA-3107' };

/** What is wrong about the bench before any item lies in it: surroundings, supply, equipment, stop. */
export const SITE_FAULTS = [
  {
    name: 'wrong-ambient',
    blames: 'stand',
    expect: ['readiness/not-ready'],
    stages: [],
    severities: graded(
      [27.5, 32, 45],
      (ambient) => `It is ${ambient} °C at the bench from the start.`,
      (ambient) => onStand(() => ({ ambient })),
    ),
  },
  {
    name: 'draught',
    blames: 'stand',
    expect: ['ambient-kept'],
    stages: [],
    severities: graded(
      [1, 9, 25],
      (colder) =>
        `A gate of the hall is opened while the item is energized: ${colder} K colder at the bench.`,
      (draught) => onStand(() => ({ draught })),
    ),
  },
  {
    name: 'wrong-humidity',
    blames: 'stand',
    expect: ['readiness/not-ready'],
    stages: [],
    severities: graded(
      [0.69, 0.78, 0.95],
      (humidity) => `It is ${Math.round(100 * humidity)} % humid at the bench from the start.`,
      (humidity) => onStand(() => ({ humidity })),
    ),
  },
  {
    name: 'damp-air',
    blames: 'stand',
    expect: ['humidity-kept'],
    stages: [],
    severities: graded(
      [0.03, 0.4, 0.6],
      (damp) =>
        `Steam of a washer drifts over while the item is energized: ${Math.round(100 * damp)} % more humidity at the bench.`,
      (damp) => onStand(() => ({ damp })),
    ),
  },
  {
    name: 'wrong-supply',
    blames: 'stand',
    expect: ['readiness/not-ready'],
    stages: [],
    severities: graded(
      [47.6, 44, 30],
      (voltage) => `The supply of the stand is set to ${voltage} V.`,
      (supplyVoltage) => onStand(() => ({ supplyVoltage })),
    ),
  },
  {
    name: 'cold-amplifier',
    blames: 'stand',
    expect: ['readiness/not-ready'],
    stages: [],
    severities: graded<number | undefined>(
      [1860, 240, undefined],
      (powered) =>
        powered === undefined
          ? 'Nobody knows for how long the instruments have had power.'
          : `The instruments have had power for ${powered / 60} min only${powered < 600 ? ', and the zero still drifts by 10 mN·m a minute' : ''}.`,
      (poweredFor) =>
        onStand(({ drift }) => ({
          poweredFor,
          drift: poweredFor !== undefined && poweredFor < 600 ? COLD_DRIFT : drift,
        })),
    ),
  },
  {
    name: 'wrong-transducer',
    blames: 'stand',
    expect: ['readiness/not-ready'],
    stages: [],
    severities: graded(
      [25, 200, 10],
      (range) => `Another transducer than that of the description is fitted: ±${range} N·m.`,
      (fitted) => onStand(() => ({ fitted })),
    ),
  },
  {
    name: 'wrong-adapter',
    blames: 'stand',
    expect: ['readiness/not-ready'],
    stages: [],
    severities: graded<'spare' | Adapter | undefined>(
      ['spare', STRANGE, undefined],
      (found) =>
        found === undefined
          ? 'The nest reads no adapter.'
          : found === 'spare'
            ? 'A spare adapter of the bench lies in the nest.'
            : `The adapter ${found.id} of another bench lies in the nest.`,
      (found) =>
        onStand(({ adapter, spareAdapters: [spare] }) => ({
          adapter: found === 'spare' ? (spare ?? adapter) : found,
        })),
    ),
  },
  {
    name: 'slow-stop',
    blames: 'stand',
    expect: ['stop-proof'],
    stages: [],
    severities: graded(
      [0.03, 0.4, 30],
      (time) =>
        `The contactor sticks: torque is taken away ${1000 * time} ms after a safety line opened.`,
      (stopDelay) => onStand(() => ({ stopDelay })),
    ),
  },
] as const satisfies readonly Fault[];
