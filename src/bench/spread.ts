import type { Station } from '../procedure/station.js';
import type { Adapter, Channel } from './bench.js';
import { Noise } from './noise.js';
import type { ThermalPath } from './heat.js';
import type { Tuning } from './motor.js';

/** One simulated H12: what its maker would like to know of it. */
export interface ItemParameters {
  /** What the device says it is, and which build of its firmware it runs. */
  readonly model: string;
  readonly serial: string;
  readonly build: string;
  /** N·m/A at 23 °C, amplitude convention, small current. */
  readonly torqueConstant: number;
  /** Torque constant the firmware was trimmed with at the factory, N·m/A. */
  readonly assumedConstant: number;
  /** Torque constant for positive current over that for negative, less 1. */
  readonly split: number;
  /** Loss of torque constant at 20 A; it grows with the cube of the current. */
  readonly droop: number;
  /** Ω at 20 °C; H. */
  readonly resistance: number;
  readonly inductance: number;
  readonly loop: Tuning;
  /** A rms in the sensor of the current loop. */
  readonly currentNoise: number;
  /** Torque added to every command while power is on, N·m. */
  readonly offset: number;
  /** Share of torque, amplitude, at 72 Hz and 144 Hz: what is left of the sixth and twelfth order. */
  readonly ripple: readonly [number, number];
  readonly deadTime: number;
  readonly smoothing: readonly number[];
  readonly slew: number;
  /** N·m: half-width of the friction loop. */
  readonly friction: number;
  /** N·m, peak to peak over a turn. */
  readonly cogging: number;
  /** Share of torque, amplitude, that is gained and lost twice per electrical turn; rad at angle 0. */
  readonly commutation: number;
  readonly commutationAngle: number;
  /** s after the last update at which the item takes its torque away. */
  readonly commandTimeout: number;
  /** Sound that its torque makes over that of a good item. */
  readonly noisiness: number;
  /** kg·m² with the adapter. */
  readonly inertia: number;
  readonly thermal: ThermalPath;
  /** Heat of the hottest winding over that of the others at the same current. */
  readonly hotWinding: number;
  /** rad, electrical: the current stands this far from the q axis and gives its cosine in torque. */
  readonly encoderOffset: number;
  /** Device clock over true time, less 1. */
  readonly clockSkew: number;
}

/** Stand and digitizer as they are during one attempt. */
export interface StandParameters {
  readonly stiffness: number;
  readonly damping: number;
  /** rad, full clearance of the coupling. */
  readonly play: number;
  /** +1, or −1 for a transducer that sees the reversed torque. */
  readonly polarity: number;
  /** Gain of the torque and current channels over the true gain, less 1. */
  readonly torqueGain: number;
  readonly currentGain: number;
  /** N·m at the start, and N·m/s after it. */
  readonly zero: number;
  readonly drift: number;
  /** N·m of the clamp on the coupled, unpowered shaft. */
  readonly preload: number;
  /** rad: angle at which the shaft was locked. */
  readonly angle: number;
  /** Torque that the shunt imitates, N·m, and what it adds while it is switched off. */
  readonly shunt: number;
  readonly shuntLeft: number;
  /** The same the other way round, > 0; not used where the station has one polarity only. */
  readonly shuntNegative: number;
  readonly amplifierDelay: number;
  readonly currentDelay: number;
  /** s from the torque that a reckoned wheel saw to the command that answers it. */
  readonly loopDelay: number;
  /** Samples that every channel comes late. */
  readonly converterDelay: number;
  /** N·m, A: ends of the converter. */
  readonly torqueRange: number;
  readonly currentRange: number;
  /** Pa: end of the converter; 0 without a microphone. */
  readonly soundRange: number;
  /** N·m rms. */
  readonly torqueNoise: number;
  readonly hum: number;
  /** A rms, V rms, K rms. */
  readonly currentNoise: number;
  readonly supplyNoise: number;
  readonly windingNoise: number;
  /** Pa rms, of the room as the ear weighs it. */
  readonly roomNoise: number;
  readonly supplyVoltage: number;
  readonly supplyResistance: number;
  readonly ambient: number;
  readonly humidity: number;
  /** Digitizer clock over true time, less 1. */
  readonly clockSkew: number;
  /** s by which the two clocks jump apart and back again, every so many s; 0 for never. */
  readonly clockStep: number;
  readonly clockStepEvery: number;
  /** s for which the instruments had power at the start of the attempt; undefined where nobody counts. */
  readonly poweredFor: number | undefined;
  /** °C that the thermometer of the stand says whatever is true; undefined for one that is right. */
  readonly thermometer: number | undefined;
  /** K by which it gets colder at the bench once the item is energized. */
  readonly draught: number;
  /** Relative humidity, 0 … 1, that is added once the item is energized. */
  readonly damp: number;
  /** ± N·m of the transducer that is fitted; undefined for the one of the description. */
  readonly fitted: number | undefined;
  /** The adapter in the nest; undefined where there is none, or none is read. Then the others of the bench. */
  readonly adapter: Adapter | undefined;
  readonly spareAdapters: readonly Adapter[];
  /** s from a safety line that opens to torque taken away. */
  readonly stopDelay: number;
  readonly wiring: Wiring;
}

/** What is wrong with a channel: it stands on one value, at an end of its range, never comes, or is no number at times. */
export type DeadChannel =
  | { readonly kind: 'stuck' }
  | { readonly kind: 'rail' }
  | { readonly kind: 'missing' }
  /** Once in so many samples. */
  | { readonly kind: 'invalid'; readonly every: number };

/** How the channels of the digitizer are wired; nothing in it is all right. */
export interface Wiring {
  readonly dead?: Partial<Readonly<Record<Channel, DeadChannel>>>;
  /** Two channels whose plugs are exchanged. */
  readonly swapped?: readonly [MeasuredChannel, MeasuredChannel];
}

/** Channels with a plug of their own. */
export type MeasuredChannel = Exclude<Channel, 'command' | 'sound'>;

/** What gets lost between host, device and digitizer. */
export interface LinkParameters {
  /** Longest time between two bursts of lost blocks of samples, s; 0 for none. */
  readonly dropouts: number;
  /** Share of updates that never reach the device, one at a time, 0 … 1. */
  readonly lostUpdates: number;
  /** s without any update, once in every take that is long enough; 0 for none. */
  readonly burst: number;
  /** s: standard deviation of the time from one update to the next. */
  readonly jitter: number;
}

/** What a person does to the measurement. */
export interface OperatorParameters {
  /** Amplitude of a slow torque on the wheel, N·m; 0 for hands off. */
  readonly hand: number;
  /** K above the surroundings of an item that was worked before. */
  readonly warmth: number;
}

/** Something that happens once, in the first moment with power when the shaft carries this torque. */
export interface Incident {
  readonly what: 'guard-opened' | 'stop-pressed' | 'presence-lost' | 'device-hang' | 'device-fault';
  /** N·m */
  readonly torque: number;
}

export interface Parameters {
  readonly item: ItemParameters;
  readonly stand: StandParameters;
  readonly link: LinkParameters;
  readonly operator: OperatorParameters;
  readonly incidents: readonly Incident[];
}

/** A link that loses nothing, hands off, and a run in which nothing happens. */
export const UNDISTURBED: Pick<Parameters, 'link' | 'operator' | 'incidents'> = {
  link: { dropouts: 0, lostUpdates: 0, burst: 0, jitter: 10e-6 },
  operator: { hand: 0, warmth: 0 },
  incidents: [],
};

/** What of a station's description the simulation takes over. */
export type SimulatedStation = Pick<
  Station,
  | 'id'
  | 'torqueRange'
  | 'currentRange'
  | 'sampleRate'
  | 'soundRange'
  | 'shunt'
  | 'shuntPolarity'
  | 'adapters'
  | 'stand'
>;

/** N·m/rad: transducer and coupling in series. */
const STIFFNESS = 6700;
/** Slots times pole pairs: cogging periods of one turn. */
const COGGING_PERIODS = 120;
export const POLE_PAIRS = 10;
const MINUTE = 60;

/** Normal deviate that belongs to one name, whatever else is drawn. */
function deviate(...name: readonly (string | number)[]): number {
  return new Noise(name.join('/')).normal();
}

function evenly(...name: readonly (string | number)[]): number {
  return new Noise(name.join('/')).uniform();
}

/**
 * Draws the item with this serial. Every parameter has its own stream, named by serial and parameter,
 * so one more parameter never changes the others.
 *
 * @returns Parameters of a good item; spreads are those of the invented H12.
 */
export function drawItem(serial: string, resonance: number): ItemParameters {
  const of = (name: string): number => deviate('item', serial, name);
  const torqueConstant = 0.6 * (1 + 0.007 * of('torque constant'));
  const resistance = 0.35 * (1 + 0.03 * of('resistance'));
  const inductance = 0.9e-3;
  const fn = resonance * (1 + 0.01 * of('resonance'));
  return {
    model: 'H12',
    serial,
    build: 'shipped build',
    torqueConstant,
    assumedConstant: torqueConstant / (0.999 + 0.003 * of('static gain')),
    split: 0.0015 * of('split'),
    droop: 0.04,
    resistance,
    inductance,
    loop: { kind: 'cancelling', frequency: 800 * (1 + 0.04 * of('loop frequency')) },
    currentNoise: 0.02,
    offset: 0.008 * of('offset'),
    ripple: [0.0025, 0.0015],
    deadTime: 0.6e-3 + 0.03e-3 * of('dead time'),
    smoothing: [0, 400, 200, 100, 50, 25],
    slew: 6000,
    friction: 0.025 * Math.exp(0.2 * of('friction')),
    cogging: 0.045 * Math.exp(0.25 * of('cogging')),
    commutation: 0.001 + 0.002 * evenly('item', serial, 'commutation'),
    commutationAngle: 2 * Math.PI * evenly('item', serial, 'commutation angle'),
    commandTimeout: 0.1,
    noisiness: 1,
    inertia: STIFFNESS / (2 * Math.PI * fn) ** 2,
    thermal: {
      windingResistance: 0.55,
      windingCapacity: 90,
      bodyResistance: 0.75,
      bodyCapacity: 1800,
    },
    hotWinding: 1,
    encoderOffset: 0,
    clockSkew: (20 + 40 * evenly('item', serial, 'clock skew')) * 1e-6,
  };
}

/** Draws the stand as it is for one clamping: some errors stay with the station, others come anew. */
export function drawStand(
  station: SimulatedStation,
  serial: string,
  attempt: number,
): StandParameters {
  const clamped = (name: string): number => deviate('stand', station.id, serial, attempt, name);
  return {
    stiffness: STIFFNESS,
    damping: station.stand.damping,
    play: 0,
    polarity: 1,
    torqueGain:
      0.0007 * deviate('station', station.id, 'torque gain') + 0.0004 * clamped('side load'),
    currentGain: 0.0015 * deviate('station', station.id, 'current gain'),
    zero: 0.01 * clamped('zero'),
    drift: (0.002 / MINUTE) * (2 * evenly('stand', station.id, serial, attempt, 'drift') - 1),
    preload: 0.006 * clamped('preload'),
    angle: 2 * Math.PI * evenly('stand', station.id, serial, attempt, 'angle'),
    shunt: station.shunt * (1 + 0.0002 * deviate('station', station.id, 'shunt')),
    shuntLeft: 0,
    shuntNegative: station.shunt * (1 + 0.0002 * deviate('station', station.id, 'shunt negative')),
    amplifierDelay: station.stand.torqueDelay,
    currentDelay: station.stand.currentDelay,
    loopDelay: 0.26e-3,
    converterDelay: 16,
    torqueRange: station.torqueRange,
    currentRange: station.currentRange,
    soundRange: station.soundRange ?? 0,
    torqueNoise: 0.002,
    hum: 0.0005,
    currentNoise: 0.02,
    supplyNoise: 0.02,
    windingNoise: 0.05,
    roomNoise: 0.63e-3, // 30 dB(A)
    supplyVoltage: 48.1 + 0.1 * clamped('supply'),
    supplyResistance: 0.15,
    ambient: 23 + 0.7 * clamped('ambient'),
    humidity: 0.45 + 0.03 * clamped('humidity'),
    clockSkew: 0,
    clockStep: 0,
    clockStepEvery: 0,
    poweredFor: 6 * 3600,
    thermometer: undefined,
    draught: 0,
    damp: 0,
    fitted: undefined,
    adapter: station.adapters?.[0],
    spareAdapters: station.adapters?.slice(1) ?? [],
    stopDelay: 0,
    wiring: {},
  };
}

/** Cogging at the angle where the shaft is locked, N·m: an offset until it is indexed. */
export function coggingAt(item: ItemParameters, angle: number): number {
  return (item.cogging / 2) * Math.sin(COGGING_PERIODS * angle);
}

/**
 * Torque per ampere at the angle where the shaft is locked, over its mean over a turn if the encoder
 * were right.
 */
export function commutationAt(item: ItemParameters, angle: number): number {
  const wave = 1 + item.commutation * Math.cos(2 * POLE_PAIRS * angle + item.commutationAngle);
  return wave * Math.cos(item.encoderOffset);
}

/**
 * Heat of the winding with the sensor over the mean of the three, at the angle where the shaft is
 * locked: at rest each takes 0 … 2 times its share.
 */
export function hotShareAt(item: ItemParameters, angle: number): number {
  return item.hotWinding * (1 + Math.cos(2 * POLE_PAIRS * angle));
}
