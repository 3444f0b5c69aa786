import type { Clock } from '../base/clock.js';
import { StallmarkError, throwIfAny } from '../base/error.js';
import { newtonMetre, second, type Quantity } from '../base/units.js';
import {
  CHANNELS,
  type Bench,
  type Block,
  type DeviceReport,
  type Energized,
  type Environment,
  type Identity,
  type Interlocks,
  type Load,
  type Ratings,
} from '../bench/bench.js';
import { FAULT_CODES, type FaultCode } from '../bench/drive.js';
import { checkedLoad, refuseSettings } from '../bench/load.js';
import { spendPermit, voidPermits, type EnergizePermit, type Task } from '../bench/permit.js';
import { energizeProblems, interlockProblems, problem, tripProblem } from '../bench/refusal.js';
import type { Settings } from '../procedure/procedure.js';
import type { Station } from '../procedure/station.js';
import { CommandAsSent } from './command-as-sent.js';
import { DeviceClock } from './device-clock.js';
import type { DigitizerLink, DriveLink, InterlockLink, PowerLimits, SampleBlock } from './rig.js';

/**
 * s: asked of every dead-man. Torque of the motor is gone 5 ms later; a shaft that was wound up rings on for
 * some 35 ms, so that its torque too is gone 100 ms after the last feed.
 */
export const DEAD_MAN = 0.06;
/** s that are waited for the dead-man of a device that did not answer the stop. */
const STOP_SECONDS = 0.25;
/** s at the end of a take that may be lost on the way: screening finds them. */
const TAIL_SECONDS = 0.1;
/** How often, and with how many ms between, a device is asked whether it is through with its waveform. */
const CATCH_UP_TRIES = 8;
const CATCH_UP_WAIT = 5;

/** What a bench of several links is made of. All links are open. */
export interface LinkedParts {
  readonly station: Pick<Station, 'id' | 'kind'> & {
    readonly links: NonNullable<Station['links']>;
  };
  readonly drive: DriveLink;
  readonly digitizer: DigitizerLink;
  readonly interlock: InterlockLink;
  readonly ratings: Ratings;
  /** Step in which the drive can hold a ceiling, N·m. */
  readonly ceilingStep: number;
  readonly clock: Clock;
}

/**
 * Makes a bench of a link that drives, one that takes samples and one that reads safety lines.
 *
 * It holds the same rules as every bench: a permit before power, the ceiling read back, no waveform
 * above it, one waveform at a time. The dead-man is in the device; only `feed` feeds it.
 */
export function linkedBench(parts: LinkedParts): Bench {
  return new Linked(parts);
}

class Linked implements Bench {
  readonly id: string;
  readonly simulated: boolean;
  readonly ratings: Ratings;
  /** Counts energizings and stops: a handle of an earlier count is void. */
  private generation = 0;
  private playing = 0;
  private isOn = false;
  /** The clock of the device in this take, where it is asked for its time. */
  private clock = new DeviceClock();

  constructor(private readonly parts: LinkedParts) {
    this.id = parts.station.id;
    this.simulated = parts.station.kind !== 'real';
    this.ratings = parts.ratings;
  }

  /** Whether the device takes torque away by itself. */
  private get hasDeadMan(): boolean {
    return this.ratings.lacks?.deadMan === undefined;
  }

  identify(): Promise<Identity> {
    return this.reach(() => this.parts.drive.identify());
  }

  interlocks(): Promise<Interlocks> {
    return this.parts.interlock.read();
  }

  async environment(): Promise<Environment> {
    const told = await this.reach(() => this.parts.digitizer.environment());
    const { ambient, humidity, supply } = told;
    if (ambient !== undefined && humidity !== undefined && supply !== undefined) {
      return { ...told, ambient, humidity, supply };
    }
    const known = Object.keys(told).join(', ');
    const what = `The link "${this.parts.digitizer.name}" tells ${known === '' ? 'nothing' : `only ${known}`} of the surroundings, but ambient, humidity and supply are needed.`;
    throw problem('link/ability', what, 'Have the digitizer measure them.');
  }

  async *observe(duration: Quantity<'s'>, settings: Settings): AsyncGenerator<Block> {
    if (this.isOn) {
      const what = `Bench "${this.id}" has power on and cannot observe without power.`;
      throw problem('bench/capability', what, 'Make the bench safe first.');
    }
    refuseSettings(this.id, settings);
    this.refuseFixture(settings);
    const { digitizer } = this.parts;
    const { sampleRate: rate } = this.ratings;
    await this.arrange(settings);
    const samples = Math.round(duration * rate);
    await this.reach(() => digitizer.arm({ samples, rate, on: 'now' }));
    try {
      for await (const block of this.taken(samples)) yield await this.blockOf(block);
    } finally {
      await this.reach(() => digitizer.end());
    }
  }

  async energize(permit: EnergizePermit, task: Task, ceiling: Quantity<'N·m'>): Promise<Energized> {
    let held: PowerLimits;
    try {
      const lines = await this.interlocks();
      const { serial } = await this.identify();
      held = await this.limited(ceiling);
      const isHeld = held.ceiling <= ceiling && ceiling - held.ceiling <= this.parts.ceilingStep;
      throwIfAny(
        energizeProblems({
          ...{ bench: this.id, on: this.isOn, lines, serial, task, ceiling },
          readBack: isHeld ? ceiling : held.ceiling,
        }),
      );
      spendPermit(permit, task, this.parts.clock.now());
      this.isOn = true; // from here on a stop must reach the device
      await this.reach(() => this.parts.drive.energize());
    } catch (error) {
      await this.cut(error);
      throw error;
    }
    this.generation += 1;
    return this.handle(this.generation, held.ceiling);
  }

  async makeSafe(how: 'ramp' | 'off'): Promise<void> {
    voidPermits(this.id);
    this.generation += 1; // no handle may start anything while the ramp runs
    this.playing += 1;
    await this.powerOff(how);
    voidPermits(this.id);
    this.generation += 1; // whatever was asked for while the ramp ran is void as well
  }

  async close(): Promise<void> {
    await this.makeSafe('off');
    const { drive, digitizer, interlock } = this.parts;
    await Promise.all([drive.close(), digitizer.close(), interlock.close()]);
  }

  private handle(generation: number, ceiling: number): Energized {
    const live = (): void => {
      if (generation === this.generation) return;
      const what = `The power of bench "${this.id}" was taken away since this handle was given out.`;
      const fix = 'Acknowledge the warnings again, then start the run.';
      throw problem('bench/permit-void', what, fix);
    };
    return {
      play: (load) => this.play(load, ceiling, live),
      feed: () => {
        live();
        this.parts.drive.feed();
      },
    };
  }

  private async *play(load: Load, ceiling: number, live: () => void): AsyncGenerator<Block> {
    live();
    this.refuseLacking(load);
    const checked = checkedLoad(this.id, load, ceiling, this.ratings.maximumUpdates);
    const playing = ++this.playing;
    await this.refuseTripped(await this.report());
    await this.ready(checked, live);
    try {
      await this.reach(() => this.parts.drive.start());
      const sent = this.commandOf(checked);
      const samples = this.samplesOf(checked);
      let there = 0;
      for await (const taken of this.taken(samples)) {
        live();
        if (playing !== this.playing) throw overtaken(this.id);
        if (taken.device === undefined && isLast(taken, samples))
          await this.caughtUp(updatesOf(checked));
        const block = await this.blockOf(taken, sent);
        live();
        await this.refuseTripped(block.device, checked.afterStop !== undefined);
        there = endOf(taken);
        yield block;
      }
      live();
      const isShort = there < samples - TAIL_SECONDS * this.ratings.sampleRate;
      if (isShort && checked.afterStop === undefined) await this.refuseShort(there, samples);
      await this.refuseTripped(await this.report(), checked.afterStop !== undefined);
    } finally {
      if (playing === this.playing) await this.finish();
    }
  }

  /** Arranges the stand, hands the waveform over and makes ready for its samples; nothing moves yet. */
  private async ready(load: Load, live: () => void): Promise<void> {
    const { drive, digitizer } = this.parts;
    const { sampleRate: rate, timing } = this.ratings;
    await this.arrange(load.settings);
    live();
    await this.reach(() => drive.load(load));
    live();
    const { afterStop } = load;
    const after = afterStop === undefined ? {} : { afterStop: Math.round(afterStop * rate) };
    const on = timing.method === 'host' ? 'now' : 'trigger';
    await this.reach(() => digitizer.arm({ samples: this.samplesOf(load), rate, on, ...after }));
    live();
  }

  /** The waveform is over, or its reader has gone: the item goes back to zero. */
  private async finish(): Promise<void> {
    const { drive, digitizer } = this.parts;
    try {
      await this.reach(() => drive.finish());
    } finally {
      await this.reach(() => digitizer.end());
    }
  }

  /** The blocks of a take; at most as many as it can have samples. */
  private async *taken(samples: number): AsyncGenerator<SampleBlock> {
    this.clock = new DeviceClock();
    let left = samples;
    const blocks = this.parts.digitizer.blocks()[Symbol.asyncIterator]();
    try {
      while (left > 0) {
        const next = await this.reach(() => blocks.next());
        if (next.done === true) return;
        left -= 1;
        yield next.value;
      }
    } finally {
      await blocks.return?.();
    }
  }

  private async blockOf(taken: SampleBlock, sent?: CommandAsSent): Promise<Block> {
    const { start, opened } = taken;
    const samples = { ...taken.samples };
    const count = Math.max(0, ...Object.values(samples).map((values) => values.length));
    const device = taken.device ?? (await this.reportAt((start + count) / this.ratings.sampleRate));
    if (samples.command === undefined && this.ratings.timing.method !== 'command') {
      samples.command = sent?.at(start, count, this.clock.pace) ?? new Float32Array(count);
    }
    const told = this.ratings.channels.filter((channel) => samples[channel] !== undefined);
    const inOrder = CHANNELS.filter((channel) => told.includes(channel));
    return {
      start,
      samples: Object.fromEntries(inOrder.map((channel) => [channel, samples[channel]])),
      device,
      ...(opened === undefined ? {} : { opened }),
    };
  }

  private commandOf(load: Load): CommandAsSent {
    return new CommandAsSent(load.waveform, this.ratings.sampleRate, this.ratings.timing.method);
  }

  private samplesOf({ waveform }: Load): number {
    return Math.round((waveform.command.length / waveform.rate) * this.ratings.sampleRate);
  }

  /**
   * Says why a take ended before its time: what the drive says of it may come a moment later than the end
   * of the samples.
   *
   * @throws whatever took the torque away, or link/gap.
   */
  private async refuseShort(there: number, samples: number): Promise<never> {
    for (let tries = 0; tries < CATCH_UP_TRIES; tries += 1) {
      await this.refuseTripped(await this.report());
      await this.parts.clock.wait(CATCH_UP_WAIT);
    }
    const what = `The take of link "${this.parts.digitizer.name}" ended after ${there} of ${samples} samples, and the drive names no fault.`;
    throw problem('link/gap', what, 'Look at the link between digitizer and this program.');
  }

  /**
   * What a device that is asked says once its last update was due: its answers and the samples come on
   * different ways, so it may be a moment behind them. Waits no longer than the dead-man allows.
   */
  private async caughtUp(due: number): Promise<void> {
    for (let tries = 0; tries < CATCH_UP_TRIES; tries += 1) {
      const { updates, missing } = await this.report();
      if (updates + missing >= due) return;
      await this.parts.clock.wait(CATCH_UP_WAIT);
    }
  }

  /** What the device says when it is asked, with its time as the line through all answers has it. */
  private async reportAt(passed: number): Promise<DeviceReport> {
    const report = await this.report();
    this.clock.add(passed, report.time);
    return { ...report, time: passed * this.clock.pace };
  }

  private report(): Promise<DeviceReport> {
    return this.reach(() => this.parts.drive.report());
  }

  /** Turns and arranges the stand; with a guard open it does not move. */
  private async arrange(settings: Settings): Promise<void> {
    if (settings.angle !== undefined && this.ratings.indexing === 'bench') {
      throwIfAny(interlockProblems({ ...(await this.interlocks()), presence: 'held' }));
    }
    await this.reach(() => this.parts.digitizer.arrange(settings));
  }

  /** Sets ceiling and dead-man with power off, and returns what the device holds. */
  private async limited(ceiling: Quantity<'N·m'>): Promise<PowerLimits> {
    const { drive, station } = this.parts;
    const { hasDeadMan } = this;
    if (this.isOn) return { ceiling, deadMan: second(DEAD_MAN) }; // refused for that very reason
    const { safeTouch } = station.links;
    if (!hasDeadMan && ceiling > safeTouch) {
      const what = `The link "${drive.name}" has no dead-man: at most ${safeTouch} N·m may be applied, but ${ceiling} N·m were asked for.`;
      throw problem('bench/capability', what, 'Use a drive with a dead-man of its own.');
    }
    const held = await this.reach(() => drive.limit({ ceiling, deadMan: second(DEAD_MAN) }));
    if (hasDeadMan && !(held.deadMan > 0 && held.deadMan <= DEAD_MAN)) {
      const what = `A dead-man of ${DEAD_MAN} s was set; the link "${drive.name}" reads back ${held.deadMan} s.`;
      throw problem('link/read-back', what, 'Use a drive that drops torque within 100 ms.');
    }
    return { ceiling: newtonMetre(held.ceiling), deadMan: held.deadMan };
  }

  private refuseLacking({ waveform, settings, afterStop }: Load): void {
    const { lacks = {}, closedLoop } = this.ratings;
    const unable = (what: string, fix: string): never => {
      throw problem('bench/capability', `Bench "${this.id}": ${what}`, fix);
    };
    const { smoothing } = lacks;
    if (smoothing !== undefined && !smoothing.includes(settings.smoothing)) {
      const can = smoothing.join(', ');
      unable(`smoothing ${settings.smoothing} cannot be set, only ${can}.`, 'Use another drive.');
    }
    if (lacks.slew === true && settings.slew !== undefined) {
      unable('the slew of the item cannot be set.', 'Use another drive.');
    }
    if (lacks.silence === true && waveform.silence !== undefined) {
      unable('no update can be held back on purpose.', 'Use another drive.');
    }
    if (lacks.stopMark === true && afterStop !== undefined) {
      unable('nothing marks where a safety line opened.', 'Use another digitizer.');
    }
    if (waveform.wheel !== undefined && !closedLoop) {
      unable('no loop can be closed over a wheel.', 'Use another drive.');
    }
    this.refuseFixture(settings);
  }

  private refuseFixture({ fixture, angle }: Settings): void {
    const { fixtures, indexing } = this.ratings;
    if (!fixtures.includes(fixture)) {
      const what = `Bench "${this.id}" cannot arrange its stand ${fixture}, only ${fixtures.join(', ')}.`;
      throw problem('bench/capability', what, 'Leave the stage out, or use another bench.');
    }
    if (angle !== undefined && angle !== 0 && indexing === 'none') {
      const what = `Bench "${this.id}" cannot turn its shaft to ${angle} rad.`;
      throw problem('bench/capability', what, 'Leave the angle out, or use another bench.');
    }
  }

  /** @param isProof - Whether the stop function may take the torque away, as it is being proven. */
  private async refuseTripped(
    { fault, torqueEnabled }: Pick<DeviceReport, 'fault' | 'torqueEnabled'>,
    isProof = false,
  ): Promise<void> {
    if (fault === FAULT_CODES.none && torqueEnabled) return;
    if (fault === FAULT_CODES.safeTorqueOff && isProof) return;
    const lines = await this.interlocks();
    const { drive } = this.parts;
    if (fault === FAULT_CODES.none) {
      const what = `The link "${drive.name}" says that torque is off, and names no fault.`;
      const found = problem(
        'bench/device-fault',
        what,
        'Make the bench safe, then look at the drive.',
      );
      throw new StallmarkError([...found.problems, ...interlockProblems(lines)]);
    }
    const known = Object.values(FAULT_CODES).find((code) => code !== 0 && code === fault);
    const code: Exclude<FaultCode, 0> =
      known === undefined || known === 0 ? FAULT_CODES.internal : known;
    const [{ what, ...rest }] = tripProblem(this.id, code).problems;
    const said = drive.complaint === '' ? '' : ` It says: ${drive.complaint}`;
    const first = { ...rest, what: `${what}${said}` };
    throw new StallmarkError([first, ...interlockProblems(lines)]);
  }

  /** Power off after a refusal; a second failure does not hide the first. */
  private async cut(error: unknown): Promise<void> {
    voidPermits(this.id);
    this.generation += 1;
    try {
      await this.powerOff('off');
    } catch (second) {
      if (!(error instanceof StallmarkError && second instanceof StallmarkError)) throw second;
      throw new StallmarkError([...error.problems, ...second.problems], { cause: error });
    }
  }

  /**
   * Takes power away. When nobody answers, the link is let go, and the dead-man of the device, or the
   * end of its link, takes the torque away; only where there is neither does this throw.
   */
  private async powerOff(how: 'ramp' | 'off'): Promise<void> {
    if (!this.isOn) return;
    const { drive, clock } = this.parts;
    try {
      await drive.makeSafe(how);
    } catch (cause) {
      if (!(cause instanceof StallmarkError)) throw cause;
      await drive.close();
      await clock.wait(1000 * STOP_SECONDS);
      this.isOn = false;
      if (this.hasDeadMan) return;
      const what = `Nobody confirmed that the power of bench "${this.id}" is off.`;
      const fix = 'Press the emergency stop, then look at the link.';
      throw new StallmarkError([{ code: 'bench/unreachable', what, fix }, ...cause.problems], {
        cause,
      });
    }
    this.isOn = false;
  }

  /** Does something over a link; a device that is gone is told as a bench that cannot be reached. */
  private async reach<T>(act: () => Promise<T>): Promise<T> {
    try {
      return await act();
    } catch (error) {
      if (!(error instanceof StallmarkError)) throw error;
      if (!GONE.has(error.problems[0].code)) throw error;
      const what = `Bench "${this.id}" cannot be reached.`;
      const fix = 'Check the cables and the power of the bench, then start the run again.';
      throw new StallmarkError([{ code: 'bench/unreachable', what, fix }, ...error.problems], {
        cause: error,
      });
    }
  }
}

const GONE: ReadonlySet<string> = new Set([
  'link/unreachable',
  'link/closed',
  'link/stalled',
  'link/silent',
]);

function overtaken(bench: string): StallmarkError {
  const what = `Another waveform was started on bench "${bench}" before this one ended.`;
  return problem('bench/permit-void', what, 'Play one waveform at a time.');
}

/** Updates of a waveform that are sent. */
function updatesOf({ waveform: { command, silence = { from: 0, to: 0 } } }: Load): number {
  return command.length - (silence.to - silence.from);
}

/** Whether a block is the last of a take of so many samples. */
const isLast = (block: SampleBlock, expected: number): boolean => endOf(block) >= expected;

/** Sample behind the last of a block. */
function endOf({ start, samples }: SampleBlock): number {
  return start + Math.max(0, ...Object.values(samples).map((of) => of.length));
}
