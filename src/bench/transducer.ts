import { heldSystem, type HeldSystem } from './held.js';

/** Hz: corner of the amplifier's low-pass, two poles of a Bessel filter. */
const CORNER = 4000;
const DAMPING = Math.sqrt(3) / 2;
/** Steps that fit into a delay line. */
const LINE = 256;

/** Pure delay of a channel, between two steps along a straight line. */
export class Delay {
  private readonly line = new Float64Array(LINE);
  private at = 0;
  private readonly whole: number;
  private readonly part: number;

  /** @param steps - Delay in steps, not whole. */
  constructor(steps: number) {
    if (!(steps >= 0 && steps < LINE - 2)) throw new Error(`no delay line for ${steps} steps`);
    this.whole = Math.floor(steps);
    this.part = steps - this.whole;
  }

  /** Takes the mean of one step and returns the mean that leaves in that step. */
  advance(value: number): number {
    const line = this.line;
    line[this.at] = value;
    const late = line[(this.at - this.whole) & (LINE - 1)] as number;
    const later = line[(this.at - this.whole - 1) & (LINE - 1)] as number;
    this.at = (this.at + 1) & (LINE - 1);
    return late + this.part * (later - late);
  }
}

/**
 * Bridge amplifier: a pure delay and a low-pass of two poles.
 *
 * The low-pass lags by 2ζ/ω at low frequency; the pure delay is what is left of the delay that the
 * stand model states, so the channel as a whole is late by exactly that.
 *
 * Check: tests/unit/plant.test.ts, delay of a slow ramp.
 */
export class Amplifier {
  private output = 0;
  private slope = 0;
  private readonly delay: Delay;
  private readonly held: HeldSystem;

  /**
   * @param delay - s, of the whole channel at low frequency; at least the lag of the low-pass
   * @param step - s
   */
  constructor(delay: number, step: number) {
    const corner = 2 * Math.PI * CORNER;
    const a = [0, 1, -corner * corner, -2 * DAMPING * corner] as const;
    this.held = heldSystem({ a, b: [0, corner * corner] }, step);
    // Means of a step go in and means of a step come out: the two half steps cancel.
    this.delay = new Delay((delay - (2 * DAMPING) / corner) / step);
  }

  /** Takes the mean torque of one step and returns the mean output of that step, N·m. */
  advance(torque: number): number {
    const input = this.delay.advance(torque);
    const before = this.output;
    const { f11, f12, f21, f22, g1, g2 } = this.held;
    this.output = f11 * before + f12 * this.slope + g1 * input;
    this.slope = f21 * before + f22 * this.slope + g2 * input;
    return (before + this.output) / 2;
  }
}

/** Torque amplifier and current sensor of the stand, each with its delay. */
export class Sensors {
  private readonly amplifier: Amplifier;
  private readonly currentDelay: Delay | undefined;
  private torques = 0;
  private currents = 0;
  private steps = 0;

  /** @param step - s */
  constructor(
    delays: { readonly amplifierDelay: number; readonly currentDelay: number },
    step: number,
  ) {
    this.amplifier = new Amplifier(delays.amplifierDelay, step);
    const { currentDelay } = delays;
    this.currentDelay = currentDelay === 0 ? undefined : new Delay(currentDelay / step);
  }

  /** Takes the means of one step, N·m and A. */
  take(torque: number, current: number): void {
    this.torques += this.amplifier.advance(torque);
    this.currents += this.currentDelay?.advance(current) ?? current;
    this.steps += 1;
  }

  /** Writes the means since the last time into `seen`. */
  read(seen: { current: number; torque: number }): void {
    seen.torque = this.torques / this.steps;
    seen.current = this.currents / this.steps;
    this.torques = 0;
    this.currents = 0;
    this.steps = 0;
  }
}
