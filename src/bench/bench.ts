import type { Quantity } from '../base/units.js';
import type { TimingMethod } from '../procedure/links.js';
import type { Settings } from '../procedure/procedure.js';
import type { Waveform } from '../pattern/waveform.js';
import type { EnergizePermit, Task } from './permit.js';

/** Channels of the digitizer, all on one sample clock. */
export const CHANNELS = ['command', 'current', 'torque', 'supply', 'winding', 'sound'] as const;
/**
 * command: as latched by the item, N·m · current: q axis, A amplitude · torque: transducer, N·m,
 * sign-corrected, not tared · supply: bus voltage, V · winding: temperature, °C · sound: pressure at
 * the microphone, Pa; only where the bench has one.
 *
 * All channels are late by the same delay of the converter, so a take begins with what was before its
 * waveform. Times between channels are true; times against the waveform are read from `command`.
 */
export type Channel = (typeof CHANNELS)[number];

/** Units of the channels, as they are stored and as adapters tell them. */
export const CHANNEL_UNITS: Readonly<Record<Channel, string>> = {
  command: 'N·m',
  current: 'A',
  torque: 'N·m',
  supply: 'V',
  winding: '°C',
  sound: 'Pa',
};

/** Channels that a bench may lack. */
export const OPTIONAL_CHANNELS: readonly Channel[] = ['sound'];

/** Maxima and capabilities of the equipment. A procedure that asks for more is refused before power. */
export interface Ratings {
  readonly torqueRange: Quantity<'N·m'>;
  readonly currentRange: Quantity<'A'>;
  readonly sampleRate: Quantity<'Hz'>;
  readonly maximumUpdates: Quantity<'Hz'>;
  /** The device drops torque by itself after this long without a feed. */
  readonly deadMan: Quantity<'s'>;
  readonly fixtures: readonly Settings['fixture'][];
  readonly channels: readonly Channel[];
  /** Who turns the locked shaft to another angle: the bench by itself, an operator, or nobody. */
  readonly indexing: 'bench' | 'operator' | 'none';
  /** Whether the bench can close a loop over a wheel that it reckons itself. */
  readonly closedLoop: boolean;
  /** What a bench of several links cannot do; absent where it can do all of it. */
  readonly lacks?: Lacks;
  /** How times of the capture are tied to the command. */
  readonly timing: Timing;
}

/** Abilities that a link may lack. */
export interface Lacks {
  /** Smoothing settings that can be chosen; absent: all. */
  readonly smoothing?: readonly number[];
  readonly slew?: true;
  /** Updates cannot be held back on purpose. */
  readonly silence?: true;
  /** The sample at which a safety line opened is not marked. */
  readonly stopMark?: true;
  /** Torque that a bench without a dead-man of its own may be given at most. */
  readonly deadMan?: Quantity<'N·m'>;
}

/** How times of the capture are tied to the command, with U (k = 2) of the alignment, s. */
export interface Timing {
  readonly method: TimingMethod;
  readonly uncertainty: Quantity<'s'>;
}

/** Components that a device may tell with a serial of their own, in the words of a rework record. */
export const COMPONENT_KINDS = ['motor', 'drive', 'encoder'] as const;
export type ComponentKind = (typeof COMPONENT_KINDS)[number];

/** A component that is built into a device. */
export interface Component {
  readonly kind: ComponentKind;
  readonly serial: string;
}

/** What the device in the nest says of itself. */
export interface Identity {
  readonly model: string;
  readonly serial: string;
  readonly firmware: string;
  /** SHA-256 of the firmware image. */
  readonly firmwareDigest: string;
  /** Hardware revision; absent where the device does not tell. */
  readonly revision?: string;
  /** Absent where the device tells none; an empty list is no other thing. */
  readonly components?: readonly Component[];
  /** SHA-256 of the set of parameters that the firmware works with. */
  readonly parametersDigest?: string;
}

/** The part between item and stand, as the nest reads its identity. */
export interface Adapter {
  readonly id: string;
  /** What it is made for, e.g. `h12-shaft`. */
  readonly kind: string;
  readonly serial: string;
}

/** Lines read from the safety controller. This program reads them; it is never one of them. */
export interface Interlocks {
  readonly guard: 'closed' | 'open' | 'contradictory';
  readonly emergencyStop: 'released' | 'pressed' | 'contradictory';
  /** The hold-to-run device, held by the operator while power is on; "held" where there is none. */
  readonly presence: 'held' | 'released' | 'contradictory';
  /** Whether the shaft sits in its coupling; absent where nothing tells. */
  readonly coupling?: 'seated' | 'loose' | 'contradictory';
  /** Age of the reading, s. */
  readonly age: number;
}

/** Surroundings and state of the stand when asked. */
export interface Environment {
  readonly ambient: Quantity<'°C'>;
  /** Relative humidity, 0 … 1. */
  readonly humidity: number;
  readonly supply: Quantity<'V'>;
  /**
   * s for which the instruments had power without a break, as the bench counts it; absent where it
   * does not know, and then they are cold.
   */
  readonly poweredFor?: number;
  /** The adapter in the nest; absent where there is none, or the bench cannot read it. */
  readonly adapter?: Adapter;
}

/** What to play: one waveform at one setting. */
export interface Load {
  readonly waveform: Waveform;
  readonly settings: Settings;
  /**
   * Given to prove the stop function: samples go on for so long after a safety line opened, also with
   * the torque gone, and then the take ends. The device must be fed meanwhile, or its dead-man would
   * take the torque away in place of the safety controller.
   */
  readonly afterStop?: Quantity<'s'>;
}

/** A run of samples, in order, with what the device reported meanwhile. */
export interface Block {
  /** Index of the first sample since the start of the take. */
  readonly start: number;
  /** Calibrated values, all channels of equal length; a missing channel is left out. */
  readonly samples: Partial<Readonly<Record<Channel, Float32Array>>>;
  readonly device: DeviceReport;
  /** Sample at which a safety line opened, counted since the start of the take; absent until then. */
  readonly opened?: number;
}

export interface DeviceReport {
  /** Updates latched since the start of the take. */
  readonly updates: number;
  /** Updates that were due and did not arrive since the start of the take; silence on purpose does not count. */
  readonly missing: number;
  /** Updates that the link itself knows to have lost; absent where it keeps no count. */
  readonly linkLost?: number;
  /** Longest time between two updates and standard deviation of that time since the start of the take, s;
   * absent where the device does not tell. */
  readonly gap?: number;
  readonly jitter?: number;
  /** Largest share of the available voltage that the current loop used since the start of the take, 0 … 1. */
  readonly duty?: number;
  /** Device clock since the start of the take, s. */
  readonly time: number;
  /** Fault code, or 0. */
  readonly fault: number;
  readonly torqueEnabled: boolean;
}

/** Seconds of one block; the control loop consumes one, checks it, then feeds the dead-man. */
export const BLOCK_SECONDS = 0.02;

/**
 * The one interface to hardware. Torque can be commanded only through the value that `energize`
 * returns, and `energize` takes a permit.
 */
export interface Bench {
  readonly id: string;
  readonly simulated: boolean;
  readonly ratings: Ratings;
  identify(): Promise<Identity>;
  interlocks(): Promise<Interlocks>;
  environment(): Promise<Environment>;
  /** Takes samples without power for `duration`, with the stand arranged as `settings` say. */
  observe(duration: Quantity<'s'>, settings: Settings): AsyncIterable<Block>;
  /**
   * Applies power at zero torque. Spends the permit, sets the device ceiling and reads it back.
   *
   * @throws bench/permit-void, bench/interlock, bench/wrong-item, bench/ceiling, bench/unreachable;
   * the bench is off then, and every live permit for it is void.
   */
  energize(permit: EnergizePermit, task: Task, ceiling: Quantity<'N·m'>): Promise<Energized>;
  /**
   * Takes torque away and power off, whatever state the bench is in, and voids every live permit
   * for it. `ramp` brings torque to zero within 200 ms first; `off` cuts it. Never throws for a
   * bench that is safe already.
   */
  makeSafe(how: 'ramp' | 'off'): Promise<void>;
  close(): Promise<void>;
}

/** A bench with power on. Dead once the bench was made safe. */
export interface Energized {
  /**
   * Loads and triggers one waveform, from zero torque and back to zero at its end; yields its samples
   * in blocks until it ends. A waveform with a wheel closes the loop in the device, which ends it at
   * zero torque when the wheel asks for more than its limit.
   *
   * @throws bench/ceiling when any sample exceeds the ceiling (nothing is played then),
   * bench/capability for what the bench cannot play, bench/permit-void after `makeSafe`,
   * bench/interlock when the safety controller took the torque away, bench/dead-man,
   * bench/device-fault, bench/unreachable.
   */
  play(load: Load): AsyncIterable<Block>;
  /**
   * Tells the device that the control loop is alive and has checked the last block.
   *
   * @throws bench/permit-void after `makeSafe`.
   */
  feed(): void;
}
