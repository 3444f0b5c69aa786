import { BLOCK_SECONDS, CHANNELS, type Block, type Channel } from '../bench/bench.js';
import { type Frame, frameOf } from '../bench/converter.js';
import { SAMPLE_RATE } from '../bench/plant.js';
import { problem } from '../bench/refusal.js';
import type { Harness } from '../bench/wiring.js';
import type { EmulatedStand, EmulatedTake } from './stand.js';

/** Samples of one block. */
export const BLOCK = Math.round(BLOCK_SECONDS * SAMPLE_RATE);
/** Samples of one take at most: 7 minutes at 20 kHz. */
export const MOST_SAMPLES = 2 ** 23;
/** Blocks that a take may be ahead of its reader. */
const AHEAD = 8;
/** Readers that may wait at a time. */
const MOST_READERS = 16;

type Report = ReturnType<EmulatedStand['report']>;

export interface TakeWish {
  /** Samples, 1 … `MOST_SAMPLES`. */
  readonly samples: number;
  /** Samples to go on with after a safety line opened, where it is being proven. */
  readonly afterStop?: number;
  readonly channels: readonly Channel[];
  /** Blocks from one burst of lost blocks to the next; 0 for none. */
  readonly lossEvery: number;
  /** Called when a reader asks for what is not there yet, and when the take was ended. */
  readonly asked: () => void;
}

interface Reader {
  readonly until: number;
  readonly wake: () => void;
}

/**
 * Samples of one take in arrays that are there before it begins. The plant fills them in, and what is
 * settled, i.e. came through the harness and has its report, can be read.
 */
export class BufferedTake implements EmulatedTake {
  isWaiting = true;
  opened: number | undefined;
  readonly frame: Frame;
  /** Samples that the plant has put in. */
  filled = 0;
  private settled = 0;
  private most: number;
  private isEnded = false;
  /** Samples up to which the reader has been given, or has asked. */
  private from = 0;
  private until = 0;
  /** Blocks of the plant before the take. */
  private before = 0;
  private readonly reports: Report[] = [];
  private readers: Reader[] = [];

  constructor(private readonly wish: TakeWish) {
    this.most = wish.samples;
    this.frame = frameOf(wish.samples, wish.channels.includes('sound'));
  }

  get available(): number {
    return this.settled;
  }

  get isOver(): boolean {
    return this.isEnded || (!this.isWaiting && this.settled >= this.most);
  }

  /** Whether it takes samples now. */
  get isRunning(): boolean {
    return !this.isWaiting && !this.isEnded && this.filled < this.most;
  }

  /** Whether a safety line is being proven in it. */
  get isProof(): boolean {
    return this.wish.afterStop !== undefined;
  }

  /** Samples to the end of the block, or of the take. */
  get toBlockEnd(): number {
    return Math.min(BLOCK - (this.filled % BLOCK), this.most - this.filled);
  }

  /** Whether the link lost the block that was put in last. */
  get hasLost(): boolean {
    return this.filled > 0 && this.isLost(this.filled - 1);
  }

  /** Samples by which it may still run ahead of its reader. */
  get room(): number {
    const limit = Math.max(this.until, this.from + AHEAD * BLOCK);
    return Math.max(0, Math.min(limit, this.most) - this.filled);
  }

  /** @param blocks - Blocks of the plant so far. */
  begin(blocks: number): void {
    this.isWaiting = false;
    this.before = blocks;
  }

  /** Settles what the plant has put in, and wakes whoever waits for it. */
  settle(harness: Harness, report: Report): void {
    const [from, to] = [this.settled, this.filled];
    if (to > from) {
      this.wire(harness, from, to);
      this.reports[Math.floor((to - 1) / BLOCK)] = report;
      this.settled = to;
    }
    this.wake();
  }

  /** A safety line opened at this sample. */
  open(sample: number): void {
    if (!this.isRunning || this.opened !== undefined) return;
    this.opened = sample;
    const { afterStop } = this.wish;
    if (afterStop !== undefined) this.most = Math.min(this.most, sample + afterStop);
  }

  /** Torque was taken away, and nobody wanted to see it: the take ends with its block. */
  trip(): void {
    this.most = Math.min(this.most, Math.ceil(this.filled / BLOCK) * BLOCK);
  }

  async read(from: number, count: number): Promise<Block | undefined> {
    if (!(Number.isInteger(from) && from >= 0 && Number.isInteger(count) && count >= 1)) {
      throw problem('link/refused', `${count} samples from ${from} were asked for.`, 'Ask anew.');
    }
    this.from = Math.max(this.from, from);
    // Where the link lost all of it, what comes next is given: at most the whole take is gone through.
    for (let until = from + count; ; until += BLOCK) {
      this.until = Math.max(this.until, Math.min(this.most, until));
      await this.there(until);
      if (this.isEnded) return undefined;
      const block = this.block(from, until - from);
      if (block !== undefined || until >= this.most) return block;
    }
  }

  end(): void {
    if (this.isEnded) return;
    this.isEnded = true;
    this.wake();
    this.wish.asked();
  }

  /** Waits until there are so many samples, or all. */
  private there(until: number): Promise<void> {
    this.wish.asked();
    if (this.isOver || this.settled >= Math.min(until, this.most)) return Promise.resolve();
    if (this.readers.length >= MOST_READERS) {
      const what = `${MOST_READERS} readers wait for samples of the take already.`;
      throw problem('link/refused', what, 'Read it once.');
    }
    return new Promise((wake) => this.readers.push({ until, wake }));
  }

  private wake(): void {
    const { isOver, settled, most } = this;
    const ready = this.readers.filter(({ until }) => isOver || settled >= Math.min(until, most));
    if (ready.length === 0) return;
    this.readers = this.readers.filter((reader) => !ready.includes(reader));
    for (const { wake } of ready) wake();
  }

  /** What is there of a run of samples; it begins later where the link lost the first of them. */
  private block(from: number, count: number): Block | undefined {
    const end = Math.min(from + count, this.settled);
    const start = this.kept(from, end);
    const to = this.lost(start, end);
    const device = this.reports[Math.floor((to - 1) / BLOCK)];
    if (start >= to || device === undefined) return undefined;
    const { opened, frame } = this;
    const columns = this.wish.channels.map((channel) => [
      channel,
      frame[channel]?.slice(start, to),
    ]);
    return {
      start,
      samples: Object.fromEntries(columns) as Block['samples'],
      device,
      ...(opened !== undefined && opened <= to ? { opened } : {}),
    };
  }

  /** First sample from `from` on that the link did not lose. */
  private kept(from: number, end: number): number {
    let at = from;
    while (at < end && this.isLost(at)) at = (Math.floor(at / BLOCK) + 1) * BLOCK;
    return Math.min(at, end);
  }

  /** First sample after `from` that the link lost. */
  private lost(from: number, end: number): number {
    let at = from;
    while (at < end && !this.isLost(at)) at = (Math.floor(at / BLOCK) + 1) * BLOCK;
    return Math.min(at, end);
  }

  /** A burst of 30 ms spoils two blocks; bursts come at even distances. */
  private isLost(sample: number): boolean {
    const { lossEvery } = this.wish;
    return lossEvery > 0 && (this.before + 1 + Math.floor(sample / BLOCK)) % lossEvery < 2;
  }

  /** Lets samples through the harness; of a channel that never comes they are no numbers. */
  private wire(harness: Harness, from: number, to: number): void {
    const { frame } = this;
    const span: Frame = {
      command: frame.command.subarray(from, to),
      current: frame.current.subarray(from, to),
      torque: frame.torque.subarray(from, to),
      supply: frame.supply.subarray(from, to),
      winding: frame.winding.subarray(from, to),
      ...(frame.sound && { sound: frame.sound.subarray(from, to) }),
    };
    const seen = harness.pass(span);
    if (seen === span) return;
    for (const channel of CHANNELS) {
      const values = seen[channel];
      if (values === undefined) frame[channel]?.fill(Number.NaN, from, to);
      else frame[channel]?.set(values, from);
    }
  }
}
