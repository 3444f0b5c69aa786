import type { Quantity } from '../base/units.js';
import { type CountedUpdates, type Tally, UpdateCounts } from '../bench/link.js';
import type { Noise } from '../bench/noise.js';
import type { LinkParameters } from '../bench/spread.js';

/** Updates of one stream at most: more than an hour at 1 kHz. */
export const MOST_STREAMED = 2 ** 22;
/** s: a stream that loses a burst loses it this early. */
const BURST_WITHIN = 1;

/** What the way of a stream to the item is like. */
export interface StreamWay {
  readonly link: LinkParameters;
  /** s after the last update when the item gives up. */
  readonly timeout: number;
  /** Says which updates are lost and how much each is early or late. */
  readonly noise: Noise;
}

/**
 * Updates that come one by one while they are played. An update for which no set point came repeats the
 * one before and counts as missing; after none came for the time-out, the item holds nothing.
 */
export class StreamedUpdates implements CountedUpdates {
  readonly rate: number;
  readonly held: Float64Array;
  /** By update: the last one that had arrived by then; −1 for none. */
  private readonly heard: Int32Array;
  private readonly counts = new UpdateCounts();
  private readonly patience: number;
  private readonly scatter: number;
  /** Updates that a burst swallows. */
  private readonly burst: { readonly from: number; readonly to: number };
  private latched = 0;
  private lastHeard = -1;
  private told: number | undefined;

  constructor(
    rate: Quantity<'Hz'>,
    private readonly way: StreamWay,
    most: number = MOST_STREAMED,
  ) {
    const { link, timeout, noise } = way;
    this.rate = rate;
    this.held = new Float64Array(most);
    this.heard = new Int32Array(most);
    this.patience = timeout * rate;
    this.scatter = link.jitter / Math.SQRT2; // an interval has two ends
    const length = Math.round(link.burst * rate);
    const from = length === 0 ? 0 : 1 + Math.floor(noise.uniform() * BURST_WITHIN * rate);
    this.burst = { from, to: from + length };
  }

  /** Number of the update that is due next, from 0. */
  get next(): number {
    return this.latched;
  }

  /** Whether no more updates can be kept. */
  get isFull(): boolean {
    return this.latched >= this.held.length;
  }

  /** Tells what the next update latches, N·m; what is no number is not heard. */
  set(torque: number): void {
    if (Number.isFinite(torque)) this.told = torque;
  }

  /** Latches the next update: what was told last since the one before. */
  latch(): void {
    if (this.isFull) return;
    const index = this.latched;
    const { noise } = this.way;
    const isLost = this.isLost(index);
    const time = index / this.rate + this.scatter * noise.normal();
    const { told } = this;
    this.told = undefined;
    this.latched += 1;
    if (told !== undefined && !isLost) {
      this.lastHeard = index;
      this.counts.hear(time);
      this.held[index] = told;
    } else {
      this.counts.miss();
      this.held[index] = this.repeated(index);
    }
    this.heard[index] = this.lastHeard;
  }

  isQuiet(position: number): boolean {
    if (position < 0 || this.latched === 0) return false;
    const index = Math.min(this.latched - 1, Math.floor(position));
    return position - (this.heard[index] ?? 0) >= this.patience;
  }

  /** Updates are counted as they are latched. */
  tally(): Tally {
    return this.counts.tally;
  }

  private repeated(index: number): number {
    const isGivenUp = this.lastHeard < 0 || index - this.lastHeard >= this.patience;
    return isGivenUp ? 0 : (this.held[index - 1] ?? 0);
  }

  private isLost(index: number): boolean {
    const { link, noise } = this.way;
    const isHit = link.lostUpdates > 0 && noise.uniform() < link.lostUpdates;
    return isHit || (index >= this.burst.from && index < this.burst.to);
  }
}
