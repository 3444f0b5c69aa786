import { isNonEmpty } from '../base/numbers.js';
import type { Capture } from '../capture/capture.js';
import type { Gate } from '../capture/gate.js';
import { CaptureFile } from '../capture/parquet.js';
import { screen } from '../capture/screen.js';
import type { Procedure } from '../procedure/procedure.js';
import type { Station } from '../procedure/station.js';
import { gateRule } from '../scoring/catalogue.js';
import { startContext } from '../scoring/context.js';
import { averaged, repeatsOf, worstGates } from '../scoring/repeats.js';
import type { Context, Score } from '../scoring/scoring.js';
import { scoreStage } from '../scoring/stage.js';
import type { Scorer, StageOutcome } from './scorer.js';

/** What a scorer must know before the first capture. Survives being posted to a thread. */
export interface ScorerSetup {
  readonly procedure: Procedure;
  readonly station: Station;
  /** Ambient temperature at the start, °C. */
  readonly ambient?: number;
  /** Path of the capture file. */
  readonly file: string;
  /** What the capture file says of itself. */
  readonly metadata: Readonly<Record<string, string>>;
}

/** Judges captures in the order of their stages; each stage hands on what it told to the next. */
export interface StageJudge {
  judge(capture: Capture): StageOutcome;
  readonly torqueConstant: Context['torqueConstant'];
  /** Unloaded zero, N·m; undefined before it was read. */
  readonly zero: number | undefined;
}

/** Makes the judge of one run: screens each capture and scores what is fit. Stores nothing. */
export function stageJudge({
  procedure,
  station,
  ambient,
}: Pick<ScorerSetup, 'procedure' | 'station' | 'ambient'>): StageJudge {
  const stages = new Map(procedure.stages.map((stage) => [stage.id, stage]));
  let context = startContext(procedure, station, ambient);
  return {
    judge(capture) {
      const stage = stages.get(capture.stage);
      if (stage === undefined) throw new Error(`no stage "${capture.stage}" in the procedure`);
      const { torqueRange, currentRange } = station;
      const limits = {
        ...{ torqueRange, currentRange, updates: stage.updates },
        ...(stage.power === 'off' ? { idleSupply: procedure.supply } : {}),
      };
      const scores: (readonly Score[])[] = [];
      const gates: (readonly Gate[])[] = [];
      for (const time of repeatsOf(capture, stage)) {
        const screening = screen(time, limits);
        if (!screening.fit) {
          // Without its gates nothing says that more torque is safe to apply.
          const stops = stage.gates.some((request) => gateRule(request.gate)?.stops === true);
          return { stage: stage.id, scores: [], gates: screening.gates, stops };
        }
        const scored = scoreStage(screening.capture, stage, context);
        context = scored.context;
        scores.push(scored.scores);
        gates.push([...screening.gates, ...scored.gates]);
      }
      if (!isNonEmpty(scores)) throw new Error(`stage "${stage.id}" was played no time`);
      const worst = worstGates(gates);
      const stops = worst.some((gate) => !gate.holds && gateRule(gate.id)?.stops === true);
      return { stage: stage.id, scores: averaged(scores), gates: worst, stops };
    },
    get torqueConstant() {
      return context.torqueConstant;
    },
    get zero() {
      return context.zero === 0 ? undefined : context.zero;
    },
  };
}

/**
 * Opens a scorer in this thread: stores each capture, screens it, scores what is fit, and hands what
 * a stage told to the next.
 *
 * @throws storage/unwritable, storage/full.
 */
export async function openScorer(setup: ScorerSetup): Promise<Scorer> {
  const file = await CaptureFile.create(setup.file, setup.metadata);
  const judge = stageJudge(setup);
  return {
    async score(capture) {
      const stored = file.append(capture);
      const outcome = judge.judge(capture);
      await stored;
      return outcome;
    },
    async close() {
      const { sha256 } = await file.close();
      const { torqueConstant, zero } = judge;
      return { captureDigest: sha256, torqueConstant, ...(zero === undefined ? {} : { zero }) };
    },
    async abandon() {
      await file.abandon();
    },
  };
}
