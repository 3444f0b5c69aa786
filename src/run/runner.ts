import { StallmarkError, type Problem } from '../base/error.js';
import type { Clock } from '../base/clock.js';
import type { NonEmpty } from '../base/numbers.js';
import { newtonMetre, second, type Quantity } from '../base/units.js';
import type { Bench, Block, Energized, Environment, Interlocks } from '../bench/bench.js';
import type { EnergizePermit, Task } from '../bench/permit.js';
import type { Capture, Take } from '../capture/capture.js';
import { cutAtEnd, record } from '../capture/record.js';
import { boundsOf } from '../pattern/bounds.js';
import { compile } from '../pattern/waveform.js';
import { durationOf } from '../pattern/shapes.js';
import type { Procedure, Settings, Stage } from '../procedure/procedure.js';
import { interlockCheck } from '../readiness/readiness.js';
import type { ItemFault } from '../decision/decision.js';
import { itemFaultBehind } from './item-fault.js';
import { whyNotPlayed } from './playable.js';
import { advance, type Run } from './run.js';
import { torqueMonitor } from './monitor.js';
import { signMonitor, SignsDisagree } from './sign-monitor.js';
import type { Scorer, StageOutcome } from './scorer.js';

/** Everything one attempt needs. */
export interface Work {
  readonly task: Task;
  readonly procedure: Procedure;
  readonly bench: Bench;
  readonly scorer: Scorer;
  readonly clock: Clock;
  readonly permit: EnergizePermit;
  /** Readiness once more, at the moment of energizing; throws when the bench may not test. */
  readonly confirmReady: () => Promise<void>;
  /** Asks a person to arrange the stand by hand, without power; resolves when it is done. */
  readonly arrange: (instruction: string) => Promise<void>;
  /** Tells that power comes next, and waits until it may. */
  readonly announce?: () => Promise<void>;
  /** Aborted by the operator's stop; a StallmarkError as its reason is thrown as it is. */
  readonly stop: AbortSignal;
  /** Told of all progress, before whoever watches. */
  readonly note: (progress: Progress) => void;
  /** Given to prove the stop function. */
  readonly pressing?: Pressing;
}

/** A stage in which a person is asked to press the emergency stop. */
export interface Pressing {
  readonly stage: string;
  /** How long samples are taken after it was pressed; power is cut then at the latest. */
  readonly after: Quantity<'s'>;
  /** Asks the person, when the torque is about to be applied. */
  readonly ask: () => void;
}

/** What a watcher sees while a run goes on. */
export type Progress =
  | { readonly kind: 'stage'; readonly index: number; readonly stage: Stage; readonly of: number }
  | { readonly kind: 'power'; readonly on: boolean; readonly at: number }
  | { readonly kind: 'scored'; readonly outcome: StageOutcome };

/** What a run leaves behind: everything that was scored, and why it ended early if it did. */
export interface Performed {
  readonly run: Run;
  readonly outcomes: readonly StageOutcome[];
  readonly energized: { readonly from: number; readonly to: number } | undefined;
  /** Stages that a gate kept from being played. */
  readonly brokenOff: string | undefined;
  /** Fault of the item that broke the run off, with evidence that nothing else did. */
  readonly itemFault: ItemFault | undefined;
  /** Stages left out because the bench lacks something, with the reason. */
  readonly leftOut: readonly { readonly stage: string; readonly why: string }[];
  /** Surroundings after power was taken away. */
  readonly environment: Environment;
}

/**
 * Plays every stage of a procedure on one item and scores it.
 *
 * Power is applied when the first powered stage is reached and taken away after the last; every
 * way out, also an exception, a closed iterator or an aborted signal, makes the bench safe first.
 *
 * @returns The outcomes in order of stages. Gates that do not hold are outcomes, not errors.
 * @throws run/stopped, bench/* — after the bench is safe. A fault that the item reports of itself, with
 * nothing else to blame, is an outcome.
 */
export async function* perform(work: Work): AsyncGenerator<Progress, Performed> {
  const scores = new ScoreQueue(work.scorer);
  const told = (progress: Progress): Progress => {
    work.note(progress);
    return progress;
  };
  const leftOut = work.procedure.stages.flatMap((stage) => {
    const why = whyNotPlayed(stage, work.bench.ratings);
    return why === undefined ? [] : [{ stage: stage.id, why }];
  });
  const stages = work.procedure.stages.filter((s) => !leftOut.some((out) => out.stage === s.id));
  const spell = new PowerSpell(work);
  let brokenOff: string | undefined;
  let itemFault: ItemFault | undefined;
  let isOn = false;
  try {
    for (const [index, stage] of stages.entries()) {
      refuseWhenStopped(work.stop);
      scores.refuseWhenFailed();
      yield told({ kind: 'stage', index, stage, of: stages.length });
      await spell.arrange(stage.power);
      if (isOn !== (spell.energized !== undefined)) {
        isOn = !isOn;
        yield told({ kind: 'power', on: isOn, at: work.clock.now() });
      }
      const outcome = await played(work, stage, spell, scores);
      if (stage.gates.length > 0 && (await outcome.scored).stops) {
        brokenOff = stage.id;
        break;
      }
    }
  } catch (error) {
    await spell.end(isOperatorStop(error) ? 'ramp' : 'off');
    itemFault = await itemFaultBehind(error, work.bench, work.procedure);
    if (itemFault === undefined) throw error;
  } finally {
    await spell.end('ramp');
  }
  if (isOn) yield told({ kind: 'power', on: false, at: work.clock.now() });
  const settled: StageOutcome[] = [];
  for (const outcome of scores.outcomes) {
    settled.push(await outcome);
    yield told({ kind: 'scored', outcome: await outcome });
  }
  const environment = await work.bench.environment();
  const { run, times: energized } = spell;
  return { run, outcomes: settled, energized, brokenOff, itemFault, leftOut, environment };
}

/**
 * Plays a stage and hands its capture to the scorer. Directions that disagree take the power away at
 * once; the gate that says so is the outcome then, and the rest of the samples is not waited for.
 *
 * @returns The outcome still to come, wrapped so that nobody waits for it here.
 */
async function played(
  work: Work,
  stage: Stage,
  spell: PowerSpell,
  scores: ScoreQueue,
): Promise<{ readonly scored: Promise<StageOutcome> }> {
  try {
    const playing = { work, stage, power: spell.energized, scores };
    return { scored: scores.add(await capture(playing)) };
  } catch (error) {
    if (!(error instanceof SignsDisagree)) throw error;
    await spell.end('off');
    const outcome = { stage: stage.id, scores: [], gates: [error.gate], stops: true };
    return { scored: scores.settle(outcome) };
  }
}

/** Captures handed to the scorer while the next stage is played. */
class ScoreQueue {
  readonly outcomes: Promise<StageOutcome>[] = [];
  #failure: Error | undefined;

  constructor(readonly scorer: Scorer) {}

  add(captured: Capture): Promise<StageOutcome> {
    const outcome = this.scorer.score(captured);
    outcome.catch((error: unknown) => {
      this.#failure ??= error instanceof Error ? error : new Error(String(error));
    });
    this.outcomes.push(outcome);
    return outcome;
  }

  /** Takes an outcome that needs no samples. */
  settle(outcome: StageOutcome): Promise<StageOutcome> {
    const settled = Promise.resolve(outcome);
    this.outcomes.push(settled);
    return settled;
  }

  /** No torque for samples that nobody can keep or score: throws what went wrong with earlier ones. */
  refuseWhenFailed(): void {
    if (this.#failure !== undefined) throw this.#failure;
  }
}

/** The one stretch of an attempt during which power may be on. */
class PowerSpell {
  energized: Energized | undefined;
  run: Run = { state: 'permitted' };
  #from: number | undefined;
  #to: number | undefined;

  constructor(readonly work: Work) {}

  get times(): Performed['energized'] {
    if (this.#from === undefined || this.#to === undefined) return undefined;
    return { from: this.#from, to: this.#to };
  }

  /** Applies power before a powered stage and takes it away before an unpowered one. */
  async arrange(power: Stage['power']): Promise<void> {
    if (power === 'off') {
      if (this.energized !== undefined) await this.end('ramp');
      return;
    }
    if (this.energized !== undefined) return;
    // After the power spell has ended this throws: its permit is spent, and the run is captured.
    const { work } = this;
    await work.announce?.();
    refuseWhenStopped(work.stop);
    await work.confirmReady();
    this.energized = await work.bench.energize(work.permit, work.task, work.procedure.ceiling);
    this.run = advance(this.run, { kind: 'power-applied' });
    this.#from = work.clock.now();
  }

  /** Makes the bench safe, whatever happened. Safe to call again. */
  async end(how: 'ramp' | 'off'): Promise<void> {
    await this.work.bench.makeSafe(how);
    if (this.energized !== undefined) this.#to = this.work.clock.now();
    this.energized = undefined;
    if (this.run.state !== 'captured') this.run = advance(this.run, { kind: 'made-safe' });
  }
}

/** A stage that is being played, with or without power. */
interface Playing {
  readonly work: Work;
  readonly stage: Stage;
  readonly power: Energized | undefined;
  /** What becomes of the stages before it. */
  readonly scores: ScoreQueue;
}

async function capture(playing: Playing): Promise<Capture> {
  const { stage } = playing;
  const takes: Take[] = [];
  for (let time = 0; time < (stage.repeats ?? 1); time += 1) {
    for (const settings of stage.takes) takes.push(await take(playing, settings));
  }
  return { stage: stage.id, takes: takes as unknown as NonEmpty<Take> }; // one per stage.takes and time, n ≥ 1
}

async function take(playing: Playing, settings: Settings): Promise<Take> {
  const { work, stage, power } = playing;
  const duration = second(durationOf(stage.pattern));
  await arrangeByHand(work, stage, settings, power);
  const pressing = work.pressing?.stage === stage.id ? work.pressing : undefined;
  const load = {
    ...{ waveform: compile(stage.pattern, stage.updates), settings },
    ...(pressing === undefined ? {} : { afterStop: pressing.after }),
  };
  const blocks = power === undefined ? work.bench.observe(duration, settings) : power.play(load);
  const rate: Quantity<'Hz'> = work.bench.ratings.sampleRate;
  const watch = watcher(playing, pressing);
  const expected = Math.round(duration * rate);
  pressing?.ask();
  const taken = await record(blocks, { expected, settings, rate }, watch);
  if (pressing === undefined || taken.opened === undefined) return taken;
  await work.bench.makeSafe('off'); // whether or not the stop function did its work
  return cutAtEnd(taken);
}

/** Where the bench cannot turn the shaft by itself a person does, and only while power is off. */
async function arrangeByHand(
  work: Work,
  stage: Stage,
  { angle }: Settings,
  power: Energized | undefined,
): Promise<void> {
  if (angle === undefined || work.bench.ratings.indexing === 'bench') return;
  if (power !== undefined) throw new Error('readiness let a hand near a stand with power on');
  const degrees = String(Number(((angle * 180) / Math.PI).toPrecision(4)));
  await work.arrange(`Stage "${stage.id}": turn the locked shaft to ${degrees}° and lock it.`);
}

/** Share of the rated torque that an item may give beyond what a stage commands. Own choice. */
const UNCOMMANDED = 0.1;

/**
 * Returns the torque that a stage has any business to reach: what it commands and a tenth of the
 * rated torque, and never more than the ceiling of the procedure.
 */
function stageCeiling({ ceiling, rated }: Procedure, stage: Stage): Quantity<'N·m'> {
  const { peak } = boundsOf(stage.pattern, stage.updates);
  return newtonMetre(Math.min(ceiling, peak + UNCOMMANDED * rated));
}

/**
 * Returns what the control loop does with each block: look at the interlocks, the operator's stop
 * and the torque; only then tell the device that the loop is alive.
 */
function watcher(
  { work, power, stage, scores }: Playing,
  pressing: Pressing | undefined,
): (block: Block) => Promise<void> {
  const { torqueConstant } = work.procedure.model;
  const { sampleRate } = work.bench.ratings;
  const monitor = torqueMonitor(stageCeiling(work.procedure, stage), torqueConstant, sampleRate);
  const signs = signMonitor(stage, torqueConstant);
  return async (block) => {
    refuseWhenStopped(work.stop);
    scores.refuseWhenFailed();
    if (power === undefined) return;
    const read = await work.bench.interlocks();
    const isPressed = pressing !== undefined && isOnlyStopped(read);
    const lines = interlockCheck(isPressed ? { ...read, emergencyStop: 'released' } : read);
    if (lines.state !== 'ok') {
      throw stop(
        'bench/interlock',
        `Power was cut: ${lines.found}.`,
        'Close the guard, release the stop, then begin again.',
      );
    }
    const { fault } = block.device;
    if (fault !== 0 && !isPressed) {
      throw stop(
        'bench/device-fault',
        `Power was cut: the device reports fault ${fault}.`,
        'Read the fault log of the device before anyone tries again.',
      );
    }
    const over = monitor(block);
    if (over !== undefined) {
      throw stop(
        'bench/ceiling',
        over,
        'Have the item and the stand looked at before anyone tries again.',
      );
    }
    const turned = signs?.(block);
    if (turned !== undefined) throw new SignsDisagree(turned);
    power.feed();
  };
}

/**
 * Whether the emergency stop is pressed and nothing else is open. While it is being proven, neither
 * this program nor the dead-man may take the torque away before the safety controller does.
 */
function isOnlyStopped({ emergencyStop }: Interlocks): boolean {
  return emergencyStop === 'pressed';
}

/**
 * The operator's stop, and a page that is gone, ramp torque down; every other cause cuts it. Source: IEC
 * 60204-1, 9.2.2 (from memory).
 */
function isOperatorStop(error: unknown): boolean {
  return error instanceof StallmarkError && RAMPED.has(error.problems[0].code);
}

const RAMPED: ReadonlySet<Problem['code']> = new Set(['run/stopped', 'run/page-lost']);

function refuseWhenStopped(signal: AbortSignal): void {
  if (!signal.aborted) return;
  if (signal.reason instanceof StallmarkError) throw signal.reason;
  throw stop('run/stopped', 'The operator stopped the run.', 'Begin a new attempt when ready.');
}

function stop(code: Problem['code'], what: string, fix: string): StallmarkError {
  return new StallmarkError([{ code, what, fix }]);
}
