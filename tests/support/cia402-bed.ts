import { StallmarkError } from '../../src/base/error.js';
import { hertz, newtonMetre, second, torquePerSecond } from '../../src/base/units.js';
import type { Load } from '../../src/bench/bench.js';
import type { Cia402Description } from '../../src/procedure/links.js';
import { cia402Drive } from '../../src/rig/cia402-drive.js';
import type { DriveLink } from '../../src/rig/rig.js';
import { handClock, type HandClock } from './clock.js';
import { memoryPort, ScriptedDrive } from './scripted-drive.js';

/** The link of a drive whose objects are those of `ScriptedDrive`. */
export const cia402Description: Cia402Description = {
  protocol: 'cia402',
  place: { kind: 'serial', path: '/dev/null', baud: 1_000_000 },
  bitRate: 500_000,
  node: 5,
  hostNode: 100,
  sync: second(1e-3),
  buffer: 0,
  objects: new Map([
    ['smoothing', 0x2101_00],
    ['model', 0x2102_00],
    ['serial', 0x2103_00],
    ['firmware-digest', 0x2105_00],
    ['counters', 0x2120_00],
  ]),
};

/** A drive that is scripted, with its link, in time that tests move. */
export class Cia402Bed {
  readonly drive = new ScriptedDrive();
  readonly clock: HandClock = handClock();
  readonly link: DriveLink;
  /** Whether the drive sends SYNC each ms. */
  isTicking = true;
  /** Whether it gives its heartbeat each 50 ms. */
  isBeating = true;
  hangUp: () => void = () => undefined;
  private ms = 0;

  constructor(description: Partial<Cia402Description> = {}) {
    const open = (): Promise<ReturnType<typeof memoryPort>> => {
      const port = memoryPort(this.drive);
      this.hangUp = port.hangUp;
      return Promise.resolve(port);
    };
    this.link = cia402Drive('drive', { ...cia402Description, ...description }, open, this.clock);
  }

  /** Moves time on ms by ms; the drive goes on with it. */
  async pass(ms: number): Promise<void> {
    for (let i = 0; i < ms; i++) {
      this.ms += 1;
      if (this.isTicking) this.drive.sync();
      if (this.isBeating && this.ms % 50 === 0) this.drive.beat();
      await this.clock.advance(1);
      await new Promise((resolve) => setImmediate(resolve));
    }
  }

  /** Moves time on until something is over, at most five seconds. */
  async over<T>(promise: Promise<T>): Promise<T> {
    const state = { isOver: false };
    const end = (): void => {
      state.isOver = true;
    };
    promise.then(end, end);
    await new Promise((resolve) => setImmediate(resolve));
    for (let i = 0; i < 5000 && !state.isOver; i++) await this.pass(1);
    if (!state.isOver) throw new Error('not over after 5 s');
    return promise;
  }

  /** The code of what a call is refused with, or what it says. */
  async refusal(promise: Promise<unknown>): Promise<string> {
    try {
      await this.over(promise);
      return 'none';
    } catch (error) {
      if (!(error instanceof StallmarkError)) throw error;
      return error.message;
    }
  }

  /** Opens, limits to 5 N·m and 90 ms, applies power and loads levels in N·m. */
  async loaded(levels: readonly number[], more: Partial<Load['settings']> = {}): Promise<void> {
    await this.powered();
    await this.over(this.link.load(loadOf(levels, more)));
  }

  async powered(): Promise<void> {
    await this.over(this.link.open());
    await this.over(this.link.limit({ ceiling: newtonMetre(5), deadMan: second(0.09) }));
    await this.over(this.link.energize());
  }

  /** Plays levels that are not zero, and stands in the middle of them. */
  async playing(): Promise<void> {
    await this.loaded(new Array<number>(2000).fill(3));
    await this.over(this.link.start());
    await this.pass(30);
  }
}

export function loadOf(levels: readonly number[], more: Partial<Load['settings']> = {}): Load {
  return {
    waveform: { rate: hertz(1000), command: Float64Array.from(levels) },
    settings: { smoothing: 0, fixture: 'coupled', ...more },
  };
}

/** N·m/s as a setting. */
export const slewOf = (value: number): Pick<Load['settings'], 'slew'> => ({
  slew: torquePerSecond(value),
});
