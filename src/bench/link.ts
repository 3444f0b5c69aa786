import type { Waveform } from '../pattern/waveform.js';
import type { DeviceReport } from './bench.js';
import type { Noise } from './noise.js';
import type { LinkParameters } from './spread.js';

/** Updates as the firmware of the item hears them. */
export interface Updates {
  /** Hz */
  readonly rate: number;
  /** What the item holds at each update, N·m. */
  readonly held: Float64Array;
  /** Whether the item has given up waiting for updates, at a position counted in updates. */
  isQuiet(position: number): boolean;
}

/** What the device counted of its updates since the start of the take. */
export type Tally = Required<Pick<DeviceReport, 'updates' | 'missing' | 'gap' | 'jitter'>>;

const [ARRIVES, LOST, SILENT] = [0, 1, 2] as const;

/** Updates of which the device keeps count. */
export interface CountedUpdates extends Updates {
  /** Counts on to the first `due` updates and returns the counts since the start. */
  tally(due: number): Tally;
}

/** Counts updates as they arrive or stay away. */
export class UpdateCounts {
  private arrived = 0;
  private missing = 0;
  private gap = 0;
  /** Stamp of the last update that arrived; NaN before the first and after a silence. */
  private last = Number.NaN;
  private intervals = 0;
  private mean = 0;
  private squares = 0;

  /** @param time - s at which it arrived. */
  hear(time: number): void {
    this.arrived += 1;
    if (!Number.isNaN(this.last)) this.count(time - this.last);
    this.last = time;
  }

  miss(): void {
    this.missing += 1;
  }

  /** Begins or goes on with a silence on purpose. */
  rest(): void {
    this.last = Number.NaN;
  }

  get tally(): Tally {
    const { arrived, missing, gap, intervals, squares } = this;
    return {
      updates: arrived,
      missing,
      gap,
      jitter: intervals < 2 ? 0 : Math.sqrt(squares / (intervals - 1)),
    };
  }

  /** Mean and sum of squares that never lose digits (Welford, 1962, from memory). */
  private count(interval: number): void {
    this.gap = Math.max(this.gap, interval);
    this.intervals += 1;
    const off = interval - this.mean;
    this.mean += off / this.intervals;
    this.squares += off * (interval - this.mean);
  }
}

/**
 * The updates of one waveform on their way to the item: which arrive and when, what the item holds
 * meanwhile, and from when on it holds nothing because none came for too long.
 */
export class Link implements CountedUpdates {
  readonly rate: number;
  readonly held: Float64Array;
  private readonly fates: Uint8Array;
  /** By update: the last one that had arrived by then; −1 for none. */
  private readonly heard: Int32Array;
  /** Updates that the item waits. */
  private readonly patience: number;
  private readonly patient: boolean;
  private readonly scatter: number;
  private readonly counts = new UpdateCounts();
  private seen = 0;

  /**
   * @param timeout - s after the last update when the item gives up.
   * @param noise - Says which updates are lost and how much each is early or late.
   */
  constructor(
    waveform: Waveform,
    link: LinkParameters,
    timeout: number,
    private readonly noise: Noise,
  ) {
    this.rate = waveform.rate;
    this.patience = timeout * waveform.rate;
    this.scatter = link.jitter / Math.SQRT2; // an interval has two ends
    this.fates = fatesOf(waveform, link, noise);
    this.heard = new Int32Array(this.fates.length);
    let heard = -1;
    let longest = 0;
    for (let i = 0; i < this.fates.length; i++) {
      if (this.fates[i] === ARRIVES) heard = i;
      this.heard[i] = heard;
      longest = Math.max(longest, i + 1 - heard);
    }
    this.patient = longest < this.patience;
    this.held = new Float64Array(this.fates.length);
    if (waveform.wheel === undefined)
      waveform.command.forEach((level, i) => {
        this.send(i, level);
      });
  }

  /** Sends update `index`, in order; the item hears it or goes on with what it holds, if it still waits. */
  send(index: number, level: number): void {
    const heard = this.heard[index] as number;
    if (heard === index) this.held[index] = level;
    else if (heard < 0 || index - heard >= this.patience) this.held[index] = 0;
    else this.held[index] = this.held[index - 1] as number;
  }

  isQuiet(position: number): boolean {
    if (this.patient || position < 0) return false;
    const index = Math.min(this.heard.length - 1, Math.floor(position));
    return position - (this.heard[index] as number) >= this.patience;
  }

  tally(due: number): Tally {
    for (; this.seen < due; this.seen++) this.stamp(this.seen);
    return this.counts.tally;
  }

  private stamp(index: number): void {
    const time = index / this.rate + this.scatter * this.noise.normal();
    const fate = this.fates[index];
    if (fate === SILENT) this.counts.rest();
    if (fate === LOST) this.counts.miss();
    if (fate === ARRIVES) this.counts.hear(time);
  }
}

function fatesOf({ command, rate, silence }: Waveform, link: LinkParameters, noise: Noise) {
  const fates = new Uint8Array(command.length).fill(ARRIVES);
  if (link.lostUpdates > 0) {
    fates.forEach((_, i) => {
      if (noise.uniform() < link.lostUpdates) fates[i] = LOST;
    });
  }
  const burst = Math.round(link.burst * rate);
  const room = command.length - 1 - burst; // the first update always comes
  if (burst > 0 && room > 0) {
    const from = 1 + Math.floor(noise.uniform() * room);
    fates.fill(LOST, from, from + burst);
  }
  if (silence !== undefined) fates.fill(SILENT, silence.from, silence.to);
  return fates;
}
