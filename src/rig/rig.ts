import type { Quantity } from '../base/units.js';
import type {
  Channel,
  DeviceReport,
  Environment,
  Identity,
  Interlocks,
  Load,
  Ratings,
} from '../bench/bench.js';
import type { Settings } from '../procedure/procedure.js';

/**
 * The three parts of a bench that is not simulated in this process. One link may be all three; then
 * one object implements all three interfaces. Every request has a deadline and ends in link/… when it
 * passes; none is ever answered by the late reply to another.
 */

/** What a drive says it can do. Held against the bench description and what it then does. */
export interface DriveAbilities {
  /** Whether what answers says of itself that it is an emulator. */
  readonly simulated: boolean;
  /** Longest and shortest time without a feed that can be asked for; absent where there is no dead-man. */
  readonly deadMan?: { readonly from: Quantity<'s'>; readonly to: Quantity<'s'> };
  readonly maximumUpdates: Quantity<'Hz'>;
  /** Smoothing settings that can be chosen. */
  readonly smoothing: readonly number[];
  readonly setsSlew: boolean;
  /** Whether updates can be held back on purpose. */
  readonly silence: boolean;
  readonly closedLoop: boolean;
  /** Whether the device latches updates by its own clock, or this computer sends each when it is due. */
  readonly paced: 'device' | 'host';
  /** Step in which the ceiling can be set, N·m; 0 where any value can. */
  readonly ceilingStep: number;
}

/** What a drive is asked to hold, and what it says that it holds: read back, never assumed. */
export interface PowerLimits {
  readonly ceiling: Quantity<'N·m'>;
  /** s without a feed after which the device has no torque. */
  readonly deadMan: Quantity<'s'>;
}

/** A link that drives the item. */
export interface DriveLink {
  readonly name: string;
  /** Calls the device and asks what it can do. Power stays, or is put, off. @throws link/… */
  open(): Promise<DriveAbilities>;
  identify(): Promise<Identity>;
  /** Sets limits with power off and reads them back. @throws link/… */
  limit(limits: PowerLimits): Promise<PowerLimits>;
  /** Applies power at zero torque. The permit is spent by now. @throws link/… */
  energize(): Promise<void>;
  /** Hands over a waveform that was checked against the limits; the item stays at zero torque. */
  load(load: Load): Promise<void>;
  /** Starts what was loaded, from zero torque; from now on the device must be fed. */
  start(): Promise<void>;
  /** Tells the device that the control loop is alive. Never waits, never throws; what goes wrong shows in `report`. */
  feed(): void;
  /**
   * What the device says of itself now; `fault` in the numbers of `FAULT_CODES` (bench/drive.ts), where 14
   * stands for any fault of its own.
   */
  report(): Promise<DeviceReport>;
  /** What is wrong in the words of the device, for `fault` 14; empty when it says nothing. */
  readonly complaint: string;
  /** Ends what was started: back to zero torque, where it needs no feed. */
  finish(): Promise<void>;
  /** Torque and power off, by a ramp within 200 ms or at once. @throws link/… when nobody answers. */
  makeSafe(how: 'ramp' | 'off'): Promise<void>;
  /** Lets go of the device, which then makes itself safe. Never throws. */
  close(): Promise<void>;
}

/** What a digitizer says it can do. */
export interface DigitizerAbilities {
  readonly simulated: boolean;
  readonly rates: readonly number[];
  readonly channels: readonly Channel[];
  readonly fixtures: Ratings['fixtures'];
  readonly indexing: Ratings['indexing'];
  /** Whether a take can begin with the waveform by a line between drive and digitizer. */
  readonly trigger: boolean;
  /** Whether it marks the sample at which a safety line opened, and goes on after it. */
  readonly marksStop: boolean;
}

/** A take as a digitizer is asked for it. */
export interface TakeOrder {
  readonly samples: number;
  readonly rate: Quantity<'Hz'>;
  readonly on: 'trigger' | 'now';
  /** Samples to go on with after a safety line opened; absent: the take ends there. */
  readonly afterStop?: number;
}

/** Samples of a take as they arrive, in order. */
export interface SampleBlock {
  readonly start: number;
  /** In the units of the channels. */
  readonly samples: Partial<Readonly<Record<Channel, Float32Array>>>;
  /** Clock of the digitizer at the end of the block since the take began, s; absent where it has none. */
  readonly clock?: number;
  /** What the drive said at the end of the block, where one link is both. */
  readonly device?: DeviceReport;
  readonly opened?: number;
}

/** A link that takes samples. */
export interface DigitizerLink {
  readonly name: string;
  /** @throws link/… */
  open(): Promise<DigitizerAbilities>;
  /** Arranges the stand, and turns the locked shaft where the bench does so itself. */
  arrange(settings: Settings): Promise<void>;
  /** What it knows of the surroundings. */
  environment(): Promise<Partial<Environment>>;
  /** Makes ready for a take. */
  arm(take: TakeOrder): Promise<void>;
  /**
   * The blocks of the take armed last, each with at most 20 ms of samples, until it is whole, was ended,
   * or a stop ended it. Lost samples are missing, never filled in.
   *
   * @throws link/…
   */
  blocks(): AsyncIterable<SampleBlock>;
  /** Ends the take, whole or not. */
  end(): Promise<void>;
  close(): Promise<void>;
}

/** A link that reads safety lines. */
export interface InterlockLink {
  readonly name: string;
  /** @throws link/… */
  open(): Promise<{ readonly simulated?: boolean }>;
  /** The lines with their age, never older than the last answer. Any doubt reads as open, never as an error. */
  read(): Promise<Interlocks>;
  close(): Promise<void>;
}
