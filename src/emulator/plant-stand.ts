import { throwIfAny, type StallmarkError } from '../base/error.js';
import { hertz, type Quantity } from '../base/units.js';
import { CHANNELS, type Environment, type Identity, type Interlocks } from '../bench/bench.js';
import { FAULT_CODES } from '../bench/drive.js';
import { checkedLoad, refuseSettings } from '../bench/load.js';
import { MOST_UPDATES } from '../bench/nameplate.js';
import { INDEXING, SAMPLE_RATE } from '../bench/plant.js';
import { interlockProblems, problem, tripProblem } from '../bench/refusal.js';
import type { Waveform } from '../pattern/waveform.js';
import type { Settings } from '../procedure/procedure.js';
import type { ControlledStand, PlantStandOptions } from './controlled-stand.js';
import { PlantInNest } from './plant-in-nest.js';
import { PlantRun } from './plant-run.js';
import { Played, type Ready } from './played.js';
import type { EmulatedStand, EmulatedTake, SetPoints } from './stand.js';
import { BufferedTake, MOST_SAMPLES } from './take.js';
import { StandTime } from './time.js';

/** N·m: most the item lets itself be limited to. */
const DEVICE_CEILING = 13.2;
/** s that the dead-man can be set to; torque is gone 5 ms later. */
const DEAD_MAN_RANGE: readonly [number, number] = [0.01, 0.095];
/** s: what a drive needs to load a waveform; ringing of what was before has died away then. */
const LOADING = 0.2;
/** s: a ramp to zero, and the current behind it. */
const RAMPING = 0.16;

/**
 * Makes a stand over a simulated item: one plant in time of its own behind all links.
 *
 * Samples and noise follow from station, serial, attempt, faults and order of takes alone, as those of the
 * simulated bench do.
 *
 * @throws bench/capability when the station asks for another sample rate than 20 kHz.
 */
export function emulatedStand(options: PlantStandOptions): ControlledStand {
  return new PlantStand(options);
}

class PlantStand implements ControlledStand {
  readonly channels: EmulatedStand['channels'];
  readonly rate = hertz(SAMPLE_RATE);
  readonly mostTorque = DEVICE_CEILING;
  readonly mostUpdates = hertz(MOST_UPDATES);
  readonly deadMan = DEAD_MAN_RANGE;
  private readonly id: string;
  private readonly run: PlantRun;
  private readonly time: StandTime;
  private readonly listeners = new Set<() => void>();
  private ready: Ready | undefined;
  private ramping: Promise<void> | undefined;
  /** Counts what makes something ready: the last one counts. */
  private works = 0;
  /** Counts what takes power away, or the item out. */
  private stops = 0;
  private isClosed = false;

  constructor(private readonly options: PlantStandOptions) {
    const { station, clock, journal, pace } = options;
    if (Number(station.sampleRate) !== SAMPLE_RATE) {
      const what = `Station "${station.id}" asks for ${station.sampleRate} Hz; the simulated digitizer samples at ${SAMPLE_RATE} Hz.`;
      throw problem('bench/capability', what, `Set the sample rate to ${SAMPLE_RATE / 1000} kHz.`);
    }
    this.id = station.id;
    const nest = new PlantInNest(options);
    this.channels = CHANNELS.filter((channel) => nest.ratings.channels.includes(channel));
    this.run = new PlantRun({
      ...{ nest, clock, journal },
      changed: () => {
        this.changed();
      },
      gone: () => {
        this.stopped();
      },
      needed: () => {
        this.time.wake();
      },
    });
    this.time = new StandTime(pace, clock, this.run);
  }

  get isEnergized(): boolean {
    return this.run.isEnergized;
  }

  get isPlaying(): boolean {
    return this.run.isPlaying;
  }

  get isHung(): boolean {
    return this.run.isHung;
  }

  identity(): Identity {
    return this.run.nest.identity;
  }

  environment(): Environment {
    return this.run.nest.environment;
  }

  lines(): Interlocks {
    return this.run.lines;
  }

  limit(ceiling: number, deadMan: number): { readonly ceiling: number; readonly deadMan: number } {
    if (this.isEnergized) {
      const what = `A limit of ${ceiling} N·m was to be set while power is on.`;
      throw problem('bench/permit-void', what, 'Make the bench safe first.');
    }
    this.works += 1; // what is ready, or is being made so, was checked against the limit before
    this.ready = undefined;
    this.run.limits = {
      ceiling: clipped(ceiling, [0, DEVICE_CEILING]),
      deadMan: clipped(deadMan, DEAD_MAN_RANGE),
    };
    const { limits } = this.run;
    const told = { ceiling_Nm: limits.ceiling, deadMan_s: limits.deadMan };
    this.options.journal.write('limit', told);
    return limits;
  }

  energize(): void {
    throwIfAny(interlockProblems(this.lines()));
    if (this.isEnergized) {
      const what = `Bench "${this.id}" has power on already.`;
      throw problem('bench/permit-void', what, 'Make the bench safe, then ask again.');
    }
    const { ceiling } = this.run.limits;
    if (!(ceiling > 0)) {
      const what = `Power was asked for with a ceiling of ${ceiling} N·m.`;
      throw problem('bench/ceiling', what, 'Set a ceiling above 0 N·m first.');
    }
    if (this.isClosed) throw this.takenAway();
    this.run.energize();
  }

  async load(waveform: Waveform, settings: Settings): Promise<void> {
    const load = checkedLoad(this.id, { waveform, settings }, this.ceiling, MOST_UPDATES);
    await this.prepare(settings);
    this.ready = { kind: 'waveform', ...load };
  }

  async stream(
    updates: Quantity<'Hz'>,
    settings: Settings,
    onUpdate: (update: number) => void,
  ): Promise<SetPoints> {
    const nothing = { rate: updates, command: Float64Array.of(0) };
    checkedLoad(this.id, { waveform: nothing, settings }, this.ceiling, MOST_UPDATES);
    await this.prepare(settings);
    const { ceiling } = this;
    const stream = this.run.nest.stream(updates);
    const ready: Ready = { kind: 'stream', updates: stream, settings: { ...settings }, onUpdate };
    this.ready = ready;
    return {
      set: (torque) => {
        stream.set(Math.max(-ceiling, Math.min(ceiling, torque)));
      },
      answered: () => {
        const { played } = this.run;
        if (played?.plays(ready) !== true) return;
        played.isAnswered = true;
        this.time.wake();
      },
    };
  }

  start(): void {
    this.catchUp();
    const { ready } = this;
    this.refuseOff();
    this.refuseBusy();
    if (ready === undefined) {
      const what = `Bench "${this.id}" was to start, and nothing is ready.`;
      throw problem('bench/permit-void', what, 'Load a waveform first.');
    }
    if (ready.kind === 'stream') this.ready = undefined; // it has one beginning
    this.run.start(new Played(ready));
  }

  feed(): void {
    if (this.isHung) return;
    this.catchUp(); // a feed that comes too late revives nothing
    this.run.feed();
  }

  finish(): void {
    if (!this.isPlaying) return;
    this.catchUp();
    this.run.finish();
  }

  rampOut(): Promise<void> {
    this.works += 1; // whatever is being made ready is void
    this.ready = undefined;
    if (!this.isEnergized) return Promise.resolve();
    this.ramping ??= this.ramp().finally(() => {
      this.ramping = undefined;
    });
    return this.ramping;
  }

  off(reason: string): void {
    this.run.off(reason);
    this.stopped(); // also what was made ready without power
  }

  report(): ReturnType<EmulatedStand['report']> {
    this.catchUp();
    return this.run.plant.report();
  }

  async arrange(settings: Settings): Promise<void> {
    refuseSettings(this.id, settings);
    const { fixture, angle = 0 } = settings;
    const { nest } = this.run;
    const unable = (what: string, fix: string): never => {
      throw problem('bench/capability', `Bench "${this.id}": ${what}`, fix);
    };
    if (!nest.ratings.fixtures.includes(fixture)) {
      unable(`the stand cannot be ${fixture}.`, 'Leave the stage out, or use another bench.');
    }
    if (this.isEnergized && fixture !== 'coupled') {
      unable(`power is on, and the stand was to be ${fixture}.`, 'Make the bench safe first.');
    }
    this.refuseBusy();
    nest.plant.arrange(fixture);
    await this.turn(angle);
    if (!this.isEnergized) await this.run.pass(LOADING);
    if (nest !== this.run.nest || this.isClosed) throw this.takenAway();
  }

  arm(samples: number, on: 'trigger' | 'now', afterStop?: number): EmulatedTake {
    if (!(Number.isInteger(samples) && samples >= 1 && samples <= MOST_SAMPLES)) {
      const what = `A take of ${samples} samples was asked for; 1 … ${MOST_SAMPLES} can be kept.`;
      throw problem('bench/capability', what, 'Make the take shorter.');
    }
    this.catchUp();
    this.run.take?.end();
    const take = new BufferedTake({
      ...{ samples, channels: this.channels, lossEvery: this.run.nest.lossEvery },
      ...(afterStop === undefined ? {} : { afterStop }),
      asked: () => {
        this.time.wake();
      },
    });
    this.run.take = take;
    if (on === 'now') this.run.begin(take);
    return take;
  }

  onChange(listener: () => void): () => void {
    this.listeners.add(listener);
    return () => this.listeners.delete(listener);
  }

  move(lines: Partial<Interlocks>): void {
    this.run.move(lines);
  }

  swap(serial: string): void {
    if (this.isEnergized) {
      const what = `The item was to be exchanged for ${serial} while power is on.`;
      throw problem('bench/permit-void', what, 'Make the bench safe first.');
    }
    this.run.exchange(new PlantInNest({ ...this.options, serial }));
    this.stopped();
    this.options.journal.write('item', { serial });
    this.changed();
  }

  uncommanded(torque: number): void {
    this.run.plant.uncommanded = torque;
  }

  shaftTorque(): number {
    this.catchUp();
    return this.run.plant.shaftTorque;
  }

  close(): void {
    if (this.isClosed) return;
    this.off('the emulator ended');
    this.isClosed = true;
    this.run.close();
    this.time.close();
    this.options.journal.flush();
  }

  private get ceiling(): number {
    return this.run.limits.ceiling;
  }

  private catchUp(): void {
    if (!this.run.isAdvancing) this.time.catchUp();
  }

  private changed(): void {
    for (const listener of [...this.listeners]) listener();
  }

  /** Power went, or the item: what was ready is ready no more. */
  private stopped(): void {
    this.stops += 1;
    this.ready = undefined;
  }

  private async ramp(): Promise<void> {
    const { stops } = this;
    this.catchUp();
    this.run.rampOut();
    await this.run.pass(RAMPING);
    if (stops === this.stops && this.isEnergized) this.off('ramped out');
  }

  /** Turns the shaft and lets the stand come to rest. */
  private async prepare({ angle }: Settings): Promise<void> {
    this.refuseBusy();
    this.ready = undefined;
    this.works += 1;
    const { works, stops } = this;
    const wasOn = this.isEnergized;
    if (angle !== undefined) await this.turn(angle);
    await this.run.pass(LOADING);
    if (wasOn) this.refuseOff();
    if (stops !== this.stops || this.isClosed) throw this.takenAway();
    if (works === this.works) return;
    const what = `Something else was made ready on bench "${this.id}" meanwhile.`;
    throw problem('bench/permit-void', what, 'Load one waveform at a time.');
  }

  /** Turns the locked shaft to an angle, rad; with a guard open it does not move. */
  private async turn(angle: number): Promise<void> {
    if (this.run.plant.isAt(angle)) return;
    throwIfAny(interlockProblems(this.lines()));
    this.run.plant.index(angle);
    await this.run.pass(INDEXING);
    throwIfAny(interlockProblems(this.lines()));
  }

  private refuseOff(): void {
    if (this.isEnergized) return;
    const { fault } = this.run.plant;
    throw fault === FAULT_CODES.none ? this.takenAway() : tripProblem(this.id, fault);
  }

  private refuseBusy(): void {
    if (!this.isPlaying && this.ramping === undefined) return;
    const what = `Bench "${this.id}" plays a waveform, or ramps it out.`;
    throw problem('bench/permit-void', what, 'Play one waveform at a time.');
  }

  private takenAway(): StallmarkError {
    const what = `Bench "${this.id}" has no power, or it was taken away meanwhile.`;
    return problem('bench/permit-void', what, 'Apply power, then start again.');
  }
}

/** What a device can hold of what it is asked for; what is no number is the least. */
function clipped(value: number, [least, most]: readonly [number, number]): number {
  return Math.max(least, Math.min(most, Number.isNaN(value) ? least : value));
}
