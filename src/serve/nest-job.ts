import type { Clock } from '../base/clock.js';
import { StallmarkError, unreachable, type Problem } from '../base/error.js';
import type { Bench } from '../bench/bench.js';
import { nameOf, type Session } from '../people/people.js';
import { attemptItem, type AttemptProgress } from '../run/attempt.js';
import type { Order, Parts } from '../run/brief.js';
import type { Chosen } from '../run/documents.js';
import { Answers } from './nest-answers.js';
import { watchedBench } from './nest-bench.js';
import { itemView, secondsOf } from './nest-item.js';
import { another, endedBy, notNow, pageLost, stopped } from './nest-problems.js';
import { readyView } from './nest-readiness.js';
import { resultView } from './nest-result.js';
import { NestTrace } from './nest-trace.js';
import {
  COUNTDOWN,
  PAGE_PATIENCE,
  type Frame,
  type NestCommand,
  type NestView,
  type StageView,
} from './nest-view.js';

/** ms between two looks at whether the page is still there. */
const LOOK_AFTER_PAGE = 100;

/** What a job works with. */
export interface JobSetup {
  readonly serial: string;
  readonly lot?: string;
  readonly session: Session;
  readonly documents: Chosen;
  readonly parts: Parts;
  readonly clock: Clock;
  /** Changes what a page is shown. */
  readonly show: (change: Partial<NestView>) => void;
  readonly frame: (frame: Frame) => void;
  /** ms since the page that holds the nest gave a sign of life. */
  readonly silence: () => number;
}

/** Answers to what is asked on the way. */
export type AnswerCommand = Extract<
  NestCommand,
  { readonly kind: 'acknowledge' | 'start' | 'arranged' }
>;

/** One item on its way, from its scan to its record or its refusal, with a person at a page. */
export class NestJob {
  readonly #stop = new AbortController();
  readonly #trace: NestTrace;
  /** What is asked of the person; known once the documents of the attempt are. */
  #answers: Answers | undefined;
  #stages: readonly StageView[] = [];
  /** Index of the stage that is played, or was played last. */
  #stage: number | undefined;
  #isBegun = false;
  #isPlayed = false;

  constructor(private readonly setup: JobSetup) {
    const { documents, clock, frame } = setup;
    const { station, procedure } = documents;
    const { torqueConstant } = procedure.model;
    this.#trace = new NestTrace(station.sampleRate, torqueConstant, clock, frame);
  }

  /** Whether the attempt counts. */
  get isBegun(): boolean {
    return this.#isBegun;
  }

  get #person(): string {
    return nameOf(this.setup.session);
  }

  /** Brings torque to zero and power off; before power the item is given back. */
  stop(who: string): void {
    this.#stop.abort(new StallmarkError([stopped(who)]));
  }

  /** Takes an answer, or says why it is none. */
  answer(command: AnswerCommand, session: Session): readonly Problem[] {
    const answers = this.#answers;
    if (answers === undefined) return [notNow(command.kind)];
    if (this.setup.session.id !== session.id) return [another(this.#person)];
    if (command.kind === 'start') return answers.start();
    if (command.kind === 'arranged') return answers.arranged();
    const { hazard, heldFor, language } = command;
    const problems = answers.acknowledge({ hazard, heldFor, language, by: this.#person });
    if (problems.length === 0) this.#showWarnings();
    return problems;
  }

  /** Takes the item all the way; what comes of it is shown. */
  async run(): Promise<void> {
    const { parts, show, clock } = this.setup;
    const watching = this.#watchPage();
    const bench = async (attempt: number): Promise<Bench> =>
      watchedBench(await parts.bench(attempt), this.#trace);
    try {
      const attempt = attemptItem(this.#order(), { ...parts, bench });
      for (;;) {
        const next = await attempt.next();
        if (next.done === true) {
          const result = resultView(next.value.certificate);
          show({ power: 'off', phase: { kind: 'verdict', result } });
          return;
        }
        this.#progress(next.value);
      }
    } catch (error) {
      const left = { isBegun: this.#isBegun, stage: this.#stage, at: clock.now() };
      show({ power: 'off', phase: endedBy(error, left) });
      if (!(error instanceof StallmarkError)) throw error;
    } finally {
      this.#isPlayed = true;
      await watching;
    }
  }

  #order(): Order {
    const { serial, lot, session, documents } = this.setup;
    return {
      serial,
      ...(lot === undefined ? {} : { lot }),
      operator: this.#person,
      session,
      documents,
      acknowledge: (warning, task) => {
        const given = this.#asked().acknowledgement(warning, task);
        this.#showWarnings();
        return given;
      },
      start: async () => {
        this.#showWarnings();
        await this.#asked().started();
      },
      arrange: async (instruction) => {
        this.setup.show({ phase: { kind: 'arrange', instruction } });
        await this.#asked().arrangement();
        this.#showRunning();
      },
      announce: () => this.#countDown(),
      stop: this.#stop.signal,
    };
  }

  async #countDown(): Promise<void> {
    const { clock, show } = this.setup;
    const at = clock.now() + COUNTDOWN;
    show({ phase: { kind: 'countdown', stage: this.#stage ?? 0, at } });
    await this.#asked().orStopped(clock.wait(COUNTDOWN));
    this.#showRunning();
  }

  #progress(progress: AttemptProgress): void {
    const { show } = this.setup;
    switch (progress.kind) {
      case 'recovered':
        return;
      case 'sample':
        show({ sample: progress.words });
        return;
      case 'chosen':
        this.#choose(progress);
        return;
      case 'ready':
        show(readyView(progress.checks, this.setup.clock.now()));
        return;
      case 'permitted':
        this.#isBegun = true;
        return;
      case 'stage':
        this.#begin(progress.stage.id);
        return;
      case 'power':
        show({ power: progress.on ? 'on' : 'off' });
        return;
      case 'scored':
        this.#decide();
        return;
      default:
        unreachable(progress);
    }
  }

  #choose(chosen: Extract<AttemptProgress, { readonly kind: 'chosen' }>): void {
    const { documents, attempt, attemptsAllowed: of } = chosen;
    this.#answers = new Answers(documents.procedure.warnings, this.#stop, this.setup.clock);
    const item = itemView(this.setup.serial, documents, { attempt, of });
    this.#stages = item.stages;
    this.setup.show({ item });
  }

  #begin(id: string): void {
    const stage = this.#stages.findIndex((one) => one.id === id);
    if (stage < 0) throw new Error(`stage "${id}" is played but was not chosen`);
    this.#stage = stage;
    this.#trace.stage(stage);
    this.#showRunning();
  }

  /** Scores are told only when every stage was played: a stop changes nothing from now on. */
  #decide(): void {
    if (!this.#isPlayed) this.setup.show({ phase: { kind: 'deciding' } });
    this.#isPlayed = true;
  }

  #showRunning(): void {
    const stage = this.#stage ?? 0;
    const since = this.setup.clock.now();
    const end = since + 1000 * secondsOf(this.#stages.slice(stage));
    this.setup.show({ phase: { kind: 'running', stage, since, end } });
  }

  #showWarnings(): void {
    const answers = this.#asked();
    const { until } = answers;
    const warnings = answers.views();
    this.setup.show({
      phase:
        answers.isComplete && until !== undefined
          ? { kind: 'start', warnings, until }
          : { kind: 'warnings', warnings, ...(until === undefined ? {} : { until }) },
    });
  }

  #asked(): Answers {
    if (this.#answers !== undefined) return this.#answers;
    throw new Error('nothing is asked before the documents are chosen');
  }

  /** Ends the attempt in zero torque when the page that holds the nest is gone. */
  async #watchPage(): Promise<void> {
    const { clock, silence } = this.setup;
    while (!this.#isPlayed && !this.#stop.signal.aborted) {
      await clock.wait(LOOK_AFTER_PAGE);
      const silent = silence();
      if (silent > PAGE_PATIENCE) this.#stop.abort(new StallmarkError([pageLost(silent)]));
    }
  }
}
