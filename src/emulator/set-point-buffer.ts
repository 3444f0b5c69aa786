import { StallmarkError } from '../base/error.js';
import type { Quantity } from '../base/units.js';
import type { Settings } from '../procedure/procedure.js';
import type { EmulatedStand, SetPoints } from './stand.js';

/** Set points that may wait for their update. */
export const MOST_WAITING = 128;
/** Number of an update that is none. */
export const NO_UPDATE = 0xffff;

/** What a buffer needs of the rest of its drive, and tells it. */
export interface BufferSurroundings {
  readonly stand: Pick<EmulatedStand, 'isPlaying' | 'stream' | 'start' | 'finish'>;
  /** N·m of so many ‰ of the rated torque. */
  torqueOf(perMille: number): number;
  /** How a stream that begins is played. @throws StallmarkError when that was not set. */
  settings(): { readonly updates: Quantity<'Hz'>; readonly settings: Settings };
  /** Told each update with its number, from 0, before anything is latched. */
  updating(update: number): void;
  /** Told when a stream could not begin. */
  failed(): void;
}

/**
 * Set points that come ahead of their updates and wait for them, by number. The one for update 0 begins
 * a stream.
 */
export class SetPointBuffer {
  private perMille = 0;
  private readonly waiting = new Map<number, number>();
  private setPoints: SetPoints | undefined;
  private isPreparing = false;
  /** Counts what makes void that which is being made ready. */
  private voids = 0;
  /** Number of the update that comes next. */
  private next = 0;

  constructor(private readonly around: BufferSurroundings) {}

  /** ‰ of the rated torque that were latched last. */
  get target(): number {
    return this.perMille;
  }

  /** Set points that wait. */
  get size(): number {
    return this.waiting.size;
  }

  /** Takes a set point in ‰ for an update; one that is late, or one too many, is dropped. */
  take(update: number, target: number): void {
    if (update === 0 && !this.around.stand.isPlaying && !this.isPreparing) {
      this.waiting.clear();
      this.next = 0;
      void this.begin();
    }
    const isLate = ((update - this.next) & 0xffff) >= 0x8000;
    if (update === NO_UPDATE || isLate || this.waiting.size >= MOST_WAITING) return;
    this.waiting.set(update, target);
    this.setPoints?.answered();
  }

  /** Latches what waits for an update. */
  latch(update: number): void {
    const number = update & 0xffff;
    const target = this.waiting.get(number);
    this.waiting.delete(number);
    this.next = (number + 1) & 0xffff;
    // Set points come in order: when a later one waits, the next was held back or is lost.
    if (this.waiting.size > 0) this.setPoints?.answered();
    if (target === undefined) return;
    this.perMille = target;
    this.setPoints?.set(this.around.torqueOf(target));
  }

  /** Forgets what waits: it is played no more, nor is what is being made ready. */
  clear(): void {
    this.voids += 1;
    this.waiting.clear();
    this.perMille = 0;
  }

  /** Ends the stream: back to zero torque, where no heartbeat is needed. */
  halt(): void {
    this.clear();
    if (this.around.stand.isPlaying) this.around.stand.finish();
  }

  private async begin(): Promise<void> {
    const { stand } = this.around;
    const { voids } = this;
    this.isPreparing = true;
    try {
      const { updates, settings } = this.around.settings();
      this.setPoints = await stand.stream(updates, settings, (update) => {
        this.around.updating(update);
      });
      if (voids === this.voids) stand.start();
    } catch (error) {
      if (!(error instanceof StallmarkError)) throw error;
      // Whoever took the power away meanwhile wants no stream, and is told no fault.
      if (voids === this.voids) this.around.failed();
    } finally {
      this.isPreparing = false;
    }
  }
}
