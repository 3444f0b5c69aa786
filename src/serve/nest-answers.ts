import type { Clock } from '../base/clock.js';
import { StallmarkError, type Problem } from '../base/error.js';
import { PERMIT_LIFETIME, type Acknowledgement, type Task } from '../bench/permit.js';
import type { Hazard, Warning } from '../procedure/procedure.js';
import { notNow } from './nest-problems.js';
import { HOLD_TIME, type WarningView } from './nest-view.js';

/** The reply to one warning, as a page sends it. */
export interface Reply {
  readonly hazard: Hazard;
  /** ms for which the button was kept pressed. */
  readonly heldFor: number;
  readonly language: string;
  /** As records name the person. */
  readonly by: string;
}

/** Something a person does once, and somebody waits for. */
class Awaited<T> {
  readonly promise: Promise<T>;
  resolve: (value: T) => void = () => undefined; // replaced at once by the constructor

  constructor() {
    this.promise = new Promise((resolve) => {
      this.resolve = resolve;
    });
  }
}

/**
 * What a person answers on the way of one item to power: every warning in any order, then the start.
 * Whoever waits for an answer also waits for the stop, and for acknowledgements to lapse.
 */
export class Answers {
  readonly #replies = new Map<Hazard, Awaited<Acknowledgement>>();
  readonly #given = new Map<Hazard, Acknowledgement>();
  readonly #start = new Awaited<undefined>();
  #arranged: Awaited<undefined> | undefined;
  #task: Task | undefined;
  #until: number | undefined;
  #isStarted = false;

  constructor(
    readonly warnings: readonly Warning[],
    private readonly stop: AbortController,
    private readonly clock: Clock,
  ) {
    for (const { hazard } of warnings) this.#replies.set(hazard, new Awaited());
  }

  /** When the first acknowledgement lapses, ms since the Unix epoch. */
  get until(): number | undefined {
    return this.#until;
  }

  get isComplete(): boolean {
    return this.warnings.every(({ hazard }) => this.#given.has(hazard));
  }

  /** For the order: resolves when this warning is acknowledged. */
  acknowledgement(warning: Warning, task: Task): Promise<Acknowledgement> {
    this.#task = task;
    return this.orStopped(this.#awaited(warning.hazard).promise);
  }

  /** For the order: resolves when the person starts. */
  started(): Promise<undefined> {
    return this.orStopped(this.#start.promise);
  }

  /** For the order: resolves when the stand is arranged. */
  arrangement(): Promise<undefined> {
    this.#arranged = new Awaited();
    return this.orStopped(this.#arranged.promise);
  }

  /** Takes the reply to a warning, or says why it is none. */
  acknowledge(reply: Reply): readonly Problem[] {
    const warning = this.warnings.find(({ hazard }) => hazard === reply.hazard);
    if (warning === undefined || this.#task === undefined) return [notNow('acknowledge')];
    if (this.#given.has(reply.hazard)) return [];
    const problems = replyProblems(reply, warning);
    if (problems.length > 0) return problems;
    const { serial, attempt } = this.#task;
    const { hazard, by, language } = reply;
    const at = this.clock.now();
    const rest = { serial, attempt, textIssue: warning.issue, means: 'held button' } as const;
    const given: Acknowledgement = { hazard, by, at, language, ...rest };
    this.#given.set(hazard, given);
    if (this.#until === undefined) this.#lapseAfter(at);
    this.#awaited(hazard).resolve(given);
    return [];
  }

  /** Takes the start, or says what is still outstanding. */
  start(): readonly Problem[] {
    if (!this.isComplete || this.#isStarted) return [notNow('start')];
    this.#isStarted = true;
    this.#start.resolve(undefined);
    return [];
  }

  arranged(): readonly Problem[] {
    if (this.#arranged === undefined) return [notNow('arranged')];
    this.#arranged.resolve(undefined);
    this.#arranged = undefined;
    return [];
  }

  /** The warnings with what was answered, for a page. */
  views(): readonly WarningView[] {
    return this.warnings.map(({ hazard, signal, sign, issue, texts }) => {
      const given = this.#given.get(hazard);
      const { by, at, language } = given ?? { by: '', at: 0, language: '' };
      return {
        ...{ hazard, signal, sign, issue },
        texts: Object.fromEntries(texts),
        ...(given === undefined ? {} : { acknowledged: { by, at, language } }),
      };
    });
  }

  /** Waits for a promise, but no longer than until the stop, whose reason is thrown then. */
  orStopped<T>(promise: Promise<T>): Promise<T> {
    const { signal } = this.stop;
    return new Promise((resolve, reject) => {
      const end = (): void => {
        reject(reasonOf(signal));
      };
      if (signal.aborted) {
        end();
        return;
      }
      signal.addEventListener('abort', end, { once: true });
      promise.then(resolve, reject);
    });
  }

  #awaited(hazard: Hazard): Awaited<Acknowledgement> {
    const awaited = this.#replies.get(hazard);
    if (awaited === undefined) throw new Error(`the procedure has no warning "${hazard}"`);
    return awaited;
  }

  /** Acknowledgements are good for a minute: who does not start by then reads them again. */
  #lapseAfter(at: number): void {
    this.#until = at + PERMIT_LIFETIME;
    void this.clock.wait(PERMIT_LIFETIME).then(() => {
      if (!this.#isStarted) this.stop.abort(new StallmarkError([LAPSED]));
    });
  }
}

const LAPSED: Problem = {
  code: 'bench/outstanding-warnings',
  what: `Nobody started within ${PERMIT_LIFETIME / 1000} s of the first acknowledgement.`,
  fix: 'Scan the item again and acknowledge both warnings anew; nothing was counted.',
};

function replyProblems(reply: Reply, warning: Warning): readonly Problem[] {
  const problems: Problem[] = [];
  if (!(reply.heldFor >= HOLD_TIME)) {
    const what = `The button of "${reply.hazard}" was kept pressed for ${reply.heldFor} ms, not ${HOLD_TIME} ms.`;
    const fix = 'Read the warning and keep its button pressed until it is full.';
    problems.push({ code: 'bench/outstanding-warnings', what, fix });
  }
  if (!warning.texts.has(reply.language)) {
    const what = `The warning "${reply.hazard}" has no text in language "${reply.language}".`;
    const fix = `Choose one of: ${[...warning.texts.keys()].join(', ')}.`;
    problems.push({ code: 'procedure/warning', what, fix });
  }
  return problems;
}

function reasonOf({ reason }: AbortSignal): Error {
  return reason instanceof Error ? reason : new Error(String(reason));
}
