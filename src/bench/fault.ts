import type { ItemParameters, Parameters, StandParameters } from './spread.js';

/** A defect that the simulated bench can be given, to rehearse that it is found and blamed rightly. */
export interface Fault {
  readonly name: string;
  /** What is wrong, in one sentence. */
  readonly what: string;
  /** Whom the runner should blame. */
  readonly blames: 'item' | 'stand' | 'link';
  readonly change: (good: Parameters) => Parameters;
}

const DEGREE = Math.PI / 180;

const onItem =
  (change: (item: ItemParameters) => Partial<ItemParameters>) =>
  (good: Parameters): Parameters => ({ ...good, item: { ...good.item, ...change(good.item) } });

const onStand =
  (change: (stand: StandParameters) => Partial<StandParameters>) =>
  (good: Parameters): Parameters => ({ ...good, stand: { ...good.stand, ...change(good.stand) } });

/** Every fault by name: the one place to add another, or one of another severity. */
export const FAULTS = [
  {
    name: 'weak-magnets',
    what: 'The magnets are 6 % weak; the firmware was trimmed for good ones.',
    blames: 'item',
    change: onItem((i) => ({ torqueConstant: 0.94 * i.torqueConstant })),
  },
  {
    name: 'high-resistance',
    what: 'One of three windings has 40 % more resistance: it runs hot, and the current ripples.',
    blames: 'item',
    change: onItem((i) => ({
      resistance: (1 + 0.4 / 3) * i.resistance,
      hotWinding: 1.4 / (1 + 0.4 / 3),
      ripple: [8 * i.ripple[0], 8 * i.ripple[1]],
    })),
  },
  {
    name: 'detuned-high',
    what: 'The current loop is tuned too hard: its damping ratio is 0.25.',
    blames: 'item',
    change: onItem((i) => ({
      loop: { kind: 'damped', frequency: i.loop.frequency, damping: 0.25 },
    })),
  },
  {
    name: 'detuned-low',
    what: 'The current loop is tuned too softly: it crosses over at 300 Hz.',
    blames: 'item',
    change: onItem(() => ({ loop: { kind: 'cancelling', frequency: 300 } })),
  },
  {
    name: 'wrong-slew',
    what: 'The slew limit was left at 3 N·m/ms.',
    blames: 'item',
    change: onItem(() => ({ slew: 3000 })),
  },
  {
    name: 'swapped-smoothing',
    what: 'The tables of smoothing settings 3 and 4 are exchanged.',
    blames: 'item',
    change: onItem((i) => ({ smoothing: exchanged(i.smoothing, 3, 4) })),
  },
  {
    name: 'late-firmware',
    what: 'An old build under the shipped version number takes 1 ms longer.',
    blames: 'item',
    change: onItem((i) => ({ deadTime: i.deadTime + 1e-3 })),
  },
  {
    name: 'reversed-polarity',
    what: 'The transducer is mounted the wrong way round.',
    blames: 'stand',
    change: onStand(() => ({ polarity: -1 })),
  },
  {
    name: 'loose-coupling',
    what: 'The coupling is loose: resonance at 190 Hz and 0.1° of clearance.',
    blames: 'stand',
    change: (good) => ({
      ...good,
      stand: {
        ...good.stand,
        stiffness: good.item.inertia * (2 * Math.PI * 190) ** 2,
        play: 0.1 * DEGREE,
      },
    }),
  },
  {
    name: 'converter-clip',
    what: 'The torque converter is set to half its range and clips at 10 N·m.',
    blames: 'stand',
    change: onStand((s) => ({ torqueRange: Math.min(10, s.torqueRange) })),
  },
  {
    name: 'transducer-dropouts',
    what: 'Bursts of samples from the transducer are lost on the link.',
    blames: 'link',
    change: onStand(() => ({ dropouts: 20 })),
  },
  {
    name: 'zero-drift',
    what: 'The zero of the transducer drifts by 40 mN·m a minute.',
    blames: 'stand',
    change: onStand(() => ({ drift: 0.04 / 60 })),
  },
] as const satisfies readonly Fault[];

export type FaultName = (typeof FAULTS)[number]['name'];

/** Applies faults by name, in the order of the table. */
export function withFaults(good: Parameters, names: readonly FaultName[]): Parameters {
  return FAULTS.filter((f) => names.includes(f.name)).reduce<Parameters>(
    (parameters, fault) => fault.change(parameters),
    good,
  );
}

function exchanged(list: readonly number[], a: number, b: number): readonly number[] {
  return list.map((value, i) =>
    i === a ? (list[b] ?? value) : i === b ? (list[a] ?? value) : value,
  );
}
