import type { Worker } from 'node:worker_threads';
import { parentPort } from 'node:worker_threads';
import { StallmarkError, type Problem } from '../base/error.js';
import { isNonEmpty } from '../base/numbers.js';
import type { Logger } from '../run/log.js';

/** Something that is asked one question after the other. */
export interface Asker<Question> {
  /** @throws page/busy, page/broken, and the problems that the question was answered with. */
  ask(question: Question): Promise<unknown>;
  close(): Promise<void>;
}

/** What a thread answers: exactly one for each question. */
export type Answered =
  | { readonly kind: 'answer'; readonly answer: unknown }
  | { readonly kind: 'refused'; readonly problems: readonly Problem[] }
  | { readonly kind: 'broken'; readonly stack: string };

/** How a thread is used. */
export interface ThreadSettings {
  /** As the log calls it. */
  readonly name: string;
  /** Starts one; called again when it ended by itself. */
  readonly start: () => Worker;
  /** Questions that may wait. */
  readonly most: number;
  /** ms for one answer; a thread that takes longer is ended. */
  readonly patience: number;
  readonly log: Pick<Logger, 'error'>;
}

interface Waiting<Question> {
  readonly question: Question;
  readonly resolve: (answer: unknown) => void;
  readonly reject: (error: Error) => void;
}

/**
 * Asks a thread of its own, so that whoever asks never waits for arithmetic or the disk. One question
 * at a time; a thread that ends or hangs is replaced, and the question it had is answered with a problem.
 */
export class Thread<Question> implements Asker<Question> {
  readonly #queue: Waiting<Question>[] = [];
  #asked: Waiting<Question> | undefined;
  #worker: Worker | undefined;
  #timer: NodeJS.Timeout | undefined;
  #isClosed = false;

  constructor(private readonly settings: ThreadSettings) {
    this.#begin();
  }

  ask(question: Question): Promise<unknown> {
    const { most, name } = this.settings;
    if (this.#isClosed) return Promise.reject(ending());
    if (this.#queue.length >= most) {
      const what = `The ${name} has ${String(this.#queue.length)} questions waiting, as many as may wait.`;
      const fix = 'Try again in a moment.';
      return Promise.reject(new StallmarkError([{ code: 'page/busy', what, fix }]));
    }
    return new Promise((resolve, reject) => {
      this.#queue.push({ question, resolve, reject });
      this.#next();
    });
  }

  async close(): Promise<void> {
    this.#isClosed = true;
    clearTimeout(this.#timer);
    for (const { reject } of this.#queue.splice(0)) reject(ending());
    this.#asked?.reject(ending());
    this.#asked = undefined;
    await this.#worker?.terminate();
  }

  #begin(): void {
    const worker = this.settings.start();
    this.#worker = worker;
    worker.on('message', (answered: Answered) => {
      if (worker === this.#worker) this.#answered(answered);
    });
    worker.on('error', (error) => {
      this.#broke(worker, error.stack ?? error.message);
    });
    worker.on('exit', (code) => {
      this.#broke(worker, `it ended with ${String(code)}`);
    });
  }

  #next(): void {
    if (this.#asked !== undefined || this.#isClosed) return;
    this.#asked = this.#queue.shift();
    if (this.#asked === undefined) return;
    const isNew = this.#worker === undefined;
    if (isNew) this.#begin();
    const worker = this.#worker;
    if (worker === undefined) return;
    // A thread that is only starting is not one that hangs.
    if (isNew)
      worker.once('online', () => {
        this.#wait(worker);
      });
    else this.#wait(worker);
    worker.postMessage(this.#asked.question);
  }

  /** Ends the thread when the question it has now is not answered in time. */
  #wait(worker: Worker): void {
    if (worker !== this.#worker || this.#asked === undefined) return;
    this.#timer = setTimeout(() => {
      this.#broke(worker, `no answer within ${String(this.settings.patience)} ms`);
      void worker.terminate();
    }, this.settings.patience);
  }

  #answered(answered: Answered): void {
    const asked = this.#asked;
    this.#asked = undefined;
    clearTimeout(this.#timer);
    switch (answered.kind) {
      case 'answer':
        asked?.resolve(answered.answer);
        break;
      case 'refused':
        asked?.reject(refused(answered.problems));
        break;
      case 'broken':
        this.settings.log.error({ stack: answered.stack }, `the ${this.settings.name} went wrong`);
        asked?.reject(broken());
        break;
    }
    this.#next();
  }

  /** The thread is of no use any more; the next question starts another one. */
  #broke(worker: Worker, how: string): void {
    if (worker !== this.#worker || this.#isClosed) return;
    this.settings.log.error({ how }, `the ${this.settings.name} ended by itself`);
    this.#worker = undefined;
    clearTimeout(this.#timer);
    const asked = this.#asked;
    this.#asked = undefined;
    asked?.reject(broken());
    this.#next();
  }
}

/** Asks in this thread, one question after the other, e.g. where this program is not built. */
export function askedHere<Question>(
  answer: (question: Question) => Promise<unknown>,
): Asker<Question> {
  let going: Promise<unknown> = Promise.resolve();
  return {
    ask: async (question) => {
      const before = going;
      const mine = before.catch(() => undefined).then(() => answer(question));
      going = mine.catch(() => undefined); // whoever asked is told; the next one is not kept from asking
      return mine;
    },
    close: async () => {
      await going;
    },
  };
}

/** The thread's side: answers every question, with an answer or with what went wrong. */
export function answerQuestions(answer: (question: unknown) => Promise<unknown>): void {
  const port = parentPort;
  if (port === null) throw new Error('questions are answered in a thread of its own');
  port.on('message', (question: unknown) => {
    void answeredTo(answer, question).then((answered) => {
      port.postMessage(answered);
    });
  });
}

async function answeredTo(
  answer: (question: unknown) => Promise<unknown>,
  question: unknown,
): Promise<Answered> {
  try {
    return { kind: 'answer', answer: await answer(question) };
  } catch (error) {
    if (error instanceof StallmarkError) return { kind: 'refused', problems: error.problems };
    return { kind: 'broken', stack: error instanceof Error ? (error.stack ?? '') : String(error) };
  }
}

function refused(problems: readonly Problem[]): Error {
  return isNonEmpty(problems)
    ? new StallmarkError(problems)
    : new Error('a thread refused without a reason');
}

/** What a page is told of a defect: no stack, which may tell of more than the page may know. */
export function broken(): StallmarkError {
  const what = 'The program went wrong while it answered; the log tells where.';
  const fix = 'Report this to the makers of Stallmark, with the lines of serve.jsonl.';
  return new StallmarkError([{ code: 'page/broken', what, fix }]);
}

function ending(): StallmarkError {
  const what = 'The server is ending.';
  return new StallmarkError([{ code: 'page/busy', what, fix: 'Start it again.' }]);
}
