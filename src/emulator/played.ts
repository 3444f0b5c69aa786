import { type Plant, SAMPLE_RATE } from '../bench/plant.js';
import type { Waveform } from '../pattern/waveform.js';
import type { Settings } from '../procedure/procedure.js';
import type { StreamedUpdates } from './streamed-updates.js';

/** What is ready to be played. */
export type Ready =
  | { readonly kind: 'waveform'; readonly waveform: Waveform; readonly settings: Settings }
  | {
      readonly kind: 'stream';
      readonly updates: StreamedUpdates;
      readonly settings: Settings;
      readonly onUpdate: (update: number) => void;
    };

/** How long the source of a stream is waited for at each update. */
export interface Patience {
  /** Periods of the stream. */
  readonly periods: number;
  /** ms at least, where it answered so far: it may be busy. Later it is taken to be silent on purpose. */
  readonly first: number;
}

/** ms: when a stream was updated that has not begun. */
const NEVER = Number.NEGATIVE_INFINITY;

/** What plays now, a waveform or a stream, and how far it is. */
export class Played {
  /** Samples since it began. */
  samples = 0;
  /** Whether the source of a stream has told what the next update latches. */
  isAnswered = false;
  private updatedAt = NEVER; // ms of the clock
  /** Whether the update before was answered in time. */
  private wasAnswered = true;
  private readonly length: number;

  constructor(private readonly ready: Ready) {
    this.length = ready.kind === 'waveform' ? samplesOf(ready.waveform) : Number.POSITIVE_INFINITY;
  }

  /** Whether it is this that plays. */
  plays(ready: Ready): boolean {
    return this.ready === ready;
  }

  /** Hz */
  get updates(): number {
    return this.ready.kind === 'waveform' ? this.ready.waveform.rate : this.ready.updates.rate;
  }

  start(plant: Plant): void {
    const { ready } = this;
    if (ready.kind === 'waveform') plant.start(ready.waveform, ready.settings);
    else plant.follow(ready.updates, ready.settings);
  }

  /** Samples to the end of the waveform. */
  get left(): number {
    return this.length - this.samples;
  }

  get isOver(): boolean {
    return this.left <= 0 || (this.ready.kind === 'stream' && this.ready.updates.isFull);
  }

  /** Samples that may go by before the next update must have been latched; 0 when it must now. */
  ahead(plant: Plant): number {
    if (this.ready.kind === 'waveform') return this.left;
    const { next } = this.ready.updates;
    return Math.max(0, Math.floor((next - plant.position) / plant.step));
  }

  /**
   * Whether the next update of a stream may be latched.
   *
   * @param now - ms
   */
  mayUpdate(now: number, { periods, first }: Patience): boolean {
    const most = Math.max((1000 * periods) / this.updates, this.wasAnswered ? first : 0);
    return this.isAnswered || now - this.updatedAt >= most;
  }

  /** Asks the source of a stream for its next update, and latches it. */
  update(now: number): void {
    const { ready } = this;
    if (ready.kind === 'waveform') return;
    this.wasAnswered = this.isAnswered || this.updatedAt === NEVER;
    this.updatedAt = now;
    this.isAnswered = false;
    ready.onUpdate(ready.updates.next);
    ready.updates.latch();
  }
}

function samplesOf({ command, rate }: Waveform): number {
  return Math.round((command.length / rate) * SAMPLE_RATE);
}
