import type { Clock } from '../base/clock.js';
import { SAMPLE_RATE } from '../bench/plant.js';
import type { Patience } from './played.js';
import { BLOCK } from './take.js';

/** `real` follows the clock, whatever peers do; `patient` follows its peers while they do their part. */
export type StandPace = 'real' | 'patient';

/** The stand as its time sees it. */
export interface Timed {
  /** Whether time must go on for anything at all. */
  readonly isNeeded: boolean;
  /** Whether somebody waits for time of the plant, e.g. until the shaft stands still. */
  readonly isAsked: boolean;
  /** Whether torque that went is still being watched, or a cut is still to come. */
  readonly isFalling: boolean;
  readonly isPlaying: boolean;
  readonly isEnergized: boolean;
  /** Whether it was fed since the last block began. */
  readonly isFed: boolean;
  /** The take that runs. */
  readonly running: { readonly room: number; readonly toBlockEnd: number } | undefined;
  /**
   * Goes on by at most so many samples.
   *
   * @param patience - For the source of a stream.
   * @returns How many it were; fewer when nothing needs them, or when an update waits for its source.
   */
  advance(samples: number, patience: Patience): number;
  /** Takes the torque away if nobody fed for too long by the clock. */
  watchClock(): void;
}

/** ms from one look at the clock to the next. */
const TICK = 1;
/** ms: after a longer standstill time starts anew. */
const CATCH_UP = 100;
const SAMPLES_PER_MS = SAMPLE_RATE / 1000;
/** In patient pace the clock goes so much faster than a plant that nobody feeds: 100 ms for a block. */
const SLOWNESS = 5;
/** How long the source of a stream is waited for. */
const PATIENCE = {
  real: { periods: 0.5, first: 0 },
  patient: { periods: 10, first: CATCH_UP },
} as const satisfies Record<StandPace, Patience>;

/** How far time may go now. */
interface Leave {
  readonly samples: number;
  /** How the next leave comes about: by what was done, by the clock, or when a peer does something. */
  readonly next: 'at once' | 'by the clock' | 'by a peer';
}

/** Drives the time of a stand. While nothing needs time, nothing runs and nothing is reckoned. */
export class StandTime {
  /** ms of the clock up to which the plant was taken. */
  private reached = 0;
  private isIdle = true;
  private isTicking = false;
  private isTurning = false;
  private isClosed = false;

  constructor(
    private readonly pace: StandPace,
    private readonly clock: Clock,
    private readonly stand: Timed,
  ) {}

  /** Looks anew at what needs time: something began, was fed, read or told. */
  wake(): void {
    if (this.isClosed || !this.stand.isNeeded) return;
    if (this.isIdle) this.reached = this.clock.monotonic();
    this.isIdle = false;
    if (this.pace === 'patient') this.turn();
    else this.tick();
  }

  /** In real pace, brings the plant up to the clock. */
  catchUp(): void {
    if (this.pace === 'real' && !this.isIdle && !this.isClosed) this.follow();
  }

  close(): void {
    this.isClosed = true;
  }

  private go(): void {
    if (this.isClosed) return;
    const next = this.pace === 'real' ? this.follow() : this.accompany();
    this.isIdle = !this.stand.isNeeded || next === 'by a peer';
    if (this.isIdle) return;
    if (next === 'at once') this.turn();
    if (next === 'by the clock') this.tick();
  }

  /** Real pace: one look at the clock. */
  private follow(): Leave['next'] {
    const now = this.clock.monotonic();
    this.stand.watchClock();
    if (now - this.reached > CATCH_UP) this.reached = now;
    const due = Math.floor((now - this.reached) * SAMPLES_PER_MS);
    const done = due === 0 ? 0 : this.stand.advance(due, PATIENCE.real);
    this.reached += done / SAMPLES_PER_MS;
    return done < due ? 'at once' : 'by the clock';
  }

  /** Patient pace: one block at most. */
  private accompany(): Leave['next'] {
    const now = this.clock.monotonic();
    this.reached = Math.max(this.reached, now - CATCH_UP);
    const slow = Math.floor(((now - this.reached) * SAMPLES_PER_MS) / SLOWNESS);
    const { samples, next } = this.leave(slow);
    const wanted = Math.min(BLOCK, samples);
    const done = wanted === 0 ? 0 : this.stand.advance(wanted, PATIENCE.patient);
    if (next === 'at once') this.reached = now;
    else this.reached += (done * SLOWNESS) / SAMPLES_PER_MS;
    return done < wanted ? 'by the clock' : next;
  }

  /** @param slow - Samples that the clock alone allows. */
  private leave(slow: number): Leave {
    const { stand } = this;
    const slowly = { samples: slow, next: 'by the clock' } as const;
    if (stand.isAsked && !stand.isPlaying) return { samples: BLOCK, next: 'at once' };
    const { running } = stand;
    if (running === undefined) {
      return stand.isFalling && !stand.isPlaying ? { samples: BLOCK, next: 'at once' } : slowly;
    }
    if (stand.isEnergized) {
      return stand.isFed ? { samples: running.toBlockEnd, next: 'at once' } : slowly;
    }
    if (running.room > 0) return { samples: running.room, next: 'at once' };
    return stand.isFalling ? slowly : { samples: 0, next: 'by a peer' };
  }

  /** Goes on in the next turn of the event loop. */
  private turn(): void {
    if (this.isTurning) return;
    this.isTurning = true;
    setImmediate(() => {
      this.isTurning = false;
      this.go();
    });
  }

  /** Goes on at the next look at the clock. */
  private tick(): void {
    if (this.isTicking) return;
    this.isTicking = true;
    void this.clock.wait(TICK).then(() => {
      this.isTicking = false;
      this.go();
    });
  }
}
