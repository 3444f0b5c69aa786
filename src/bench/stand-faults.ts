import { type Change, type Fault, graded, onPart } from './severity.js';
import type { LinkParameters, StandParameters } from './spread.js';

const DEGREE = Math.PI / 180;

const onStand = (change: (stand: StandParameters) => Partial<StandParameters>): Change =>
  onPart('stand', change);
const onLink = (link: Partial<LinkParameters>): Change => onPart('link', () => link);

/** Transducer, coupling, supply, converter and clocks. */
export const STAND_FAULTS = [
  {
    name: 'weak-supply',
    blames: 'stand',
    expect: ['supply-held'],
    stages: ['static', 'full-step', 'peak'],
    severities: graded(
      [0.3, 1, 2.2],
      (resistance) => `The supply of the stand has an inner resistance of ${resistance} Ω.`,
      (supplyResistance) => onStand(() => ({ supplyResistance })),
    ),
  },
  {
    name: 'loose-coupling',
    blames: 'stand',
    expect: ['resonance'],
    stages: ['static', 'response'],
    severities: graded<readonly [number, number]>(
      [
        [350, 0],
        [190, 0.1],
        [90, 1],
      ],
      ([resonance, play]) =>
        `The coupling is loose: resonance at ${resonance} Hz and ${play}° of clearance.`,
      ([resonance, play]) =>
        onPart('stand', (_, { item }) => ({
          stiffness: item.inertia * (2 * Math.PI * resonance) ** 2,
          play: play * DEGREE,
        })),
    ),
  },
  {
    name: 'reversed-polarity',
    blames: 'stand',
    expect: ['polarity'],
    stages: ['polarity'],
    severities: {
      slight: {
        what: 'One of the four gauges of the transducer is wired the wrong way round: it sees half the torque.',
        change: onStand(() => ({ polarity: 0.5 })),
      },
      middle: {
        what: 'The transducer is mounted the wrong way round.',
        change: onStand(() => ({ polarity: -1 })),
      },
      severe: {
        what: 'Transducer and current sensor are both the wrong way round, so that they agree.',
        change: onStand(() => ({ polarity: -1, currentGain: -2 })),
      },
    },
  },
  {
    name: 'shunt-left-on',
    blames: 'stand',
    expect: ['shunt'],
    stages: [],
    severities: graded(
      [0.005, 5, 15],
      (torque) => `The shunt resistor was left on: ${torque} N·m on every reading of torque.`,
      (shuntLeft) => onStand(() => ({ shuntLeft })),
    ),
  },
  {
    name: 'zero-drift',
    blames: 'stand',
    expect: ['zero-return'],
    stages: ['static', 'thermal'],
    severities: graded(
      [3, 40, 400],
      (drift) => `The zero of the transducer drifts by ${drift} mN·m a minute.`,
      (drift) => onStand(() => ({ drift: drift / 1000 / 60 })),
    ),
  },
  {
    name: 'late-transducer',
    blames: 'stand',
    expect: ['timing'],
    stages: ['timing'],
    severities: graded(
      [0.02, 0.2, 1.5],
      (ms) => `A filter in the torque channel was changed: it comes ${ms} ms later.`,
      (ms) => onStand((s) => ({ amplifierDelay: s.amplifierDelay + ms * 1e-3 })),
    ),
  },
  {
    name: 'converter-clip',
    blames: 'stand',
    expect: ['converter-clip'],
    stages: ['static', 'peak'],
    severities: graded(
      [18, 10, 3],
      (range) => `The torque converter is set to a smaller range and clips at ${range} N·m.`,
      (range) => onStand((s) => ({ torqueRange: Math.min(range, s.torqueRange) })),
    ),
  },
  {
    name: 'hum',
    blames: 'stand',
    expect: ['hum'],
    stages: ['idle'],
    severities: graded(
      [1.5, 8, 80],
      (hum) => `${hum} mN·m rms of 50 Hz lie on the torque channel.`,
      (hum) => onStand(() => ({ hum: hum / 1000 })),
    ),
  },
  {
    name: 'clock-skew',
    blames: 'stand',
    expect: ['clock-rate'],
    stages: ['idle', 'static'],
    severities: graded(
      [100, 900, 20_000],
      (ppm) => `The clock of the digitizer is ${ppm} ppm slow.`,
      (ppm) => onStand(() => ({ clockSkew: -ppm * 1e-6 })),
    ),
  },
  {
    name: 'clock-step',
    blames: 'stand',
    expect: ['clock-steady'],
    stages: ['idle', 'static'],
    severities: graded(
      [0.5, 20, 1000],
      (ms) => `The clocks of device and digitizer jump apart by ${ms} ms and back, every 1.5 s.`,
      (ms) => onStand(() => ({ clockStep: ms * 1e-3, clockStepEvery: 1.5 })),
    ),
  },
] as const satisfies readonly Fault[];

/** What gets lost on its way. */
export const LINK_FAULTS = [
  {
    name: 'transducer-dropouts',
    blames: 'link',
    expect: ['samples-complete'],
    stages: ['static', 'thermal'],
    severities: graded(
      [120, 20, 1],
      (every) => `Every ${every} s a burst of samples from the transducer is lost on the link.`,
      (dropouts) => onLink({ dropouts }),
    ),
  },
  {
    name: 'update-drops',
    blames: 'link',
    expect: ['updates-lost', 'delivered'],
    stages: ['static', 'field'],
    severities: graded(
      [0.00002, 0.002, 0.1],
      (share) => `${Number((100 * share).toPrecision(2))} % of the updates never reach the device.`,
      (lostUpdates) => onLink({ lostUpdates }),
    ),
  },
  {
    name: 'update-burst',
    blames: 'link',
    expect: ['updates-lost', 'delivered'],
    stages: ['static', 'field'],
    severities: graded(
      [2, 30, 300],
      (ms) => `For ${ms} ms no update reaches the device.`,
      (ms) => onLink({ burst: ms * 1e-3 }),
    ),
  },
] as const satisfies readonly Fault[];
