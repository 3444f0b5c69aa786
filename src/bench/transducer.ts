import { heldSystem, type HeldSystem } from './held.js';

/** Hz: corner of the amplifier's low-pass, two poles of a Bessel filter. */
const CORNER = 4000;
const DAMPING = Math.sqrt(3) / 2;
/** Steps that fit into the delay line. */
const LINE = 256;

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
  private at = 0;
  private readonly line = new Float64Array(LINE);
  private readonly whole: number;
  private readonly part: number;
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
    const steps = (delay - (2 * DAMPING) / corner) / step;
    if (steps < 0 || steps >= LINE - 2) throw new Error(`no delay line for ${delay} s`);
    this.whole = Math.floor(steps);
    this.part = steps - this.whole;
  }

  /** Takes the mean torque of one step and returns the mean output of that step, N·m. */
  advance(torque: number): number {
    const line = this.line;
    line[this.at] = torque;
    const late = line[(this.at - this.whole) & (LINE - 1)] as number;
    const later = line[(this.at - this.whole - 1) & (LINE - 1)] as number;
    this.at = (this.at + 1) & (LINE - 1);
    const input = late + this.part * (later - late);
    const before = this.output;
    const { f11, f12, f21, f22, g1, g2 } = this.held;
    this.output = f11 * before + f12 * this.slope + g1 * input;
    this.slope = f21 * before + f22 * this.slope + g2 * input;
    return (before + this.output) / 2;
  }
}
