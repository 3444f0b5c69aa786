import { isNonEmpty } from '../../src/base/numbers.js';
import { throwIfAny } from '../../src/base/error.js';
import type { Bench, Environment } from '../../src/bench/bench.js';
import type { Capture } from '../../src/capture/capture.js';
import type { FaultName } from '../../src/bench/fault.js';
import { issuePermit, type Acknowledgement } from '../../src/bench/permit.js';
import { simulatedBench } from '../../src/bench/simulated.js';
import type { Decision } from '../../src/decision/decision.js';
import { decideAll } from '../../src/decision/verdict.js';
import type { Limits } from '../../src/procedure/limits.js';
import type { Procedure } from '../../src/procedure/procedure.js';
import type { Station } from '../../src/procedure/station.js';
import { readinessChecks, readinessProblems, type Check } from '../../src/readiness/readiness.js';
import { prepare } from '../../src/run/documents.js';
import { stageJudge } from '../../src/run/open-scorer.js';
import { perform, type Performed } from '../../src/run/runner.js';
import type { Scorer } from '../../src/run/scorer.js';
import { characteristic } from '../../src/scoring/catalogue.js';
import { environmentGates, type Surroundings } from '../../src/scoring/gates-environment.js';
import { handClock } from './clock.js';
import { NOTHING_ENTERED } from './empty-ledger.js';

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
  /** Holds the bench to readiness as an attempt does, and judges the surroundings at the end. */
  readonly ready?: true;
  /** Told of each capture before it is scored. */
  readonly keep?: (capture: Capture) => void;
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
  const confirmReady = async (): Promise<void> => {
    if (item.ready === true) throwIfAny(readinessProblems(await checksOf(bench, documents)));
  };
  await confirmReady();
  const before = await bench.environment();
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
    scorer: scorerInMemory(documents, before.ambient, item.keep),
    clock,
    permit,
    confirmReady,
    arrange:
      item.arrange ??
      ((instruction) => Promise.reject(new Error(`nobody answers: ${instruction}`))),
    stop: new AbortController().signal,
    note: () => undefined,
  });
  for (;;) {
    const next = await run.next();
    if (next.done === true) {
      return item.ready === true ? withSurroundings(next.value, before, procedure) : next.value;
    }
  }
}

/** What an attempt would be refused for, but for what lies in its folder. */
async function checksOf(bench: Bench, documents: RunDocuments): Promise<readonly Check[]> {
  const environment = await bench.environment();
  const { procedure, station } = documents;
  return readinessChecks({
    ...{ procedure, station, environment, ratings: bench.ratings },
    interlocks: await bench.interlocks(),
    ...{ last: undefined, freeBytes: 1e12, recordBytes: 1e6 },
    ...{ now: clock.now(), sealUntil: clock.now() + 1e10 },
    ...NOTHING_ENTERED,
  });
}

/** Adds the gates on the surroundings as an outcome of the run. */
function withSurroundings(
  performed: Performed,
  before: Environment,
  procedure: Procedure,
): Performed {
  const of = (name: 'ambient' | 'supply'): Surroundings => ({
    before: before[name],
    after: performed.environment[name],
    band: procedure[name],
  });
  const { humidity: band } = procedure;
  const humidity =
    band === undefined
      ? undefined
      : { before: before.humidity, after: performed.environment.humidity, band };
  const gates = environmentGates(of('ambient'), of('supply'), humidity);
  const outcome = { stage: 'run', scores: [], gates, stops: false };
  return { ...performed, outcomes: [...performed.outcomes, outcome] };
}

function scorerInMemory(
  documents: RunDocuments,
  ambient: number,
  keep: SimulatedItemRun['keep'] = () => undefined,
): Scorer {
  const judge = stageJudge({ ...documents, ambient });
  return {
    score: (capture) => {
      keep(capture);
      return Promise.resolve(judge.judge(capture));
    },
    close: () => Promise.resolve({ captureDigest: '', torqueConstant: judge.torqueConstant }),
    abandon: () => Promise.resolve(),
  };
}

/** Decides as a run does. */
export function decisionOn(
  { limits, station }: RunDocuments,
  performed: Pick<Performed, 'outcomes'> & Partial<Pick<Performed, 'itemFault'>>,
): Decision {
  const { itemFault } = performed;
  return decideAll({
    ...(itemFault === undefined ? {} : { itemFault }),
    limits,
    scores: performed.outcomes.flatMap((outcome) => outcome.scores),
    gates: performed.outcomes.flatMap((outcome) => outcome.gates),
    uncertainty: (_, id) => station.uncertainty.get(id),
    sideOf: (id) => characteristic(id)?.side ?? 'link',
    gatesOf: (id) => characteristic(id)?.gates ?? [],
  });
}
