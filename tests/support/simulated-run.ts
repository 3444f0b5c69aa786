import { isNonEmpty } from '../../src/base/numbers.js';
import type { Bench } from '../../src/bench/bench.js';
import type { FaultName } from '../../src/bench/fault.js';
import { issuePermit, type Acknowledgement } from '../../src/bench/permit.js';
import { simulatedBench } from '../../src/bench/simulated.js';
import type { Decision } from '../../src/decision/decision.js';
import { decideAll } from '../../src/decision/verdict.js';
import type { Limits } from '../../src/procedure/limits.js';
import type { Procedure } from '../../src/procedure/procedure.js';
import type { Station } from '../../src/procedure/station.js';
import { prepare } from '../../src/run/documents.js';
import { stageJudge } from '../../src/run/open-scorer.js';
import { perform, type Performed } from '../../src/run/runner.js';
import type { Scorer } from '../../src/run/scorer.js';
import { characteristic } from '../../src/scoring/catalogue.js';
import { handClock } from './clock.js';

export interface RunDocuments {
  readonly procedure: Procedure;
  readonly limits: Limits;
  readonly station: Station;
}

/** The shipped documents of the H12, checked as for a run. */
export function shippedDocuments(): RunDocuments {
  return prepare({ serial: 'H12-26-00000' });
}

/** The same documents with some stages only; what is left keeps its order and its wording. */
export function withStages(documents: RunDocuments, stages: readonly string[]): RunDocuments {
  const { procedure, limits } = documents;
  const kept = procedure.stages.filter((stage) => stages.includes(stage.id));
  const rows = limits.rows.filter((row) => stages.includes(row.stage));
  if (!isNonEmpty(kept) || !isNonEmpty(rows)) throw new Error('no stage or no limit is left');
  return { ...documents, procedure: { ...procedure, stages: kept }, limits: { ...limits, rows } };
}

export interface SimulatedItemRun {
  readonly serial: string;
  readonly attempt?: number;
  readonly faults?: readonly FaultName[];
  /** Changes the bench before the run, e.g. what it can do. */
  readonly alter?: (bench: Bench) => Bench;
  /** Answers when the stand is to be arranged by hand; nobody is there if left out. */
  readonly arrange?: (instruction: string) => Promise<void>;
}

const hand = handClock();
/** Whoever waits moves the clock on: a device that hangs must not hang the test. */
const clock = { ...hand, wait: (ms: number): Promise<void> => hand.advance(ms) };

/**
 * Runs an item on the simulated bench through the true runner, screening and scoring, without the
 * files, the seal and the ledger that an attempt leaves behind.
 */
export async function runItem(documents: RunDocuments, item: SimulatedItemRun): Promise<Performed> {
  const { procedure, station } = documents;
  const { serial, attempt = 1, faults = [] } = item;
  const simulated = simulatedBench({ station, serial, attempt, faults, clock, pace: 'fast' });
  const bench = item.alter?.(simulated) ?? simulated;
  const task = { bench: bench.id, serial, attempt, procedureDigest: procedure.digest };
  const replies = procedure.warnings.map(({ hazard, issue }): Acknowledgement => ({
    hazard,
    by: 'A. Operator',
    at: clock.now(),
    serial,
    attempt,
    language: 'en',
    textIssue: issue,
    means: 'command-line option, simulated bench',
  }));
  const permit = issuePermit(task, [], replies, clock.now());
  if ('outstanding' in permit) throw new Error('no permit');
  const run = perform({
    task,
    procedure,
    bench,
    scorer: scorerInMemory(documents, (await bench.environment()).ambient),
    clock,
    permit,
    confirmReady: () => Promise.resolve(),
    arrange:
      item.arrange ??
      ((instruction) => Promise.reject(new Error(`nobody answers: ${instruction}`))),
    stop: new AbortController().signal,
    note: () => undefined,
  });
  for (;;) {
    const next = await run.next();
    if (next.done === true) return next.value;
  }
}

function scorerInMemory(documents: RunDocuments, ambient: number): Scorer {
  const judge = stageJudge({ ...documents, ambient });
  return {
    score: (capture) => Promise.resolve(judge.judge(capture)),
    close: () => Promise.resolve({ captureDigest: '', torqueConstant: judge.torqueConstant }),
    abandon: () => Promise.resolve(),
  };
}

/** Decides as a run does. */
export function decisionOn(
  { limits, station }: RunDocuments,
  performed: Pick<Performed, 'outcomes'>,
): Decision {
  return decideAll({
    limits,
    scores: performed.outcomes.flatMap((outcome) => outcome.scores),
    gates: performed.outcomes.flatMap((outcome) => outcome.gates),
    uncertainty: (_, id) => station.uncertainty.get(id),
    sideOf: (id) => characteristic(id)?.side ?? 'link',
    gatesOf: (id) => characteristic(id)?.gates ?? [],
  });
}
