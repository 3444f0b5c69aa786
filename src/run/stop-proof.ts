import type { Json } from '../base/canonical.js';
import { isoInstant } from '../base/clock.js';
import { StallmarkError, type Problem } from '../base/error.js';
import { second } from '../base/units.js';
import type { Capture } from '../capture/capture.js';
import { screen } from '../capture/screen.js';
import { holdRecords } from '../ledger/store.js';
import { durationOf } from '../pattern/shapes.js';
import type { Pattern, Procedure, Stage } from '../procedure/procedure.js';
import {
  stopPolicyOf,
  stopProofBody,
  timeOf,
  type StopProofFound,
  type StopProven,
} from '../readiness/stop-proof.js';
import { notEvaluated, type NotEvaluated } from '../scoring/reading.js';
import { fixtureMean } from '../scoring/steady.js';
import { stopTime, type StopTime } from '../scoring/stop-time.js';
import type { Asking, Brief, Parts } from './brief.js';
import { prepareStand, type Choice } from './documents.js';
import { stageJudge, type StageJudge } from './open-scorer.js';
import { confirmReady, makeReady, type ReadyProgress } from './ready.js';
import { perform, type Performed, type Progress } from './runner.js';
import type { Scorer, StageOutcome } from './scorer.js';

/** A proof of the stop function, asked for by a person. */
export type StopOrder = Asking & {
  /** Tells the person to press the emergency stop now; the torque is about to be applied. */
  readonly press: () => void;
};

/** Entries that are no attempt at accepting an item. */
const NO_ATTEMPT = 0;
/** s: least time in which a person can be expected to press. */
const TO_PRESS = 5;

/** The stage in which the emergency stop is pressed. */
interface PressStage {
  readonly stage: Stage;
  readonly pattern: Extract<Pattern, { kind: 'hold' }>;
}

/** The last stage with power, where it holds a torque that can be taken away. */
function pressStageOf({ stages }: Procedure): PressStage | undefined {
  const stage = stages.findLast(({ power }) => power === 'on');
  if (stage === undefined || stage.pattern.kind !== 'hold') return undefined;
  const { pattern, takes, repeats } = stage;
  const isOnce = takes.length === 1 && (repeats ?? 1) === 1;
  const isLong = durationOf(pattern) >= TO_PRESS;
  return pattern.level !== 0 && isOnce && isLong ? { stage, pattern } : undefined;
}

/**
 * Chooses procedure and bench for a proof of the stop function with the item of this serial in the nest.
 *
 * @throws as `prepareStand`; document/mismatch for a procedure of another purpose, or one without a hold
 * in which the stop can be pressed.
 */
export function prepareStop(choice: Choice): Asking['documents'] {
  const documents = prepareStand({ ...choice, purpose: 'stop' });
  const { procedure } = documents;
  const refuse = (what: string, fix: string): StallmarkError => {
    const where = { file: procedure.file, line: 1, column: 1, length: 0 };
    return new StallmarkError([{ code: 'document/mismatch', where, what, fix }]);
  };
  if (procedure.purpose !== 'stop') {
    const what = `The procedure "${procedure.id}" is for purpose "${procedure.purpose}", but the stop function is proven by one of purpose "stop".`;
    throw refuse(what, 'Name such a procedure, or none: the serial leads to it.');
  }
  if (pressStageOf(procedure) === undefined) {
    const what = `The last stage with power of "${procedure.id}" is no single hold of a torque for ${TO_PRESS} s or more.`;
    throw refuse(what, 'Write such a stage: in it the emergency stop is pressed.');
  }
  return documents;
}

/**
 * Proves the stop function: through the same warnings, permit and runner as any use of power, torque
 * is applied, a person presses the emergency stop, and the time until the torque is gone is read from
 * the samples. For twice the limit after the press this program lets the safety controller alone do
 * its work; then it cuts the power itself.
 *
 * @returns What was found, as it was entered; a stop that was too slow locks the bench.
 * @throws StallmarkError with every reason; the bench is safe then. readiness/not-ready also when
 * nobody pressed or nothing could be read: that is no proof, and the last one stays the last.
 */
export async function* proveStop(
  order: StopOrder,
  parts: Parts,
): AsyncGenerator<ReadyProgress | Progress, StopProven> {
  const hold = holdRecords(parts.root);
  try {
    const bench = await parts.bench(NO_ATTEMPT);
    try {
      const { brief, permit } = yield* makeReady(bench, order, parts, NO_ATTEMPT);
      note('stop proof begun', { acknowledgements: acknowledged(brief) }, order, parts);
      try {
        const { limit } = stopPolicyOf(order.documents.station);
        const scorer = new ProofScorer(order, brief, 2 * limit);
        const { stage } = scorer.press;
        const work = {
          ...{ task: brief.task, procedure: order.documents.procedure, bench, scorer, permit },
          ...{ clock: parts.clock, arrange: order.arrange, stop: order.stop },
          confirmReady: () => confirmReady(bench, order, parts, brief.readyAt),
          note: () => undefined,
          pressing: { stage: stage.id, after: second(2 * limit), ask: order.press },
        };
        const performed = yield* perform(work);
        return enter(concluded(performed, scorer, order, parts), order, parts);
      } catch (error) {
        const reason = error instanceof Error ? error.message : String(error);
        note('stop proof ended without a result', { reason }, order, parts);
        throw error;
      }
    } finally {
      await bench.makeSafe('off');
      await bench.close();
    }
  } finally {
    hold.release();
  }
}

/** Judges the stages before as in any run, and reads the stop itself. Keeps no capture. */
class ProofScorer implements Scorer {
  readonly press: PressStage;
  found: StopTime | NotEvaluated = notEvaluated('The emergency stop was never asked for.');
  private readonly judge: StageJudge;
  private rest: number | undefined;

  /** @param after - s of samples that must follow the press. */
  constructor(
    private readonly order: StopOrder,
    brief: Brief,
    private readonly after: number,
  ) {
    const press = pressStageOf(order.documents.procedure);
    if (press === undefined)
      throw new Error('a procedure without a hold to press in was let through');
    this.press = press;
    this.judge = stageJudge({ ...order.documents, ambient: brief.environment.ambient });
  }

  score(capture: Capture): Promise<StageOutcome> {
    if (capture.stage === this.press.stage.id) return Promise.resolve(this.read(capture));
    const coupled = fixtureMean(capture, 'coupled');
    const isStill = this.order.documents.procedure.stages.some(
      ({ id, power }) => id === capture.stage && power === 'off',
    );
    if (isStill && typeof coupled === 'number') this.rest = coupled;
    return Promise.resolve(this.judge.judge(capture));
  }

  close(): Promise<never> {
    return Promise.reject(new Error('a proof of the stop function keeps no capture'));
  }

  abandon(): Promise<void> {
    return Promise.resolve();
  }

  private read(capture: Capture): StageOutcome {
    const { torqueRange, currentRange } = this.order.documents.station;
    const { stage, pattern } = this.press;
    const expectations = { torqueRange, currentRange, updates: stage.updates, isStopProof: true };
    const screening = screen(capture, expectations);
    const stop = { commanded: pattern.level, after: this.after };
    if (!screening.fit) {
      const broken = screening.gates.filter(({ holds }) => !holds);
      this.found = notEvaluated(broken.map(({ evidence }) => evidence).join(' '));
    } else if (this.rest === undefined) {
      this.found = notEvaluated('No stage before it shows the coupled shaft without power.');
    } else {
      this.found = stopTime(screening.capture, { ...stop, rest: this.rest });
    }
    return { stage: stage.id, scores: [], gates: screening.gates, stops: false };
  }
}

function concluded(
  { outcomes, brokenOff }: Performed,
  { found, press }: ProofScorer,
  { documents, serial }: StopOrder,
  parts: Parts,
): StopProofFound {
  const before = outcomes.filter(({ stage }) => stage !== press.stage.id);
  const broken = before.flatMap(({ gates }) => gates.filter(({ holds }) => !holds));
  const reasons = broken.map((gate) => `gate "${gate.name}": ${gate.evidence}`);
  if (brokenOff !== undefined || reasons.length > 0) throw notProven(reasons);
  if (found.kind !== 'read') throw notProven([found.reason]);
  const { station } = documents;
  const { limit } = stopPolicyOf(station);
  const { time, atLeast, level } = found;
  return {
    ...{ bench: station.id, simulated: parts.seal.purpose === 'simulation', item: serial },
    ...{ time, atLeast, limit, level, ok: !atLeast && time <= limit },
  };
}

function notProven(reasons: readonly string[]): StallmarkError {
  const told = reasons.map((text) => text.replace(/\.$/u, '')).join('; ');
  const problem: Problem = {
    code: 'readiness/not-ready',
    what: `The stop function could not be proven: ${told}.`,
    fix: 'Put this right, then prove it again; the last proof stays the last.',
  };
  return new StallmarkError([problem]);
}

function enter(found: StopProofFound, order: StopOrder, parts: Parts): StopProven {
  const { procedure, station } = order.documents;
  const body = stopProofBody(found, { procedure: procedure.digest, bench: station.digest });
  const entry = parts.ledger.append(
    { kind: 'bench-checked', serial: '', attempt: NO_ATTEMPT, by: order.operator, body },
    parts.clock.now(),
  );
  return { ...found, entry: entry.number, at: entry.at, by: entry.by };
}

/** One sentence on a proof, for people. */
export function stopSentence(found: StopProofFound): string {
  const { level, limit, ok } = found;
  const allowed = `${(1000 * limit).toFixed(0)} ms`;
  const taken = `From the emergency stop to less than 5 % of ${level.toFixed(2)} N·m it took ${timeOf(found)}`;
  return `${ok ? 'HOLDS' : 'DOES NOT HOLD'}: ${taken}, allowed ${allowed}.`;
}

const acknowledged = ({ acknowledgements }: Brief): Json =>
  acknowledgements.map((a): Json => ({ ...a, at: isoInstant(a.at) }));

/** Enters what became of a proof: every use of power is in the ledger, under the item that lay in the nest. */
function note(
  what: string,
  found: { readonly [key: string]: Json },
  { documents, operator, serial }: StopOrder,
  parts: Parts,
): void {
  const simulated = parts.seal.purpose === 'simulation';
  const body = { what, bench: documents.station.id, simulated, ...found };
  const entry = { kind: 'note', serial, attempt: NO_ATTEMPT, body } as const;
  parts.ledger.append({ ...entry, by: operator }, parts.clock.now());
}
