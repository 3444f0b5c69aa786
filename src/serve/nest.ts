import type { Clock } from '../base/clock.js';
import { StallmarkError, throwIfAny, unreachable, type Problem } from '../base/error.js';
import { nameOf, type Session } from '../people/people.js';
import { languageProblems } from '../procedure/warning-language.js';
import { isSimulated } from '../procedure/station.js';
import { assemble } from '../run/assemble.js';
import { prepare } from '../run/documents.js';
import { labelOf } from '../run/label.js';
import { NestJob, type AnswerCommand } from './nest-job.js';
import { notNow } from './nest-problems.js';
import { documentsOf, readinessOf } from './nest-readiness.js';
import type { Frame, NestCommand, NestView, Phase } from './nest-view.js';
import type { Site } from './site.js';

/** Who is told what goes on. */
export interface NestWatcher {
  readonly view: (view: NestView) => void;
  readonly frame: (frame: Frame) => void;
}

type Scan = Extract<NestCommand, { readonly kind: 'scan' }>;

/**
 * The bench as a page sees it. It only asks and shows: every rule is that of `attemptItem`, which the
 * command line calls too. A page that gives no sign of life while an item is on its way ends in zero
 * torque; so does the end of the process that asked.
 */
export class Nest {
  #view: NestView;
  #job: NestJob | undefined;
  /** Whether an item is on its way or readiness is being drawn up. */
  #isBusy = false;
  #going: Promise<void> = Promise.resolve();
  /** Ends when readiness that is being drawn up is there; a scan waits for it instead of being refused. */
  #looking: Promise<void> = Promise.resolve();
  #alive: number;

  constructor(
    private readonly site: Site,
    private readonly clock: Clock,
    private readonly watcher: NestWatcher,
    phase: Phase = { kind: 'waiting' },
  ) {
    this.#alive = clock.monotonic();
    this.#view = {
      ...{ bench: '', nest: 0, simulated: true, power: 'unknown', checks: [], mayTest: false },
      ...{ checkedAt: 0, phase },
    };
  }

  get view(): NestView {
    return this.#view;
  }

  /** The page that holds the nest gave a sign of life. */
  alive(): void {
    this.#alive = this.clock.monotonic();
  }

  /**
   * Does what a person asks for, as far as it can be done at once; what comes of it is shown.
   *
   * @returns Why nothing was done; empty when it was.
   */
  async do(command: NestCommand, session: Session): Promise<readonly Problem[]> {
    this.alive();
    switch (command.kind) {
      case 'look':
        await this.look();
        return [];
      case 'scan':
        return this.#scan(command, session);
      case 'next':
        return this.#next(session);
      case 'stop':
        if (this.#job === undefined) return [notNow('stop')];
        this.#job.stop(nameOf(session));
        return [];
      case 'acknowledge':
      case 'start':
      case 'arranged':
        return this.#answer(command, session);
      default:
        return unreachable(command);
    }
  }

  /** Stops what goes on and waits until the bench is safe. */
  async close(): Promise<void> {
    this.#job?.stop('The end of the program');
    await this.#going;
  }

  /** Draws readiness up anew while nothing is on its way. */
  async look(): Promise<void> {
    if (this.#isBusy) return;
    this.#isBusy = true;
    this.#looking = this.#drawUp();
    await this.#looking;
  }

  async #drawUp(): Promise<void> {
    try {
      this.#show(await readinessOf(this.site, this.clock));
    } finally {
      this.#isBusy = false;
    }
  }

  async #scan(command: Scan, session: Session): Promise<readonly Problem[]> {
    await this.#looking;
    if (this.#isBusy) return [notNow('scan')];
    this.#isBusy = true;
    this.#clear({ kind: 'checking' });
    try {
      await this.#begin(command, session);
    } catch (error) {
      this.#isBusy = false;
      if (!(error instanceof StallmarkError)) throw error;
      this.#show({ phase: { kind: 'waiting', refused: error.problems } });
    }
    return [];
  }

  async #begin({ text, language, faults = [] }: Scan, session: Session): Promise<void> {
    const choice = documentsOf(this.site);
    const { serial, revision, lot } = labelOf(text, choice);
    const documents = prepare({
      ...choice,
      serial,
      ...(revision === undefined ? {} : { revision }),
    });
    throwIfAny(languageProblems(documents.procedure.warnings, language));
    const { root, keys, pace } = this.site;
    const passphrase = process.env['STALLMARK_PASSPHRASE'];
    const parts = await assemble({
      ...{ documents, serial, root, keys, passphrase, faults, pace, clock: this.clock },
    });
    const { station } = documents;
    this.#show({ bench: station.id, nest: station.nest, simulated: isSimulated(station) });
    const job = new NestJob({
      ...{ serial, session, documents, parts, clock: this.clock },
      ...(lot === undefined ? {} : { lot }),
      show: (change) => {
        this.#show(change);
      },
      frame: this.watcher.frame,
      silence: () => this.clock.monotonic() - this.#alive,
    });
    this.#job = job;
    this.#going = job.run().finally(() => {
      parts.ledger.close();
      this.#job = undefined;
      this.#isBusy = false;
      return this.look();
    });
  }

  #answer(command: AnswerCommand, session: Session): readonly Problem[] {
    return this.#job?.answer(command, session) ?? [notNow(command.kind)];
  }

  /** Away with the verdict; an item that does not count yet is given back. */
  async #next(session: Session): Promise<readonly Problem[]> {
    await this.#looking;
    const job = this.#job;
    if (job === undefined ? this.#isBusy : job.isBegun) return [notNow('next')];
    if (job === undefined) this.#clear({ kind: 'waiting' });
    else job.stop(nameOf(session));
    return [];
  }

  /** Shows another phase, without the item there was. */
  #clear(phase: Phase): void {
    const { bench, nest, simulated, power, checks, mayTest, checkedAt } = this.#view;
    this.#view = { bench, nest, simulated, power, checks, mayTest, checkedAt, phase };
    this.watcher.view(this.#view);
  }

  #show(change: Partial<NestView>): void {
    this.#view = { ...this.#view, ...change };
    this.watcher.view(this.#view);
  }
}
