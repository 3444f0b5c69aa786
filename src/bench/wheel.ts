import type { Waveform, Wheel } from '../pattern/waveform.js';

/** Samples over which the torque at rest is taken: 20 ms. */
const REST = 400;

/** Mean of the torque over the last 20 ms. */
export class Rest {
  private readonly recent = new Float64Array(REST);
  private at = 0;

  see(torque: number): void {
    this.recent[this.at] = torque;
    this.at = (this.at + 1) % REST;
  }

  get mean(): number {
    return this.recent.reduce((sum, torque) => sum + torque, 0) / REST;
  }
}

/** Where a reckoned wheel sends what its spring asks for. */
export interface Answers {
  /** Hz */
  readonly rate: number;
  send(update: number, torque: number): void;
}

/**
 * A wheel on a virtual spring and damper: J·θ″ + b·θ′ = measured torque + kick. The item is sent
 * −K·θ − B·θ′, reckoned `delay` s before the update at which it latches it.
 *
 * The wheel is moved by every sample, each the mean torque of its period, so that reckoning adds no
 * delay of its own. When the spring asks for more than its limit, nothing but zero is sent from then on.
 *
 * Check: tests/unit/wheel.test.ts, growth of small motion against the linear rule.
 */
export class VirtualWheel {
  private angle = 0;
  private speed = 0;
  private ended = false;
  /** Next update to be answered. */
  private next = 0;
  private readonly wheel: Wheel;
  private readonly early: number;

  /**
   * @param rest - N·m that the torque channel shows without torque.
   * @param delay - s
   */
  constructor(
    private readonly waveform: Waveform & { readonly wheel: Wheel },
    private readonly answers: Answers,
    private readonly rest: number,
    delay: number,
  ) {
    this.wheel = waveform.wheel;
    this.early = delay * answers.rate;
  }

  /**
   * Moves the wheel by one sample and answers the update that is due for it.
   *
   * @param torque - N·m as digitized.
   * @param position - End of the sample since the start of the waveform, in updates.
   * @param step - Updates in one sample.
   */
  advance(torque: number, position: number, step: number): void {
    const { inertia, drag, stiffness } = this.wheel;
    const now = Math.floor(position - step / 2);
    const free = (stiffness[now] ?? 0) > 0;
    const kick = this.waveform.command[now] ?? 0;
    const push = free ? (torque - this.rest + kick - drag * this.speed) / inertia : 0;
    const time = step / this.answers.rate;
    const before = this.speed;
    this.speed = free ? before + push * time : 0;
    this.angle = free ? this.angle + ((before + this.speed) / 2) * time : 0;
    // Ends: an update is longer than a sample, and none is due before it can be reckoned.
    while (this.next < stiffness.length && this.next - this.early < position + step) {
      this.answer(Math.max(0, (this.next - this.early - position) / this.answers.rate), push);
    }
  }

  /** Sends what the spring asks for `ahead` s after the last sample. */
  private answer(ahead: number, push: number): void {
    const { stiffness, damping, limit } = this.wheel;
    const spring = stiffness[this.next] ?? 0;
    const angle = this.angle + this.speed * ahead;
    const asked = spring > 0 ? -spring * angle - damping * (this.speed + push * ahead) : 0;
    if (!(Math.abs(asked) <= limit)) this.ended = true;
    this.answers.send(this.next, this.ended ? 0 : asked);
    this.next += 1;
  }
}
