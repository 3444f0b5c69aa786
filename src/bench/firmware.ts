import type { Updates } from './link.js';
import { LOOP_DELAY } from './motor.js';

/** What the firmware of one item does to a command on its way to the current loop. */
export interface SetPointChain {
  /** s: delay of the whole path from latched command to current, besides lags. */
  readonly deadTime: number;
  /** Corner of both poles by smoothing setting 0 … 5, Hz; 0 is off. */
  readonly smoothing: readonly number[];
  /** N·m/s */
  readonly slew: number;
}

/** Periods by which a mean over the last period is late. */
const MEAN_DELAY = 0.5;
const NOTHING: Updates = { rate: 0, held: new Float64Array(0), isQuiet: () => false };
/** s: how long a ramp to zero takes; less than the 200 ms that a stop may take. */
export const RAMP_OUT = 0.15;

/**
 * Mean of a staircase of updates between two positions counted in updates, so an edge between two
 * samples leaves its place in the mean. Before the first update it is 0; the last update is held.
 */
export function meanHeld(updates: Float64Array, from: number, to: number): number {
  const last = Math.floor(to);
  let index = Math.floor(from);
  if (index === last) return heldAt(updates, index);
  let area = 0;
  let position = from;
  // Ends after the whole updates between the positions: at most two, as a period is no longer than one.
  while (index < last) {
    area += (index + 1 - position) * heldAt(updates, index);
    index += 1;
    position = index;
  }
  area += (to - position) * heldAt(updates, index);
  return area / (to - from);
}

function heldAt(updates: Float64Array, index: number): number {
  if (index < 0 || updates.length === 0) return 0;
  return updates[Math.min(index, updates.length - 1)] as number;
}

/**
 * Latches updates, waits the dead time, smooths with two equal poles, limits to the ceiling and then
 * the slew. One tick per period of the current loop.
 *
 * A tick sees the mean of the command over the period before it, half a period late, and the current
 * loop answers after some periods of its own; the wait is shorter by both, so the dead time is exact
 * wherever an update falls between two ticks. Without smoothing, the slew limit acts between ticks as
 * well: a limit that only acted from tick to tick would let an edge depart a period early. The
 * poles are exact for an input that runs straight between ticks: two of them lag by 2/(2π·fc).
 */
export class Firmware {
  /** Command as latched, mean over the period that begins with the last tick, N·m. */
  latched = 0;
  /** Set point after the last tick, N·m. */
  output = 0;
  private updates = NOTHING;
  private perTick = 0;
  private wait = 0;
  private ticks = 0;
  private ceiling = 0;
  private slewPerTick: number;
  private pole = 0;
  private fresh = 1;
  private old = 0;
  private input = 0;
  private middle = 0;
  private smooth = 0;
  /** Set point at the end of the last period, N·m; `output` is its mean over that period. */
  private reached = 0;

  /**
   * @param period - s between ticks
   * @param clock - Ticks of the device's clock per tick of the digitizer's; 1 without skew.
   */
  constructor(
    private readonly chain: SetPointChain,
    private readonly period: number,
    private readonly clock: number,
  ) {
    this.slewPerTick = chain.slew * period;
  }

  /** Sets the largest set point, N·m. */
  limit(ceiling: number): void {
    this.ceiling = ceiling;
  }

  /**
   * Begins to latch updates with a smoothing setting 0 … 5, from rest.
   *
   * @param slew - N·m/s, slew setting; counts where it is lower than the limit of the item.
   */
  start(updates: Updates, setting: number, slew = Number.POSITIVE_INFINITY): void {
    this.updates = updates;
    this.perTick = updates.rate * this.period * this.clock;
    this.wait = (this.chain.deadTime / this.period - MEAN_DELAY - LOOP_DELAY) * this.perTick;
    this.ticks = 0;
    this.slewPerTick = Math.min(slew, this.chain.slew) * this.period;
    this.choose(this.chain.smoothing[setting] ?? 0);
  }

  /** Forgets the updates; the set point goes to zero at the item's own slew limit. */
  finish(): void {
    this.updates = NOTHING;
    this.slewPerTick = this.chain.slew * this.period;
    this.choose(0);
  }

  /** Brings the set point to zero along a straight line. */
  rampOut(): void {
    this.finish();
    this.slewPerTick = (Math.abs(this.reached) * this.period) / RAMP_OUT;
  }

  /** Takes the set point to zero at once. */
  cut(): void {
    this.finish();
    this.output = 0;
    this.reached = 0;
  }

  /** Updates that were due since the start. */
  get count(): number {
    return Math.min(this.updates.held.length, Math.ceil(this.position));
  }

  /** Time since the start, counted in updates. */
  get position(): number {
    return this.ticks * this.perTick;
  }

  /** Updates in one period. */
  get step(): number {
    return this.perTick;
  }

  /** Computes the set point for this period, N·m. */
  tick(): number {
    const now = this.position;
    const { held } = this.updates;
    this.latched = this.updates.isQuiet(now) ? 0 : meanHeld(held, now, now + this.perTick);
    const due = now - this.wait;
    this.ticks += 1;
    if (this.updates.isQuiet(due)) this.output = this.letGo();
    else this.output = this.pole === 0 ? this.climbed(due) : this.smoothedAt(due);
    return this.output;
  }

  /** Goes to zero past the smoothing, which starts from rest when updates come again. */
  private letGo(): number {
    this.rest();
    return this.climb(0, 1);
  }

  /** Mean over the period up to `due` of updates followed at the slew limit: an edge starts where it falls. */
  private climbed(due: number): number {
    const index = Math.floor(due);
    const share = this.perTick === 0 ? 1 : Math.min(1, (due - index) / this.perTick);
    const before = this.climb(heldAt(this.updates.held, index - 1), 1 - share);
    return before + this.climb(heldAt(this.updates.held, index), share);
  }

  /** Goes towards a level for a share of a period; returns the area under the way, N·m periods. */
  private climb(level: number, share: number): number {
    const from = this.reached;
    const gap = this.within(level) - from;
    const most = this.slewPerTick * share;
    if (Math.abs(gap) > most) {
      this.reached = from + Math.sign(gap) * most;
      return ((from + this.reached) / 2) * share;
    }
    this.reached = from + gap;
    const climbing = gap === 0 ? 0 : Math.abs(gap) / this.slewPerTick;
    return this.reached * share - (gap * climbing) / 2;
  }

  /** Smooth set points never jump, so limiting them from tick to tick is enough. */
  private smoothedAt(due: number): number {
    const arrived = meanHeld(this.updates.held, due - this.perTick, due);
    const change = this.within(this.smoothed(arrived)) - this.reached;
    this.reached += Math.max(-this.slewPerTick, Math.min(this.slewPerTick, change));
    return this.reached;
  }

  private within(level: number): number {
    return Math.max(-this.ceiling, Math.min(this.ceiling, level));
  }

  private smoothed(input: number): number {
    const middle = this.pole * this.middle + this.fresh * input + this.old * this.input;
    this.smooth = this.pole * this.smooth + this.fresh * middle + this.old * this.middle;
    this.middle = middle;
    this.input = input;
    return this.smooth;
  }

  private choose(corner: number): void {
    this.rest();
    this.pole = corner === 0 ? 0 : Math.exp(-2 * Math.PI * corner * this.period);
    const lag = (1 - this.pole) / (2 * Math.PI * corner * this.period);
    this.fresh = corner === 0 ? 1 : 1 - lag;
    this.old = corner === 0 ? 0 : lag - this.pole;
  }

  private rest(): void {
    this.input = 0;
    this.middle = 0;
    this.smooth = 0;
  }
}
