import { BLOCK_SECONDS, type Block } from './bench.js';
import { type Frame, frameOf, SUPPLY_RANGE, WINDING_RANGE } from './converter.js';
import { FAULT_CODES } from './drive.js';
import type { Moment } from './nameplate.js';
import type { Pace } from './pace.js';
import { type Plant, SAMPLE_RATE } from './plant.js';
import type { StandParameters } from './spread.js';
import { pressInstant, StopFunction } from './stop-function.js';
import { Harness } from './wiring.js';

/** Samples of one block. */
export const BLOCK = Math.round(BLOCK_SECONDS * SAMPLE_RATE);

/** The plant in its time: goes on block by block, halts where the stop function acts, keeps the pace. */
export class Course {
  /** Blocks so far, idle ones included. */
  blocks = 0;
  /** Whether the item was energized yet. */
  wasEnergized = false;
  readonly stopping: StopFunction;
  private readonly harness: Harness;
  private readonly idle: Frame = frameOf(BLOCK);
  private readonly hears: boolean;

  /** @param press - Called when a hand presses the emergency stop. */
  constructor(
    private readonly plant: Plant,
    private readonly pace: Pace,
    stand: StandParameters,
    private readonly press: () => void,
  ) {
    this.stopping = new StopFunction(Math.round(stand.stopDelay * SAMPLE_RATE));
    this.hears = stand.soundRange > 0;
    this.harness = new Harness(stand.wiring, {
      command: stand.torqueRange,
      current: stand.currentRange,
      torque: stand.torqueRange,
      supply: SUPPLY_RANGE,
      winding: WINDING_RANGE,
      sound: stand.soundRange,
    });
  }

  /** What the surroundings depend on, now. */
  get moment(): Moment {
    const { plant, stopping, wasEnergized } = this;
    return { supply: plant.supplyVoltage, time: stopping.now / SAMPLE_RATE, wasEnergized };
  }

  /** @param pressed - Name of the take, where a hand presses the emergency stop in it. */
  beginTake(pressed?: string): void {
    const after =
      pressed === undefined ? Infinity : Math.round(pressInstant(pressed) * SAMPLE_RATE);
    this.stopping.beginTake(after);
  }

  /** Goes on by `count` samples and returns what the host sees of them. */
  take(count: number): Block['samples'] {
    const frame = frameOf(count, this.hears);
    this.run(frame, count);
    this.blocks += 1;
    return this.harness.pass(frame);
  }

  /** Goes on for `seconds` of the plant that nobody looks at. */
  async pass(seconds: number): Promise<void> {
    for (let left = Math.round(seconds * SAMPLE_RATE); left > 0; left -= BLOCK) {
      const count = Math.min(BLOCK, left);
      this.run(this.idle, count);
      this.blocks += 1;
      await this.keep(count);
    }
  }

  /** Goes on by one block of which no time is waited for. */
  skip(): void {
    this.run(this.idle, BLOCK);
  }

  /** Waits as long as so many samples last. */
  keep(count: number): Promise<void> {
    return this.pace.keep(count / SAMPLE_RATE);
  }

  /** Runs the plant, with a halt wherever the stop function does something. */
  private run(frame: Frame, count: number): void {
    for (let at = 0; at < count;) {
      const part = Math.min(count - at, this.stopping.ahead);
      this.plant.run(frame, at, part);
      at += part;
      for (const event of this.stopping.advance(part)) {
        if (event === 'pressed') this.press();
        else if (this.plant.enabled) this.plant.trip(FAULT_CODES.safeTorqueOff);
      }
    }
  }
}
