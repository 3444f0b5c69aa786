import { setImmediate as nextTurn } from 'node:timers/promises';
import type { Clock } from '../base/clock.js';

/** `real` hands out samples when a true bench would; `fast` as soon as they are reckoned. */
export type PaceName = 'fast' | 'real';

/** Calls between two turns left to the rest of the program at full speed. */
const TURN = 8;
/** ms: a digitizer buffers this much for a reader that is busy; after a longer rest time starts anew. */
const CATCH_UP = 100;

/** Holds a simulation to the clock, or lets it run. */
export class Pace {
  private due = 0; // ms of the clock
  private calls = 0;

  constructor(
    private readonly name: PaceName,
    private readonly clock: Clock,
  ) {}

  /** Waits until `seconds` of samples reckoned just now would have been there. */
  async keep(seconds: number): Promise<void> {
    if (this.name === 'fast') {
      this.calls += 1;
      if (this.calls % TURN === 0) await nextTurn();
      return;
    }
    const now = this.clock.monotonic();
    if (now - this.due > CATCH_UP) this.due = now;
    this.due += 1000 * seconds;
    await this.clock.wait(Math.max(0, this.due - now));
  }
}
