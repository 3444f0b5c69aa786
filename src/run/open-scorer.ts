import { CaptureFile } from '../capture/parquet.js';
import { screen } from '../capture/screen.js';
import type { Procedure } from '../procedure/procedure.js';
import type { Station } from '../procedure/station.js';
import { gateRule } from '../scoring/catalogue.js';
import { startContext } from '../scoring/context.js';
import { scoreStage } from '../scoring/stage.js';
import type { Scorer, StageOutcome } from './scorer.js';

/** What a scorer must know before the first capture. Survives being posted to a thread. */
export interface ScorerSetup {
  readonly procedure: Procedure;
  readonly station: Station;
  /** Path of the capture file. */
  readonly file: string;
  /** What the capture file says of itself. */
  readonly metadata: Readonly<Record<string, string>>;
}

/**
 * Opens a scorer in this thread: stores each capture, screens it, scores what is fit, and hands what
 * a stage told to the next.
 *
 * @throws storage/unwritable, storage/full.
 */
export async function openScorer(setup: ScorerSetup): Promise<Scorer> {
  const { procedure, station } = setup;
  const file = await CaptureFile.create(setup.file, setup.metadata);
  const stages = new Map(procedure.stages.map((stage) => [stage.id, stage]));
  let context = startContext(procedure, station);
  return {
    async score(capture) {
      const stage = stages.get(capture.stage);
      if (stage === undefined) throw new Error(`no stage "${capture.stage}" in the procedure`);
      const stored = file.append(capture);
      const { torqueRange, currentRange } = station;
      const screening = screen(capture, { torqueRange, currentRange, updates: stage.updates });
      let outcome: StageOutcome;
      if (screening.fit) {
        const scored = scoreStage(screening.capture, stage, context);
        context = scored.context;
        const gates = [...screening.gates, ...scored.gates];
        const stops = stage.gates.some(
          (request, i) =>
            gateRule(request.gate)?.stops === true && scored.gates[i]?.holds === false,
        );
        outcome = { stage: stage.id, scores: scored.scores, gates, stops };
      } else {
        // Without its gates nothing says that more torque is safe to apply.
        const stops = stage.gates.some((request) => gateRule(request.gate)?.stops === true);
        outcome = { stage: stage.id, scores: [], gates: screening.gates, stops };
      }
      await stored;
      return outcome;
    },
    async close() {
      const { sha256 } = await file.close();
      return { captureDigest: sha256, torqueConstant: context.torqueConstant };
    },
    async abandon() {
      await file.close();
    },
  };
}
