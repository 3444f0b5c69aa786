import type { Station } from '../procedure/station.js';
import { Noise } from './noise.js';
import type { ThermalPath } from './heat.js';
import type { Tuning } from './motor.js';

/** One simulated H12: what its maker would like to know of it. */
export interface ItemParameters {
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
  /** kg·m² with the adapter. */
  readonly inertia: number;
  readonly thermal: ThermalPath;
  /** Heat of the hottest winding over that of the others at the same current. */
  readonly hotWinding: number;
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
  /** Torque that the shunt imitates, N·m. */
  readonly shunt: number;
  readonly amplifierDelay: number;
  /** Samples that every channel comes late. */
  readonly converterDelay: number;
  /** N·m, A: ends of the converter. */
  readonly torqueRange: number;
  readonly currentRange: number;
  /** N·m rms. */
  readonly torqueNoise: number;
  readonly hum: number;
  /** A rms, V rms, K rms. */
  readonly currentNoise: number;
  readonly supplyNoise: number;
  readonly windingNoise: number;
  readonly supplyVoltage: number;
  readonly supplyResistance: number;
  readonly ambient: number;
  readonly humidity: number;
  /** Longest time between two bursts of lost blocks, s; 0 for none. */
  readonly dropouts: number;
}

export interface Parameters {
  readonly item: ItemParameters;
  readonly stand: StandParameters;
}

/** What of a station's description the simulation takes over. */
export type SimulatedStation = Pick<
  Station,
  'id' | 'torqueRange' | 'currentRange' | 'sampleRate' | 'shunt' | 'stand'
>;

/** N·m/rad: transducer and coupling in series. */
const STIFFNESS = 6700;
/** Slots times pole pairs: cogging periods of one turn. */
const COGGING_PERIODS = 120;
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
    inertia: STIFFNESS / (2 * Math.PI * fn) ** 2,
    thermal: {
      windingResistance: 0.55,
      windingCapacity: 90,
      bodyResistance: 0.75,
      bodyCapacity: 1800,
    },
    hotWinding: 1,
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
    amplifierDelay: station.stand.torqueDelay,
    converterDelay: 16,
    torqueRange: station.torqueRange,
    currentRange: station.currentRange,
    torqueNoise: 0.002,
    hum: 0.0005,
    currentNoise: 0.02,
    supplyNoise: 0.02,
    windingNoise: 0.05,
    supplyVoltage: 48.1 + 0.1 * clamped('supply'),
    supplyResistance: 0.15,
    ambient: 23 + 0.7 * clamped('ambient'),
    humidity: 0.45 + 0.03 * clamped('humidity'),
    dropouts: 0,
  };
}

/** Cogging at the angle where the shaft is locked, N·m: an offset, as the angle never changes. */
export function coggingAt(item: ItemParameters, angle: number): number {
  return (item.cogging / 2) * Math.sin(COGGING_PERIODS * angle);
}
