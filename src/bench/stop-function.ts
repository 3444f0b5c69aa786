import { Noise } from './noise.js';

/** Earliest and latest s of a take at which a hand presses the emergency stop that it was asked to press. */
const PRESSED = [1, 3] as const;

/**
 * Draws the instant at which the emergency stop is pressed in a take that proves it, s after its start.
 *
 * @param name - Names the stream: bench, serial, attempt and take.
 */
export function pressInstant(name: string): number {
  const [earliest, latest] = PRESSED;
  return earliest + (latest - earliest) * new Noise(`${name}/press`).uniform();
}

/** What happens to the stop function by itself. */
export type StopEvent = 'pressed' | 'cut';

/**
 * The stop function of a simulated bench in samples: a hand that presses it at an instant, and the
 * time that the safety controller takes from a line that opens to torque taken away.
 */
export class StopFunction {
  /** Samples since the bench was made. */
  now = 0;
  private takenFrom = 0;
  private openedAt: number | undefined;
  private pressAt = Infinity;
  private cutAt = Infinity;

  /** @param delay - Samples. */
  constructor(private readonly delay: number) {}

  /** Begins a take, in which a hand presses after so many samples, or never. */
  beginTake(pressAfter = Infinity): void {
    this.takenFrom = this.now;
    this.openedAt = undefined;
    this.pressAt = this.now + pressAfter;
  }

  /** Sample of the take at which a line opened. */
  get opened(): number | undefined {
    return this.openedAt;
  }

  /** Notes that a line opened; the torque is cut at once, or after the delay. */
  open(): 'cut now' | 'cut later' {
    this.openedAt ??= this.now - this.takenFrom;
    this.pressAt = Infinity;
    if (this.delay === 0) return 'cut now';
    this.cutAt = Math.min(this.cutAt, this.now + this.delay);
    return 'cut later';
  }

  /** Samples until something happens, at least 1. */
  get ahead(): number {
    return Math.max(1, Math.round(Math.min(this.pressAt, this.cutAt)) - this.now);
  }

  /** Lets samples go by, at most `ahead`, and says what happened at their end. */
  advance(samples: number): readonly StopEvent[] {
    this.now += samples;
    const events: StopEvent[] = [];
    if (this.now >= this.pressAt) {
      this.pressAt = Infinity;
      events.push('pressed');
    }
    if (this.now >= this.cutAt) {
      this.cutAt = Infinity;
      events.push('cut');
    }
    return events;
  }

  /** Forgets what was still to come: the power is off. */
  forget(): void {
    this.pressAt = Infinity;
    this.cutAt = Infinity;
  }
}
