import { Worker, isMainThread, parentPort, workerData } from 'node:worker_threads';
import { StallmarkError, unreachable, type Problem } from '../base/error.js';
import { isNonEmpty } from '../base/numbers.js';
import type { Capture } from '../capture/capture.js';
import { openScorer, type ScorerSetup } from './open-scorer.js';
import type { Closed, Scorer, StageOutcome } from './scorer.js';

/** What the control loop asks of its worker, answered in order. */
type Ask =
  | { readonly kind: 'score'; readonly capture: Capture }
  | { readonly kind: 'close' }
  | { readonly kind: 'abandon' };

/** Exactly one for each Ask. */
type Answer =
  | { readonly kind: 'scored'; readonly outcome: StageOutcome }
  | { readonly kind: 'closed'; readonly closed: Closed }
  | { readonly kind: 'abandoned' }
  | { readonly kind: 'refused'; readonly problems: readonly Problem[] }
  | { readonly kind: 'broken'; readonly stack: string };

interface Waiting {
  readonly resolve: (answer: Answer) => void;
  readonly reject: (error: Error) => void;
}

/**
 * Scores in a thread of its own, so that the control loop never waits for arithmetic or the disk.
 * Captures are handed over, not copied. Errors in the thread come back as errors here.
 */
export function workerScorer(setup: ScorerSetup): Scorer {
  const worker = new Worker(new URL(import.meta.url), { workerData: setup });
  const waiting: Waiting[] = [];
  let death: Error | undefined;
  const die = (error: Error): void => {
    death = error;
    for (const w of waiting.splice(0)) w.reject(error);
  };
  worker.on('message', (answer: Answer) => waiting.shift()?.resolve(answer));
  worker.on('error', die);
  worker.on('exit', () => {
    die(new Error('the scoring thread ended before it answered'));
  });
  const ask = async (request: Ask, owned: readonly ArrayBuffer[] = []): Promise<Answer> => {
    const answer = await new Promise<Answer>((resolve, reject) => {
      if (death !== undefined) reject(death);
      waiting.push({ resolve, reject });
      worker.postMessage(request, owned);
    });
    if (answer.kind === 'broken') throw new Error(`in the scoring thread: ${answer.stack}`);
    if (answer.kind !== 'refused') return answer;
    if (!isNonEmpty(answer.problems))
      throw new Error('the scoring thread refused without a reason');
    throw new StallmarkError(answer.problems);
  };
  return {
    async score(capture) {
      const answer = await ask({ kind: 'score', capture }, buffersOf(capture));
      if (answer.kind !== 'scored') throw new Error(`asked to score, answered ${answer.kind}`);
      return answer.outcome;
    },
    async close() {
      try {
        const answer = await ask({ kind: 'close' });
        if (answer.kind !== 'closed') throw new Error(`asked to close, answered ${answer.kind}`);
        return answer.closed;
      } finally {
        await worker.terminate();
      }
    },
    async abandon() {
      try {
        if (death === undefined) await ask({ kind: 'abandon' });
      } finally {
        await worker.terminate(); // a thread left behind would keep the program from ending
      }
    },
  };
}

/** The sample buffers of a capture; each belongs to one channel of one take. */
function buffersOf(capture: Capture): readonly ArrayBuffer[] {
  return capture.takes.flatMap((take) =>
    Object.values(take.channels).map((samples) => samples.buffer as ArrayBuffer),
  );
}

/** The thread's side: answers every request in order, with an outcome or with what went wrong. */
function serve(setup: ScorerSetup, reply: (answer: Answer) => void): (ask: Ask) => void {
  const scorer = openScorer(setup);
  let queue: Promise<void> = Promise.resolve();
  return (request) => {
    queue = queue.then(async () => {
      try {
        reply(await answerTo(request, await scorer));
      } catch (error) {
        reply(
          error instanceof StallmarkError
            ? { kind: 'refused', problems: error.problems }
            : {
                kind: 'broken',
                stack: error instanceof Error ? (error.stack ?? '') : String(error),
              },
        );
      }
    });
  };
}

async function answerTo(request: Ask, scorer: Scorer): Promise<Answer> {
  switch (request.kind) {
    case 'score':
      return { kind: 'scored', outcome: await scorer.score(request.capture) };
    case 'close':
      return { kind: 'closed', closed: await scorer.close() };
    case 'abandon':
      await scorer.abandon();
      return { kind: 'abandoned' };
    default:
      return unreachable(request);
  }
}

const port = parentPort;
if (!isMainThread && port !== null) {
  const setup = workerData as ScorerSetup; // posted by workerScorer above
  port.on(
    'message',
    serve(setup, (answer) => {
      port.postMessage(answer);
    }),
  );
}
