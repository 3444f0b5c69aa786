import { join } from 'node:path';
import { StallmarkError, throwIfAny, withSecond } from '../base/error.js';
import type { Bench } from '../bench/bench.js';
import type { Acknowledgement, EnergizePermit } from '../bench/permit.js';
import type { Entry } from '../ledger/ledger.js';
import { numberOf } from '../ledger/numbering.js';
import { abortAttempt, holdRecords, openAttempt, recover } from '../ledger/store.js';
import type { Procedure } from '../procedure/procedure.js';
import { referenceProblems } from '../readiness/reference.js';
import { allowance, attemptProblems, nextAttempt, type Attempting } from '../readiness/retest.js';
import { begin, captureMetadata, type Order, type Origin, type Parts } from './brief.js';
import type { Chosen } from './documents.js';
import { issue, type Issued } from './issue.js';
import { openLog, type Logger } from './log.js';
import { partOf, type PartialRetest } from './partial-retest.js';
import { confirmReady, makeReady, type ReadyProgress } from './ready.js';
import { enterRefusal, refusing } from './refused.js';
import { confirmSame, retestOf } from './retest-order.js';
import { withSample } from './sampling.js';
import { perform, type Performed, type Progress } from './runner.js';

export type AttemptProgress =
  | Progress
  | { readonly kind: 'recovered'; readonly sentences: readonly string[] }
  | ReadyProgress
  | {
      /** What will be played, under which documents. */
      readonly kind: 'chosen';
      readonly documents: Chosen;
      readonly attempt: number;
      readonly attemptsAllowed: number;
    }
  | { readonly kind: 'sample'; readonly words: string }
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
  asked: Order,
  parts: Parts,
): AsyncGenerator<AttemptProgress, Issued> {
  const { ledger, root, clock } = parts;
  const sentences = recover(root, ledger, clock.now());
  if (sentences.length > 0) yield { kind: 'recovered', sentences };
  const hold = holdRecords(root);
  try {
    const history = ledger.of(asked.serial);
    admit(asked, parts);
    const order = withSample(asked, parts);
    const words = order.sample?.words;
    if (words !== undefined) yield { kind: 'sample', words };
    // Picked by now: whatever stands against the extended procedure leaves the sample owed.
    if (order.documents !== asked.documents) admit(order, parts);
    const retest = await refusing(order, parts, () => retestOf(order, parts));
    const bench = await parts.bench(nextAttempt(history));
    try {
      return yield* attemptOn(bench, order, parts, retest);
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
    ...(procedure.retest === undefined ? {} : { retest: procedure.retest }),
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
  retest: PartialRetest | undefined,
): AsyncGenerator<AttemptProgress, Issued> {
  await refusing(order, parts, () => confirmSame(bench, order, retest));
  const history = parts.ledger.of(order.serial);
  const { attempt, of: attemptsAllowed } = allowance(history, order.documents.procedure.attempts);
  const documents = { ...order.documents, procedure: playedBy(order, retest) };
  yield { kind: 'chosen', documents, attempt, attemptsAllowed };
  const { brief, permit } = yield* makeReady(bench, order, parts, attempt);
  const begun = begin(brief, order, parts, retest);
  let isEnded = false;
  try {
    const { acknowledgements } = brief;
    yield { kind: 'permitted', acknowledgements, attempt, number: numberOf(begun) };
    const issued = yield* begunAttempt({
      ...{ bench, order, parts, brief, begun, permit },
      attemptsAllowed,
      ...(retest === undefined ? {} : { retest }),
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
  /** Given when the item was released for a retest of some stages only. */
  readonly retest?: PartialRetest;
}

async function* begunAttempt(given: Begun): AsyncGenerator<AttemptProgress, Issued> {
  const { bench, order, parts, brief, begun, permit, retest } = given;
  const { procedure, station } = order.documents;
  const { temporary } = openAttempt(parts.root, begun);
  const log = openLog(join(temporary, 'log.jsonl'), parts.watch);
  log.info(
    {
      serial: order.serial,
      attempt: brief.task.attempt,
      number: numberOf(begun),
      operator: order.operator,
      ...(retest === undefined ? {} : { stages: retest.played, carriedFrom: retest.record }),
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
      procedure: playedBy(order, retest),
      bench,
      scorer,
      clock: parts.clock,
      permit,
      confirmReady: () => confirmReady(bench, order, parts, brief.readyAt),
      arrange: order.arrange,
      ...(order.announce === undefined ? {} : { announce: order.announce }),
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

/** The stages of the procedure that this attempt plays. */
function playedBy({ documents }: Order, retest: PartialRetest | undefined): Procedure {
  const { procedure } = documents;
  return retest === undefined ? procedure : partOf(procedure, retest.played);
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
