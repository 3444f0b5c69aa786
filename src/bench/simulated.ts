import type { Clock } from '../base/clock.js';
import { StallmarkError, throwIfAny } from '../base/error.js';
import type { Quantity } from '../base/units.js';
import type { Settings } from '../procedure/procedure.js';
import {
  type Bench,
  type Block,
  BLOCK_SECONDS,
  type Energized,
  type Environment,
  type Identity,
  type Interlocks,
  type Load,
  type Ratings,
} from './bench.js';
import { energizeProblems, interlockProblems, problem, tripProblem } from './refusal.js';
import { BLOCK, Course } from './course.js';
import { Incidents, LINES_AFTER, SAFE_LINES } from './incident.js';
import { checkedLoad, refuseSettings } from './load.js';
import { DEAD_MAN, environmentOf, identityOf, MOST_UPDATES, ratingsOf } from './nameplate.js';
import { Pace, type PaceName } from './pace.js';
import type { FaultName } from './fault.js';
import { type EnergizePermit, spendPermit, type Task, voidPermits } from './permit.js';
import { FAULT_CODES } from './drive.js';
import { INDEXING, Plant, SAMPLE_RATE } from './plant.js';
import type { Parameters, SimulatedStation } from './spread.js';
import { drawParameters } from './truth.js';

export interface SimulatedOptions {
  readonly station: SimulatedStation;
  readonly serial: string;
  readonly attempt: number;
  readonly faults: readonly FaultName[];
  readonly clock: Clock;
  readonly pace: PaceName;
  /** Where the device in the nest says something else than was scanned. */
  readonly identity?: Partial<Identity>;
}

/** Hands on the stand, for tests and demonstrations. The runner never sees these. */
export interface SimulatedControl {
  /** Moves the safety lines. Anything but safe cuts torque at once, as the safety controller would. */
  interlocks(lines: Partial<Interlocks>): void;
  /** Cuts or mends the link. While it hangs every request ends in `bench/unreachable`. */
  link(state: 'up' | 'hanging'): void;
  /** Makes the item add this torque to every set point, N·m. */
  uncommanded(torque: number): void;
  /** Torque in the shaft now, N·m. */
  shaftTorque(): number;
}

export interface SimulatedBench extends Bench {
  readonly control: SimulatedControl;
}

/** s: what a drive needs to load a waveform; ringing of the take before has died away then. */
const LOADING = 0.2;
/** s, of a stop with a ramp. */
const STOPPING = 0.2;
/** s: current is gone and the shaft has sprung back. */
const SETTLING = 0.1;
/** ms until a request over a hanging link is given up. */
const LINK_DEADLINE = 250;
/** N·m: most the item lets itself be limited to. */
const DEVICE_CEILING = 13.2;
/**
 * Makes a bench over a simulated item: one plant behind drive, digitizer and interlocks.
 *
 * Each waveform starts from zero torque, and when it ends, or its consumer stops reading, the item
 * goes back to zero at its slew limit; between waveforms it holds zero by itself and needs no feed.
 * While a waveform plays, 95 ms without a feed end in zero torque, so it is gone after 100 ms. The
 * plant's time goes on only while someone reads; at real pace a late reader is caught by the clock.
 * Temperatures, drift and friction go on from take to take. Samples and noise follow from station,
 * serial, attempt, faults and order of takes alone.
 *
 * @throws bench/capability when the station asks for another sample rate than 20 kHz.
 */
export function simulatedBench(options: SimulatedOptions): SimulatedBench {
  return new Simulated(options);
}

class Simulated implements SimulatedBench {
  readonly id: string;
  readonly simulated = true;
  readonly ratings: Ratings;
  readonly control: SimulatedControl;
  private readonly plant: Plant;
  private readonly course: Course;
  private readonly parameters: Parameters;
  private readonly incidents: Incidents;
  private lines: Interlocks = SAFE_LINES;
  private hanging = false;
  private closed = false;
  /** Counts energizings and stops: a handle of an earlier count is void. */
  private generation = 0;
  private takes = 0;
  private playing = 0;
  private fedAt = 0; // ms of the clock

  constructor(private readonly options: SimulatedOptions) {
    const { station } = options;
    if (Number(station.sampleRate) !== SAMPLE_RATE) {
      const what = `Station "${station.id}" asks for ${station.sampleRate} Hz; the simulated digitizer samples at ${SAMPLE_RATE} Hz.`;
      throw problem('bench/capability', what, `Set the sample rate to ${SAMPLE_RATE / 1000} kHz.`);
    }
    const parameters = drawParameters(options);
    this.parameters = parameters;
    this.incidents = new Incidents(parameters.incidents);
    this.id = station.id;
    this.plant = new Plant(parameters, DEAD_MAN);
    this.ratings = ratingsOf(station, parameters.stand.fitted);
    const pace = new Pace(options.pace, options.clock);
    this.course = new Course(this.plant, pace, parameters.stand, () => {
      this.move(LINES_AFTER['stop-pressed']);
    });
    this.control = {
      interlocks: (lines) => {
        this.move(lines);
      },
      link: (state) => {
        this.hanging = state === 'hanging';
      },
      uncommanded: (torque) => {
        this.plant.uncommanded = torque;
      },
      shaftTorque: () => this.plant.shaftTorque,
    };
  }

  async identify(): Promise<Identity> {
    await this.reach();
    return this.identity();
  }

  async interlocks(): Promise<Interlocks> {
    await this.reach();
    return this.lines;
  }

  async environment(): Promise<Environment> {
    await this.reach();
    return environmentOf(this.parameters.stand, this.course.moment);
  }

  async *observe(duration: Quantity<'s'>, settings: Settings): AsyncGenerator<Block> {
    await this.reach();
    if (this.plant.enabled) {
      const what = `Bench "${this.id}" has power on and cannot observe without power.`;
      throw problem('bench/capability', what, 'Make the bench safe first.');
    }
    refuseSettings(this.id, settings);
    this.plant.arrange(settings.fixture);
    await this.turn(settings);
    await this.course.pass(LOADING);
    const lost = this.beginTake();
    const samples = Math.round(duration * SAMPLE_RATE);
    for (let start = 0; start < samples; start += BLOCK) {
      const block = await this.read(start, Math.min(BLOCK, samples - start));
      if (!lost(start)) yield block;
    }
  }

  async energize(permit: EnergizePermit, task: Task, ceiling: Quantity<'N·m'>): Promise<Energized> {
    try {
      await this.reach();
      const readBack = Math.min(ceiling, DEVICE_CEILING);
      const { serial } = this.identity();
      throwIfAny(
        energizeProblems({
          bench: this.id,
          on: this.plant.enabled,
          lines: this.lines,
          serial,
          task,
          ceiling,
          readBack,
        }),
      );
      spendPermit(permit, task, this.options.clock.now());
    } catch (error) {
      this.stop();
      throw error;
    }
    this.plant.arrange('coupled');
    this.plant.enable(ceiling);
    this.course.wasEnergized = true;
    this.generation += 1;
    return this.handle(this.generation, ceiling);
  }

  async makeSafe(how: 'ramp' | 'off'): Promise<void> {
    voidPermits(this.id);
    this.generation += 1; // no handle may start anything while the ramp runs
    if (this.plant.enabled && how === 'ramp') {
      this.plant.rampOut();
      await this.course.pass(STOPPING);
    }
    this.stop(); // whatever was asked for while the ramp ran is void as well
    await this.course.pass(SETTLING);
  }

  async close(): Promise<void> {
    await this.makeSafe('off');
    this.closed = true;
  }

  private handle(generation: number, ceiling: number): Energized {
    const live = (): void => {
      if (generation === this.generation) return;
      const what = `The power of bench "${this.id}" was taken away since this handle was given out.`;
      throw problem(
        'bench/permit-void',
        what,
        'Acknowledge the warnings again, then start the run.',
      );
    };
    return {
      play: (load) => this.play(load, ceiling, live),
      feed: () => {
        live();
        this.watchClock(); // a feed that comes too late revives nothing
        this.fedAt = this.options.clock.monotonic();
        this.plant.feed();
      },
    };
  }

  private async *play(load: Load, ceiling: number, live: () => void): AsyncGenerator<Block> {
    live();
    await this.reach();
    const { waveform, settings, afterStop } = checkedLoad(this.id, load, ceiling, MOST_UPDATES);
    const playing = ++this.playing;
    await this.turn(settings);
    live();
    await this.course.pass(LOADING);
    live();
    this.refuseTripped();
    const lost = this.beginTake(afterStop !== undefined);
    const samples = Math.round((waveform.command.length / waveform.rate) * SAMPLE_RATE);
    this.plant.start(waveform, settings);
    this.fedAt = this.options.clock.monotonic();
    try {
      for (let start = 0; start < this.endOf(samples, afterStop); start += BLOCK) {
        live();
        if (playing !== this.playing) throw overtaken(this.id);
        const block = await this.read(start, Math.min(BLOCK, samples - start));
        live();
        this.refuseTripped(afterStop !== undefined);
        if (!lost(start)) yield block;
      }
    } finally {
      if (playing === this.playing) this.plant.finish();
    }
  }

  /** Samples of a take: all of the waveform, or what was to follow a stop. */
  private endOf(samples: number, afterStop: number | undefined): number {
    const { opened } = this.course.stopping;
    if (opened === undefined || afterStop === undefined) return samples;
    return Math.min(samples, opened + Math.round(afterStop * SAMPLE_RATE));
  }

  /**
   * Begins the noise of the next take and says which of its blocks the link loses.
   *
   * @param isPressed - Whether a hand presses the emergency stop in it.
   */
  private beginTake(isPressed = false): (start: number) => boolean {
    const { station, serial, attempt } = this.options;
    this.takes += 1;
    const name = [station.id, serial, attempt, this.takes].join('/');
    this.plant.beginTake(name);
    this.course.beginTake(isPressed ? name : undefined);
    const { dropouts } = this.parameters.link;
    if (dropouts === 0) return () => false;
    // A burst of 30 ms spoils two blocks; bursts come at even distances over the run.
    const every = Math.round(dropouts / BLOCK_SECONDS);
    return () => this.course.blocks % every < 2;
  }

  /** Reads one block; with power on, only a live item answers. */
  private async read(start: number, count: number): Promise<Block> {
    await this.reach();
    this.watchClock();
    const samples = this.course.take(count);
    this.strike();
    await this.course.keep(count);
    const { opened } = this.course.stopping;
    return { start, samples, device: this.plant.report(), ...(opened !== undefined && { opened }) };
  }

  /** Turns the locked shaft to the angle of a take; with a guard open it does not move. */
  private async turn({ angle = 0 }: { readonly angle?: number }): Promise<void> {
    if (this.plant.isAt(angle)) return;
    throwIfAny(interlockProblems(this.lines));
    this.plant.index(angle);
    await this.course.pass(INDEXING);
    throwIfAny(interlockProblems(this.lines));
  }

  /** The dead-man by the clock: at real pace a consumer may be late while the plant stands still. */
  private watchClock(): void {
    if (this.options.pace === 'fast' || !this.plant.watched) return;
    const unfed = this.options.clock.monotonic() - this.fedAt;
    if (unfed > 1000 * DEAD_MAN) this.plant.trip(FAULT_CODES.deadMan);
  }

  /** @param isProof - Whether the stop function may take the torque away, as it is being proven. */
  private refuseTripped(isProof = false): void {
    const { fault } = this.plant;
    if (fault === FAULT_CODES.none || (isProof && fault === FAULT_CODES.safeTorqueOff)) return;
    const { problems } = tripProblem(this.id, fault);
    throw new StallmarkError([...problems, ...interlockProblems(this.lines)]);
  }

  /** Waits for the link; while it hangs the item goes on alone, unfed. */
  private async reach(): Promise<void> {
    if (!this.hanging && !this.closed) return;
    await this.options.clock.wait(LINK_DEADLINE);
    for (let ms = 0; ms < LINK_DEADLINE; ms += 1000 * BLOCK_SECONDS) {
      this.course.skip();
    }
    const what = `Bench "${this.id}" did not answer within ${LINK_DEADLINE} ms.`;
    throw problem(
      'bench/unreachable',
      what,
      'Check the cables and the power of the bench, then start the run again.',
    );
  }

  /** Lets happen what waits for the torque that the shaft carries now. */
  private strike(): void {
    if (!this.plant.watched) return;
    for (const what of this.incidents.due(this.plant.shaftTorque)) {
      if (what === 'device-hang') this.hanging = true;
      else if (what === 'device-fault') this.plant.trip(FAULT_CODES.internal);
      else this.move(LINES_AFTER[what]);
    }
  }

  private move(lines: Partial<Interlocks>): void {
    this.lines = { ...this.lines, ...lines };
    if (interlockProblems(this.lines).length === 0) return;
    voidPermits(this.id);
    if (this.course.stopping.open() === 'cut later') return;
    if (this.plant.enabled) this.plant.trip(FAULT_CODES.safeTorqueOff);
  }

  private stop(): void {
    voidPermits(this.id);
    this.generation += 1;
    this.course.stopping.forget();
    this.plant.disable();
  }

  private identity(): Identity {
    return { ...identityOf(this.parameters.item), ...this.options.identity };
  }
}

function overtaken(bench: string): StallmarkError {
  const what = `Another waveform was started on bench "${bench}" before this one ended.`;
  return problem('bench/permit-void', what, 'Play one waveform at a time.');
}
