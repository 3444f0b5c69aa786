import type { Clock } from '../base/clock.js';
import type { Interlocks } from '../bench/bench.js';
import type { FaultName } from '../bench/fault.js';
import type { SimulatedStation } from '../bench/spread.js';
import type { Journal } from './journal.js';
import type { EmulatedStand } from './stand.js';
import type { StandPace } from './time.js';

export interface PlantStandOptions {
  readonly station: SimulatedStation;
  readonly serial: string;
  readonly attempt: number;
  readonly faults: readonly FaultName[];
  readonly clock: Clock;
  readonly pace: StandPace;
  readonly journal: Journal;
}

/** Hands on the stand, for tests and demonstrations. No peer sees these. */
export interface EmulatedControl {
  /** Moves the safety lines. Anything but safe cuts torque, as the safety controller would. */
  move(lines: Partial<Interlocks>): void;
  /**
   * Puts another item into the nest: everything is drawn anew, a device that hung answers again.
   *
   * @throws bench/permit-void while power is on.
   */
  swap(serial: string): void;
  /** Makes the item add this torque to every set point, N·m. */
  uncommanded(torque: number): void;
  /** Torque in the shaft now, N·m. */
  shaftTorque(): number;
  /** Whether the device hangs: then nobody is answered. It can still lose its power. */
  readonly isHung: boolean;
  /** Takes power away and ends everything that goes on. */
  close(): void;
}

/** The stand with hands on it. */
export type ControlledStand = EmulatedStand & EmulatedControl;
