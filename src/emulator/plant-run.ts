import type { Clock } from '../base/clock.js';
import type { Interlocks } from '../bench/bench.js';
import { FAULT_CODES, type FaultCode } from '../bench/drive.js';
import { LINES_AFTER, SAFE_LINES } from '../bench/incident.js';
import { SAMPLE_RATE, type Plant } from '../bench/plant.js';
import { interlockProblems } from '../bench/refusal.js';
import type { StopEvent } from '../bench/stop-function.js';
import { Fall, LOOK_SECONDS } from './fall.js';
import type { Journal } from './journal.js';
import { DEAD_MAN, GOING, type PlantInNest } from './plant-in-nest.js';
import type { Patience, Played } from './played.js';
import { BLOCK, type BufferedTake } from './take.js';
import type { Timed } from './time.js';

/** Samples between two looks at torque that falls. With power on nothing happens unseen for longer. */
const LOOK = Math.round(LOOK_SECONDS * SAMPLE_RATE);

/** s: the set point is back at zero, and the shaft has sprung back. */
const SETTLING = 0.1;
/** s: longest that the end of the emulator is held up by torque that falls. */
const LAST_LOOK = 1;

/** What a fault is called in the journal. */
const WORDS: Readonly<Record<FaultCode, string>> = {
  [FAULT_CODES.none]: 'no fault',
  [FAULT_CODES.deadMan]: 'dead-man',
  [FAULT_CODES.overTorque]: 'torque above the ceiling',
  [FAULT_CODES.safeTorqueOff]: 'safety line',
  [FAULT_CODES.internal]: 'fault of the item',
};

interface Pass {
  readonly until: number;
  readonly wake: () => void;
}

export interface RunParts {
  readonly nest: PlantInNest;
  readonly clock: Clock;
  readonly journal: Journal;
  /** Called when power, a fault, a line or the end of what plays changed anything. */
  readonly changed: () => void;
  /** Called when power went. */
  readonly gone: () => void;
  /** Called when time is needed that was not needed before. */
  readonly needed: () => void;
}

/** The plant as it goes on: what it plays, the take that it fills, and every way in which torque goes. */
export class PlantRun implements Timed {
  nest: PlantInNest;
  take: BufferedTake | undefined;
  played: Played | undefined;
  lines: Interlocks = SAFE_LINES;
  isHung = false;
  /** N·m and s as the device holds them. */
  limits: { readonly ceiling: number; readonly deadMan: number } = {
    ceiling: 0,
    deadMan: DEAD_MAN,
  };
  isFed = false;
  /** Whether a stretch of time is being reckoned just now. */
  isAdvancing = false;
  private isOn = false;
  private isUnsafe = false;
  private fall: Fall | undefined;
  private passes: Pass[] = [];
  private now = 0; // samples
  private fedAt = 0; // ms of the clock
  private lastFed: bigint | undefined;

  constructor(private readonly parts: RunParts) {
    this.nest = parts.nest;
  }

  get plant(): Plant {
    return this.nest.plant;
  }

  get isEnergized(): boolean {
    return this.plant.enabled;
  }

  get isPlaying(): boolean {
    return this.played !== undefined;
  }

  get isAsked(): boolean {
    return this.passes.length > 0;
  }

  get isFalling(): boolean {
    return this.fall !== undefined || (this.isUnsafe && this.isEnergized);
  }

  get running(): BufferedTake | undefined {
    return this.take?.isRunning === true ? this.take : undefined;
  }

  get isNeeded(): boolean {
    return this.isAsked || this.isFalling || this.isPlaying || this.running !== undefined;
  }

  /** Applies power at zero torque. */
  energize(): void {
    const { nest, limits } = this;
    nest.stopping.forget(); // the lines are safe: nothing is left of a stop before
    nest.plant.arrange('coupled');
    nest.plant.deadMan = limits.deadMan + GOING;
    nest.plant.enable(limits.ceiling);
    nest.wasEnergized = true;
    this.fall = undefined;
    this.lastFed = undefined;
    this.isOn = true;
    this.parts.journal.write('energized', { ceiling_Nm: limits.ceiling });
    this.parts.changed();
  }

  /** Starts what was made ready, with the take that waits for it. */
  start(played: Played): void {
    const { take, nest } = this;
    if (take?.isWaiting === true && !take.isOver) {
      nest.beginTake(take.isProof);
      take.begin(nest.blocks);
    } else if (this.running === undefined) nest.beginTake(false);
    played.start(nest.plant);
    this.played = played;
    this.fedAt = this.parts.clock.monotonic();
    this.isFed = true;
    this.parts.journal.write('start', { updates_Hz: played.updates });
    this.parts.needed();
  }

  /** Begins a take at once. */
  begin(take: BufferedTake): void {
    // The counters of what plays go on.
    if (this.isPlaying) this.nest.watchStop(take.isProof);
    else this.nest.beginTake(take.isProof);
    take.begin(this.nest.blocks);
    this.parts.needed();
  }

  feed(): void {
    this.plant.feed();
    this.fedAt = this.parts.clock.monotonic();
    this.lastFed = this.parts.journal.now();
    this.isFed = true;
    this.parts.needed();
  }

  watchClock(): void {
    const unfed = this.parts.clock.monotonic() - this.fedAt;
    if (this.plant.watched && unfed > 1000 * this.limits.deadMan) {
      this.trip(FAULT_CODES.deadMan, 'clock');
    }
  }

  /** Moves the safety lines. Anything but safe takes the torque away, at once or after a delay of the stop. */
  move(lines: Partial<Interlocks>): void {
    const at = this.parts.journal.now();
    this.lines = { ...this.lines, ...lines };
    this.isUnsafe = interlockProblems(this.lines).length > 0;
    if (this.isUnsafe) {
      const isNow = this.nest.stopping.open() === 'cut now';
      this.take?.open(this.nest.stopping.opened ?? 0);
      if (isNow && this.isEnergized) this.trip(FAULT_CODES.safeTorqueOff, 'line');
    }
    this.parts.journal.write('lines', { ...this.lines }, at);
    this.parts.changed();
    this.parts.needed();
  }

  /** Takes torque away with a fault. */
  trip(code: FaultCode, by: string): void {
    this.plant.trip(code);
    this.seeTrip(by);
  }

  /** Takes torque and power away at once. */
  off(reason: string): void {
    this.nest.stopping.forget();
    this.plant.disable();
    const wasOn = this.isOn;
    this.ended();
    if (wasOn) this.gone('off', { reason });
  }

  /** Back to zero torque, where no feed is needed. */
  finish(): void {
    if (!this.isPlaying) return;
    const { updates, missing } = this.plant.report(); // counts up to the last update
    this.plant.finish();
    this.played = undefined;
    this.parts.journal.write('end', { updates, missing });
    // Nothing else may need time now, and the torque is still to go.
    void this.pass(SETTLING);
    this.parts.changed();
  }

  /** Brings torque to zero along a line. */
  rampOut(): void {
    this.finish();
    this.plant.rampOut();
  }

  /** Waits until so many s of the plant have gone by, or nothing goes on any more. */
  pass(seconds: number): Promise<void> {
    const until = this.now + Math.round(seconds * SAMPLE_RATE);
    const passed = new Promise<void>((wake) => this.passes.push({ until, wake }));
    this.parts.needed();
    return passed;
  }

  /** Lets go of everything that waits, and looks once more after torque that falls. */
  close(): void {
    this.take?.end();
    for (const { wake } of this.passes.splice(0)) wake();
    this.advance(LAST_LOOK * SAMPLE_RATE, { periods: 0, first: 0 });
  }

  /** Puts another plant in the place of this one. */
  exchange(nest: PlantInNest): void {
    this.take?.end();
    this.take = undefined;
    this.fall = undefined;
    this.nest = nest;
    this.isHung = false;
  }

  advance(samples: number, patience: Patience): number {
    if (this.isAdvancing) return 0;
    this.isAdvancing = true;
    let done = 0;
    try {
      while (done < samples && this.isNeeded) {
        const part = this.part(samples - done, patience);
        if (part === 0) break;
        this.go(part);
        done += part;
      }
    } finally {
      this.isAdvancing = false;
    }
    this.settle();
    return done;
  }

  /** Samples that can go by before something may happen; 0 while an update waits for its source. */
  private part(most: number, patience: Patience): number {
    // Two updates fall into one sample at most.
    for (let i = 0; i < 2 && this.played?.ahead(this.plant) === 0; i += 1) {
      const now = this.parts.clock.monotonic();
      if (!this.played.mayUpdate(now, patience)) return 0;
      this.played.update(now);
    }
    const { played, running, nest } = this;
    const isWatched = this.isEnergized || this.fall !== undefined;
    return Math.max(
      1,
      Math.min(
        ...[most, nest.stopping.ahead, isWatched ? LOOK - (this.now % LOOK) : BLOCK],
        ...(running === undefined ? [] : [running.toBlockEnd]),
        ...(played === undefined ? [] : [played.ahead(this.plant), played.left]),
        ...(played === undefined ? [] : [BLOCK - (played.samples % BLOCK)]),
      ),
    );
  }

  private go(part: number): void {
    const { running, nest, played } = this;
    nest.plant.run(running?.frame ?? nest.idle, running?.filled ?? 0, part);
    this.now += part;
    if (running !== undefined) running.filled += part;
    if (played !== undefined) played.samples += part;
    this.seeTrip('plant');
    for (const event of nest.stopping.advance(part)) this.happen(event);
    this.look();
    if (this.played !== undefined) this.strike(this.played);
    if (this.played?.isOver === true) this.endBlock(running);
    else if (running !== undefined && running.filled % BLOCK === 0) this.endBlock(running);
    this.wakePassed();
  }

  private happen(event: StopEvent): void {
    if (event === 'pressed') this.move(LINES_AFTER['stop-pressed']);
    else if (this.isEnergized) this.trip(FAULT_CODES.safeTorqueOff, 'line');
  }

  /** Reports are made before what plays is ended, as they count up to there. */
  private endBlock(running: BufferedTake | undefined): void {
    // Nobody can feed for a block that never came.
    if (running?.hasLost === false && running.filled % BLOCK === 0) this.isFed = false;
    this.settle();
    if (this.played?.isOver === true) this.finish();
  }

  private settle(): void {
    this.take?.settle(this.nest.harness, this.plant.report());
  }

  /** Lets happen what waits for the torque that the shaft carries now. */
  private strike(played: Played): void {
    if (played.samples % BLOCK !== 0) return;
    for (const what of this.nest.incidents.due(this.plant.shaftTorque)) {
      if (what === 'device-hang') this.isHung = true;
      else if (what === 'device-fault') this.trip(FAULT_CODES.internal, 'plant');
      else this.move(LINES_AFTER[what]);
    }
  }

  /** Sees whether the item took its torque away by itself. */
  private seeTrip(by: string): void {
    if (!this.isOn || this.isEnergized) return;
    const { fault } = this.plant;
    const { take } = this;
    this.ended();
    const isProven = take?.isProof === true && fault === FAULT_CODES.safeTorqueOff;
    if (this.running !== undefined && !isProven) take?.trip();
    this.gone('tripped', { fault, reason: WORDS[fault], by });
  }

  /** Nothing plays any more, and there is no power. */
  private ended(): void {
    this.played = undefined;
    this.isOn = false;
    this.isFed = false;
  }

  /** Writes down that power went, and watches torque go. */
  private gone(what: 'tripped' | 'off', members: Readonly<Record<string, unknown>>): void {
    const { journal, gone, changed, needed } = this.parts;
    this.fall = new Fall(this.limits.ceiling, () => journal.now());
    const at = journal.now();
    if (this.lastFed !== undefined) journal.write('fed', {}, this.lastFed);
    this.lastFed = undefined;
    journal.write(what, members, at);
    if (!this.isAdvancing) this.settle();
    gone();
    changed();
    needed();
  }

  private look(): void {
    const { fall, plant } = this;
    if (fall === undefined || this.now % LOOK !== 0) return;
    for (const { what, at, after } of fall.look(plant.motorTorque, plant.shaftTorque)) {
      this.parts.journal.write(what, { after_s: after }, at);
    }
    if (fall.isOver) this.fall = undefined;
  }

  private wakePassed(): void {
    if (this.passes.length === 0) return;
    const over = this.passes.filter(({ until }) => until <= this.now);
    this.passes = this.passes.filter(({ until }) => until > this.now);
    for (const { wake } of over) wake();
  }
}
