import { perMilleOf } from '../link/cia402.js';
import type { Waveform } from '../pattern/waveform.js';

/** Set points that the drive is ahead of our count before SYNC are taken to be lost: more than one TPDO can lag. */
const LEAD = 3;

/** Counters of a drive, each 16 bits, since update 0 began the waveform. */
export interface RollingCounts {
  readonly latched: number;
  readonly missing: number;
}

/** One set point on its way. */
export interface SetPoint {
  /** ‰ of the rated torque. */
  readonly target: number;
  /** Number of the update, 16 bits. */
  readonly number: number;
}

/**
 * One waveform as set points that are sent one by one: set points 0 … `ahead` − 1 begin it, and each SYNC
 * k, which latches set point k, is answered with set point k + `ahead`. After the last it stays at zero.
 */
export class UpdateStream {
  /** ‰, kept whole before anything moves. */
  private readonly targets: Int16Array;
  private readonly silence: { readonly from: number; readonly to: number };
  private readonly latched = new Unrolled();
  private readonly lost = new Unrolled();
  private sent = 0;
  private due = 0;
  private isCounted = false;

  /**
   * @param rated - mN·m
   * @param ceiling - ‰ of it.
   * @param ahead - Set points that are under way, 1 or more.
   */
  constructor(
    waveform: Waveform,
    rated: number,
    ceiling: number,
    private readonly ahead = 1,
  ) {
    const { command, silence = { from: 0, to: 0 } } = waveform;
    this.silence = { ...silence };
    this.targets = new Int16Array(command.length);
    command.forEach((torque, i) => {
      this.targets[i] = perMilleOf(torque, rated, ceiling);
    });
  }

  /** The set points that begin it, those that are held back not among them. */
  begin(): readonly SetPoint[] {
    const first = Array.from({ length: this.ahead }, () => this.next());
    return first.filter((point) => point !== undefined);
  }

  /** The next set point; undefined when it is held back on purpose. */
  next(): SetPoint | undefined {
    const index = this.sent;
    this.sent += 1;
    if (index >= this.silence.from && index < this.silence.to) return undefined;
    return { target: this.targets[index] ?? 0, number: index & 0xffff };
  }

  /** Whether updates are held back on purpose. */
  get isSilent(): boolean {
    return this.silence.to > this.silence.from;
  }

  /** Whether set point 0 was given out. */
  get isBegun(): boolean {
    return this.sent > 0;
  }

  /** One SYNC: one more update was due. */
  count(): void {
    this.due += 1;
  }

  /** Updates that were due, as SYNC were heard. */
  get syncs(): number {
    return this.due;
  }

  /** Whether every update of the waveform was due. */
  get isOver(): boolean {
    return this.due >= this.targets.length;
  }

  /**
   * Takes over what the drive counted.
   *
   * @returns How many SYNC the drive is ahead of those that were heard, when that is more than a lag: they
   * were lost on the way, and the waveform is late by so many updates.
   */
  hear(counts: RollingCounts): number | undefined {
    if (this.due === 0) return undefined; // of the take before
    if (this.isCounted) return undefined; // zeros after the waveform do not count
    const total = this.latched.next(counts.latched) + this.lost.next(counts.missing);
    this.isCounted = total >= this.targets.length;
    const ahead = total - this.due;
    return ahead > LEAD ? ahead : undefined;
  }

  /** Updates latched and lost so far, those held back on purpose not among them. */
  get tally(): { readonly updates: number; readonly missing: number } {
    const { from, to } = this.silence;
    const heldBack = Math.max(0, Math.min(this.due, to) - from);
    const missing = Math.max(0, this.lost.value - heldBack);
    const most = Math.max(0, this.targets.length - (to - from) - missing);
    return { updates: Math.min(this.latched.value, most), missing };
  }
}

/** A counter of 16 bits that goes on past its end. */
class Unrolled {
  value = 0;

  next(rolling: number): number {
    const ahead = (rolling - this.value) & 0xffff;
    if (ahead < 0x8000) this.value += ahead; // an answer may be older than a report that overtook it
    return this.value;
  }
}
