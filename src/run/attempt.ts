import { statfsSync } from 'node:fs';
import { join } from 'node:path';
import type { Json } from '../base/canonical.js';
import { isoInstant, type Clock } from '../base/clock.js';
import { StallmarkError, throwIfAny, type Problem } from '../base/error.js';
import type { Bench, Environment, Identity } from '../bench/bench.js';
import {
  issuePermit,
  type Acknowledgement,
  type EnergizePermit,
  type Task,
} from '../bench/permit.js';
import type { Certificate } from '../certificate/certificate.js';
import type { Seal } from '../certificate/keys.js';
import { beginAttempt, numberOf } from '../ledger/numbering.js';
import { abortAttempt, holdRecords, openAttempt, recover } from '../ledger/store.js';
import type { Entry, Ledger } from '../ledger/ledger.js';
import type { Warning } from '../procedure/procedure.js';
import {
  readinessChecks,
  readinessProblems,
  type Check,
  type Situation,
} from '../readiness/readiness.js';
import { nextAttempt, retestProblems } from '../readiness/retest.js';
import type { Chosen } from './documents.js';
import { openLog, type Logger } from './log.js';
import { issue, type Issued } from './issue.js';
import { SOFTWARE } from './software.js';
import { perform, type Performed, type Progress } from './runner.js';
import type { Scorer } from './scorer.js';
import type { ScorerSetup } from './open-scorer.js';

/** What a person asks for: this item, on this bench, now. */
export interface Order {
  readonly serial: string;
  readonly operator: string;
  readonly documents: Chosen;
  /** Shows one warning to a person and returns the reply; throws when there is none. */
  readonly acknowledge: (warning: Warning, task: Task) => Promise<Acknowledgement>;
  /** Aborted when the operator stops. */
  readonly stop: AbortSignal;
}

/** What one attempt works with; `assemble` puts it together. */
export interface Parts {
  readonly bench: (attempt: number) => Bench;
  readonly ledger: Ledger;
  /** Folder of the records. */
  readonly root: string;
  /** For simulated benches the simulation's, for real ones the bench's; never the other. */
  readonly seal: Seal<'bench'> | Seal<'simulation'>;
  readonly clock: Clock;
  readonly scorer: (setup: ScorerSetup) => Scorer | Promise<Scorer>;
  /** Called with each line of the structured log as text. */
  readonly watch?: (line: string) => void;
}

export type AttemptProgress =
  | Progress
  | { readonly kind: 'recovered'; readonly sentences: readonly string[] }
  | { readonly kind: 'ready'; readonly checks: readonly Check[] }
  | {
      readonly kind: 'permitted';
      readonly acknowledgements: readonly Acknowledgement[];
      readonly attempt: number;
      readonly number: string;
    }
  | { readonly kind: 'decided'; readonly certificate: Certificate };

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
    const { procedure } = order.documents;
    const history = ledger.of(order.serial);
    throwIfAny(retestProblems(history, procedure.attempts));
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

/** On a real bench a command line cannot stand in for a person. */
function isByPerson({ means }: Acknowledgement): boolean {
  return means !== 'command-line option, simulated bench';
}

/** What is known before power. */
export interface Brief {
  readonly task: Task;
  readonly identity: Identity;
  readonly environment: Environment;
  readonly acknowledgements: readonly Acknowledgement[];
}

async function* attemptOn(
  bench: Bench,
  order: Order,
  parts: Parts,
): AsyncGenerator<AttemptProgress, Issued> {
  const { procedure } = order.documents;
  const attempt = nextAttempt(parts.ledger.of(order.serial));
  const task = {
    bench: bench.id,
    serial: order.serial,
    attempt,
    procedureDigest: procedure.digest,
  };
  const identity = await bench.identify();
  throwIfAny(identityProblems(identity, order));
  const situation = await situationOf(bench, order, parts);
  const checks = readinessChecks(situation);
  yield { kind: 'ready', checks };
  throwIfAny(readinessProblems(checks));
  const acknowledgements: Acknowledgement[] = [];
  for (const warning of procedure.warnings) {
    acknowledgements.push(await order.acknowledge(warning, task));
  }
  const answers = bench.simulated ? acknowledgements : acknowledgements.filter(isByPerson);
  const permit = permitFor(task, order, answers, parts.clock.now());
  const begun = begin(
    { task, identity, environment: situation.environment, acknowledgements },
    order,
    parts,
  );
  yield { kind: 'permitted', acknowledgements, attempt, number: numberOf(begun) };
  const brief = { task, identity, environment: situation.environment, acknowledgements };
  try {
    return yield* begunAttempt({ bench, order, parts, brief, begun, permit });
  } catch (error) {
    abort(error, begun, order, parts);
    throw error;
  }
}

/** An attempt that counts: begun in the ledger, with a live permit. */
export interface Begun {
  readonly bench: Bench;
  readonly order: Order;
  readonly parts: Parts;
  readonly brief: Brief;
  readonly begun: Entry;
  readonly permit: EnergizePermit;
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
    file: join(temporary, 'capture.parquet'),
    metadata: captureMetadata(given),
  });
  const confirmReady = async (): Promise<void> => {
    throwIfAny(readinessProblems(readinessChecks(await situationOf(bench, order, parts))));
  };
  let performed: Performed;
  try {
    const work = {
      task: brief.task,
      procedure,
      bench,
      scorer,
      clock: parts.clock,
      permit,
      confirmReady,
      stop: order.stop,
    };
    performed = yield* logged(perform(work), log);
  } catch (error) {
    log.error(
      { error: error instanceof StallmarkError ? error.problems : String(error) },
      'attempt broken off',
    );
    await scorer.abandon();
    throw error;
  }
  const ended = parts.clock.now();
  const closed = await scorer.close();
  const issued = await issue({
    ...given,
    performed,
    closed,
    started,
    ended,
    folder: temporary,
    log,
  });
  yield { kind: 'decided', certificate: issued.certificate };
  return issued;
}

async function* logged(
  progress: AsyncGenerator<Progress, Performed>,
  log: Logger,
): AsyncGenerator<Progress, Performed> {
  for (;;) {
    const next = await progress.next();
    if (next.done === true) return next.value;
    logProgress(next.value, log);
    yield next.value;
  }
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
    if (error instanceof StallmarkError && second instanceof StallmarkError) {
      throw new StallmarkError([...error.problems, ...second.problems], { cause: error });
    }
    throw new AggregateError([error, second], 'the attempt failed, and so did entering that');
  }
}

async function situationOf(bench: Bench, order: Order, parts: Parts): Promise<Situation> {
  const { procedure, station } = order.documents;
  const disk = statfsSync(parts.root);
  return {
    procedure,
    station,
    ratings: bench.ratings,
    interlocks: await bench.interlocks(),
    environment: await bench.environment(),
    last: parts.ledger.last(),
    freeBytes: disk.bavail * disk.bsize,
    now: parts.clock.now(),
    sealUntil: parts.seal.until,
  };
}

function identityProblems(identity: Identity, order: Order): readonly Problem[] {
  const { model } = order.documents.procedure;
  const problems: Problem[] = [];
  if (identity.model !== model.code || identity.serial !== order.serial) {
    const what = `The device in the nest says ${identity.model} ${identity.serial}, but ${order.serial} was scanned.`;
    problems.push({ code: 'bench/wrong-item', what, fix: 'Scan the item that lies in the nest.' });
  }
  if (!model.firmware.includes(identity.firmware)) {
    const what = `The device runs firmware ${identity.firmware}; allowed: ${model.firmware.join(', ')}.`;
    problems.push({
      code: 'bench/wrong-item',
      what,
      fix: 'Load released firmware, then test again.',
    });
  }
  return problems;
}

function permitFor(
  task: Task,
  order: Order,
  acknowledgements: readonly Acknowledgement[],
  now: number,
): EnergizePermit {
  const hazards = order.documents.procedure.warnings.map((w) => w.hazard);
  const permit = issuePermit(task, hazards, acknowledgements, now);
  if (!('outstanding' in permit)) return permit;
  const what = `Nobody acknowledged: ${permit.outstanding.join(', ')}.`;
  const fix = 'Read each warning and acknowledge it; the bench stays off until then.';
  throw new StallmarkError([{ code: 'bench/outstanding-warnings', what, fix }]);
}

/** Enters that the attempt begins, before power, so that no crash can make it uncounted. */
function begin(brief: Brief, order: Order, parts: Parts): Entry {
  const { procedure, limits, station } = order.documents;
  const letters = station.id.replaceAll('-', '');
  const beginning = {
    serial: order.serial,
    attempt: brief.task.attempt,
    by: order.operator,
    prefix: parts.seal.purpose === 'simulation' ? `SIM-${letters}` : letters,
    body: {
      bench: station.id,
      simulated: parts.seal.purpose === 'simulation',
      procedure: procedure.digest,
      limits: limits.digest,
      benchDescription: station.digest,
      software: SOFTWARE.version,
      acknowledgements: brief.acknowledgements.map((a): Json => ({ ...a, at: isoInstant(a.at) })),
    },
  };
  return beginAttempt(parts.ledger, beginning, parts.clock.now());
}

function captureMetadata({ order, brief, begun, parts }: Begun): Readonly<Record<string, string>> {
  const { procedure, limits, station } = order.documents;
  return {
    record: numberOf(begun),
    serial: order.serial,
    attempt: String(brief.task.attempt),
    bench: station.id,
    procedure: procedure.digest,
    limits: limits.digest,
    benchDescription: station.digest,
    software: SOFTWARE.version,
    ...(parts.seal.purpose === 'simulation' ? { mark: 'SIMULATED – NOT A PRODUCT RECORD' } : {}),
  };
}
