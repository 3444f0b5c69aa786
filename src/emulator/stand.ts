import type { Quantity } from '../base/units.js';
import type { Block, DeviceReport, Environment, Identity, Interlocks } from '../bench/bench.js';
import type { Waveform } from '../pattern/waveform.js';
import type { Settings } from '../procedure/procedure.js';

/**
 * The stand that `stallmark emulate` runs: one plant in time of its own, which every served link
 * drives. What servers need of it; they hold no physics and no rule of safety.
 *
 * Torque is taken away here and nowhere else: by the dead-man, by a safety line that opens, by `off`,
 * and when the port of a link that drives closes. It never waits for a peer.
 */
export interface EmulatedStand {
  identity(): Identity;
  environment(): Environment;
  lines(): Interlocks;
  /** Inputs of the digitizer, in the order of `CHANNELS`, those that the bench has. */
  readonly channels: readonly (keyof Block['samples'])[];
  readonly rate: Quantity<'Hz'>;
  /** N·m: most that the item can be limited to. */
  readonly mostTorque: number;
  readonly mostUpdates: Quantity<'Hz'>;
  /** s that the dead-man can be set to, least and most. */
  readonly deadMan: readonly [number, number];

  /**
   * Sets ceiling in N·m and dead-man in s, each clipped to what the device can hold; power must be off.
   * @returns What holds now.
   */
  limit(ceiling: number, deadMan: number): { readonly ceiling: number; readonly deadMan: number };
  /** Power on at zero torque. @throws StallmarkError bench/interlock, bench/permit-void when on already. */
  energize(): void;
  /** Makes a waveform ready. Refuses what `checkedLoad` refuses. @throws StallmarkError */
  load(waveform: Waveform, settings: Settings): Promise<void>;
  /**
   * Makes ready for set points that come one by one, one per update.
   * @param updates - Hz
   * @param onUpdate - Called at each update with its number, from 0, before it latches; the set point
   * told last, if any was told since the update before, is latched then.
   */
  stream(
    updates: Quantity<'Hz'>,
    settings: Settings,
    onUpdate: (update: number) => void,
  ): Promise<SetPoints>;
  /** Starts what is ready, and a take that waits for the trigger. @throws StallmarkError when off or tripped. */
  start(): void;
  feed(): void;
  /** Back to zero torque at the slew limit; needs no feed there. */
  finish(): void;
  /** Torque to zero within 150 ms, then power off. */
  rampOut(): Promise<void>;
  /** Torque and power off at once. @param reason - For the journal, e.g. `end of file on tcp …`. */
  off(reason: string): void;
  /** Updates of the take so far, fault in the numbers of `FAULT_CODES`, power. */
  report(): Required<DeviceReport>;
  readonly isEnergized: boolean;
  /** Whether a waveform or a stream goes on. */
  readonly isPlaying: boolean;

  /** Arranges fixture and angle; resolves when the shaft stands still. @throws StallmarkError bench/capability, bench/interlock */
  arrange(settings: Settings): Promise<void>;
  /** Begins a take, at once or with the next `start`. One at a time: the one before ends. */
  arm(samples: number, on: 'trigger' | 'now', afterStop?: number): EmulatedTake;

  /** Calls when a fault, a safety line, power or the end of a waveform changes anything. @returns Ends it. */
  onChange(listener: () => void): () => void;
}

export interface SetPoints {
  /** N·m, latched at the next update. */
  set(torque: number): void;
  /** Tells that what the next update latches is there, so that a patient stand need not wait for it. */
  answered(): void;
}

/** Samples of one take. */
export interface EmulatedTake {
  /** Samples there are so far. */
  readonly available: number;
  /** Whether no more will come. */
  readonly isOver: boolean;
  /** Whether it waits for a trigger. */
  readonly isWaiting: boolean;
  /** Sample at which a safety line opened. */
  readonly opened: number | undefined;
  /**
   * Samples `from` … `from + count − 1`, fewer only at the end of the take; waits for them.
   * Says undefined when the take is over and none is left, or was ended.
   */
  read(from: number, count: number): Promise<Block | undefined>;
  /** Ends the take. */
  end(): void;
}
