import type { Problem } from '../base/error.js';
import { throwIfAny } from '../base/error.js';
import { isNote } from '../base/report.js';
import { boundsOf, copperLoss } from '../pattern/bounds.js';
import { takesOf } from '../pattern/shapes.js';
import type { Bounds } from '../pattern/waveform.js';
import type { Limit, Limits } from '../procedure/limits.js';
import type { Procedure, Stage } from '../procedure/procedure.js';
import type { Station } from '../procedure/station.js';
import type { Characteristic, GateRule } from '../scoring/scoring.js';
import { checkLimitRows, checkUnusedStages } from './plan-limits.js';
import { checkTiming } from './plan-links.js';
import { checkStage } from './plan-stages.js';

/** What can be scored and judged. */
export interface Catalogue {
  readonly characteristics: readonly Characteristic[];
  readonly gates: readonly GateRule[];
}

/** The documents of one attempt. */
export interface Documents {
  readonly procedure: Procedure;
  readonly limits: Limits;
  readonly station: Station;
}

/** One stage with what it asks of the item and which limits wait for it. */
export interface PlannedStage {
  readonly stage: Stage;
  readonly bounds: Bounds;
  /** Time of all takes, s. */
  readonly duration: number;
  readonly limits: readonly Limit[];
}

/** What a run will do, known to fit together. */
export interface Plan extends Documents {
  readonly stages: readonly PlannedStage[];
  /** Time of all takes, s; handling comes on top. */
  readonly duration: number;
  /** Mean copper loss over that time, W. */
  readonly meanLoss: number;
  readonly notes: readonly Problem[];
}

/** Range of the transducer over the ceiling: less clips, more drowns the reading in its noise. */
const RANGE_OVER_CEILING = { least: 1.2, most: 10 } as const;

/**
 * Checks that procedure, limits, bench and catalogue belong together and that every waveform stays
 * within its ceiling, slew and heating. Notes are among the problems; see `isNote`.
 */
export function checkPlan(documents: Documents, catalogue: Catalogue): readonly Problem[] {
  const { procedure, limits } = documents;
  return [
    ...checkBelonging(procedure, limits),
    ...checkStages(documents, catalogue),
    ...checkLimitRows(documents, catalogue.characteristics),
    ...checkUnusedStages(procedure, limits),
    ...checkTiming(documents, catalogue.characteristics),
  ];
}

/** Documents as far as power goes: a measurement of the stand has no limits. */
export type Played = Omit<Documents, 'limits'> & { readonly limits?: Limits };

/** Checks all that a procedure asks of item and bench, whatever its values are held against. */
export function checkStages(documents: Played, catalogue: Catalogue): readonly Problem[] {
  const { procedure, station } = documents;
  return [
    ...checkRanges(procedure, station),
    ...procedure.stages.flatMap((stage) => checkStage(stage, documents, catalogue)),
    ...checkHeating(procedure),
    ...checkOneSpell(procedure),
  ];
}

/**
 * Plans a run.
 *
 * @throws every problem of `checkPlan` that is no note.
 */
export function planOf(documents: Documents, catalogue: Catalogue): Plan {
  const problems = checkPlan(documents, catalogue);
  throwIfAny(problems.filter((problem) => !isNote(problem)));
  const { procedure, limits } = documents;
  const stages = procedure.stages.map((stage) => ({
    ...boundsWithTime(stage),
    stage,
    limits: limits.rows.filter((row) => row.stage === stage.id),
  }));
  return {
    ...documents,
    stages,
    duration: stages.reduce((sum, { duration }) => sum + duration, 0),
    meanLoss: meanLossOf(procedure),
    notes: problems.filter(isNote),
  };
}

function boundsWithTime(stage: Stage): { readonly bounds: Bounds; readonly duration: number } {
  const bounds = boundsOf(stage.pattern, stage.updates);
  return { bounds, duration: bounds.duration * takesOf(stage) };
}

function checkBelonging(procedure: Procedure, limits: Limits): readonly Problem[] {
  if (limits.procedure === procedure.id && limits.procedureIssue === procedure.issue) return [];
  const wanted = `${limits.procedure} issue ${limits.procedureIssue}`;
  const what = `Limits ${limits.id} belong to procedure ${wanted}, not to ${procedure.id} issue ${procedure.issue}.`;
  const where = { file: limits.file, line: 1, column: 1, length: 0 };
  const fix = 'Choose the limits of this procedure, or review them for it and name it in them.';
  return [{ code: 'document/mismatch', where, what, fix }];
}

function checkRanges(procedure: Procedure, station: Station): readonly Problem[] {
  const { least, most } = RANGE_OVER_CEILING;
  const where = { file: station.file, line: 1, column: 1, length: 0 };
  const problems: Problem[] = [];
  const share = station.torqueRange / procedure.ceiling;
  if (share < least || share > most) {
    const what = `The torque range ${station.torqueRange} N·m of ${station.id} is ${share.toPrecision(3)} times the ceiling of ${procedure.ceiling} N·m, but must be ${least} … ${most} times.`;
    const fix = 'Use a bench with a transducer of another range.';
    problems.push({ code: 'document/mismatch', where, what, fix });
  }
  const current = procedure.ceiling / procedure.model.torqueConstant;
  if (station.currentRange < least * current) {
    const what = `The current range ${station.currentRange} A of ${station.id} is less than ${least} times the ${current.toPrecision(3)} A at the ceiling.`;
    const fix = 'Use a bench with a current sensor of a wider range.';
    problems.push({ code: 'document/mismatch', where, what, fix });
  }
  return problems;
}

/** A permit energizes once, so the stages with power stand together. */
function checkOneSpell({ stages }: Procedure): readonly Problem[] {
  const first = stages.findIndex((stage) => stage.power === 'on');
  const gap = first < 0 ? -1 : stages.findIndex((stage, i) => i > first && stage.power === 'off');
  if (gap < 0) return [];
  return stages.slice(gap).flatMap((stage) => {
    if (stage.power === 'off') return [];
    const what = `Stage "${stage.id}" asks for power after "${stages[gap]?.id ?? ''}" took it away, but a run is energized once.`;
    const fix = 'Move the stages with power together.';
    return [{ code: 'document/value', where: stage.where, what, fix } as const];
  });
}

function meanLossOf({ model, stages }: Procedure): number {
  let energy = 0;
  let time = 0;
  for (const stage of stages) {
    const { bounds, duration } = boundsWithTime(stage);
    energy += copperLoss(bounds.rms, model) * duration;
    time += duration;
  }
  return energy / time;
}

function checkHeating(procedure: Procedure): readonly Problem[] {
  const loss = meanLossOf(procedure);
  const allowed = procedure.model.continuousLoss;
  if (loss <= allowed) return [];
  const what = `The stages heat the winding with ${loss.toPrecision(3)} W on average, but the model may take ${allowed} W.`;
  const where = { file: procedure.file, line: 1, column: 1, length: 0 };
  const fix = 'Lower the torque of the longest stages, or let the item rest between them.';
  return [{ code: 'procedure/energy', where, what, fix }];
}
