import { join } from 'node:path';
import { StallmarkError, throwIfAny, withSecond } from '../base/error.js';
import type { Bench } from '../bench/bench.js';
import type { Acknowledgement, EnergizePermit } from '../bench/permit.js';
import type { Entry } from '../ledger/ledger.js';
import { numberOf } from '../ledger/numbering.js';
import { abortAttempt, holdRecords, openAttempt, recover } from '../ledger/store.js';
import { referenceProblems } from '../readiness/reference.js';
import { allowance, attemptProblems, nextAttempt, type Attempting } from '../readiness/retest.js';
import { begin, captureMetadata, type Order, type Origin, type Parts } from './brief.js';
import { issue, type Issued } from './issue.js';
import { openLog, type Logger } from './log.js';
import { confirmReady, makeReady, type ReadyProgress } from './ready.js';
import { enterRefusal } from './refused.js';
import { perform, type Performed, type Progress } from './runner.js';

export type AttemptProgress =
  | Progress
  | { readonly kind: 'recovered'; readonly sentences: readonly string[] }
  | ReadyProgress
  | {
      readonly kind: 'permitted';
      readonly acknowledgements: readonly Acknowledgement[];
      readonly attempt: number;
      readonly number: string;
    };

/**
 * Takes one item from its serial to a sealed record in the ledger. The only way to a record: the
 * command line, a page and a script all call this.
 *
 * Everything that refuses does so before the attempt counts. Once begun, an attempt ends in the
 * ledger whatever happens: with its record, or aborted with the reason.
 *
 * @returns The record and where it lies.
 * @throws StallmarkError with every reason, after the bench is safe and the ledger knows.
 */
export async function* attemptItem(
  order: Order,
  parts: Parts,
): AsyncGenerator<AttemptProgress, Issued> {
  const { ledger, root, clock } = parts;
  const sentences = recover(root, ledger, clock.now());
  if (sentences.length > 0) yield { kind: 'recovered', sentences };
  const hold = holdRecords(root);
  try {
    const history = ledger.of(order.serial);
    admit(order, parts);
    const bench = parts.bench(nextAttempt(history));
    try {
      return yield* attemptOn(bench, order, parts);
    } finally {
      await bench.makeSafe('off');
      await bench.close();
    }
  } finally {
    hold.release();
  }
}

/** Refuses an item that may not be tested now, and enters that. */
function admit(order: Order, parts: Parts): void {
  try {
    throwIfAny([
      ...referenceProblems(order.serial, order.documents.references),
      ...attemptProblems(attemptingOf(order, parts)),
    ]);
  } catch (error) {
    enterRefusal(error, order, parts);
    throw error;
  }
}

/** What decides whether the item may be tested now. */
function attemptingOf({ serial, lot, documents }: Order, { ledger, clock }: Parts): Attempting {
  const { procedure, station } = documents;
  return {
    ...{ serial, model: procedure.model, attempts: procedure.attempts },
    ...{ bench: station.id, nest: station.nest },
    ...(lot === undefined ? {} : { lot }),
    history: ledger.of(serial),
    general: ledger.of(''),
    now: clock.now(),
  };
}

async function* attemptOn(
  bench: Bench,
  order: Order,
  parts: Parts,
): AsyncGenerator<AttemptProgress, Issued> {
  const history = parts.ledger.of(order.serial);
  const { attempt, of: attemptsAllowed } = allowance(history, order.documents.procedure.attempts);
  const { brief, permit } = yield* makeReady(bench, order, parts, attempt);
  const begun = begin(brief, order, parts);
  let isEnded = false;
  try {
    const { acknowledgements } = brief;
    yield { kind: 'permitted', acknowledgements, attempt, number: numberOf(begun) };
    const issued = yield* begunAttempt({
      ...{ bench, order, parts, brief, begun, permit },
      attemptsAllowed,
    });
    isEnded = true;
    return issued;
  } catch (error) {
    isEnded = true;
    abort(error, begun, order, parts);
    throw error;
  } finally {
    if (!isEnded) abort(new Error('whoever watched the run walked away'), begun, order, parts);
  }
}

/** An attempt that counts: begun in the ledger, with a live permit. */
export interface Begun extends Origin {
  readonly bench: Bench;
  readonly permit: EnergizePermit;
  /** Attempts that the item may have without another disposition. */
  readonly attemptsAllowed: number;
}

async function* begunAttempt(given: Begun): AsyncGenerator<AttemptProgress, Issued> {
  const { bench, order, parts, brief, begun, permit } = given;
  const { procedure, station } = order.documents;
  const { temporary } = openAttempt(parts.root, begun);
  const log = openLog(join(temporary, 'log.jsonl'), parts.watch);
  log.info(
    {
      serial: order.serial,
      attempt: brief.task.attempt,
      number: numberOf(begun),
      operator: order.operator,
    },
    'attempt begun',
  );
  const started = parts.clock.now();
  const scorer = await parts.scorer({
    procedure,
    station,
    ambient: brief.environment.ambient,
    file: join(temporary, 'capture.parquet'),
    metadata: captureMetadata(given),
  });
  let performed: Performed | undefined;
  try {
    const work = {
      task: brief.task,
      procedure,
      bench,
      scorer,
      clock: parts.clock,
      permit,
      confirmReady: () => confirmReady(bench, order, parts, brief.readyAt),
      arrange: order.arrange,
      stop: order.stop,
      note: (progress: Progress) => {
        logProgress(progress, log);
      },
    };
    performed = yield* perform(work);
  } catch (error) {
    log.error(
      { error: error instanceof StallmarkError ? error.problems : String(error) },
      'attempt broken off',
    );
    throw error;
  } finally {
    if (performed === undefined) await scorer.abandon(); // also when the watcher walked away
  }
  const ended = parts.clock.now();
  const closed = await scorer.close();
  return issue({ ...given, performed, closed, started, ended, folder: temporary, log });
}

function logProgress(progress: Progress, log: Logger): void {
  switch (progress.kind) {
    case 'stage':
      log.info({ stage: progress.stage.id }, 'stage begins');
      return;
    case 'power':
      log.info({ energized: progress.on }, 'power');
      return;
    case 'scored': {
      const { stage, scores, gates } = progress.outcome;
      const broken = gates.filter((g) => !g.holds).map((g) => `${g.name}: ${g.evidence}`);
      const values = scores.map((s) => [
        s.characteristic,
        s.outcome.kind === 'measured' ? s.outcome.value : s.outcome.reason,
      ]);
      log[broken.length > 0 ? 'warn' : 'info'](
        { stage, scores: Object.fromEntries(values), broken },
        'stage scored',
      );
      return;
    }
  }
}

/** Enters how an attempt ended without a record. A second failure must not hide the first. */
function abort(error: unknown, begun: Entry, order: Order, parts: Parts): void {
  const reason = error instanceof Error ? error.message : String(error);
  const ending = { begun, by: order.operator, reason, body: {} };
  try {
    abortAttempt(parts.root, parts.ledger, ending, parts.clock.now());
  } catch (second) {
    throw withSecond(error, second);
  }
}
