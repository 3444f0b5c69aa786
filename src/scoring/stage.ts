import type { Capture, Screened } from '../capture/capture.js';
import { doubt, gateOf, type Gate } from '../capture/gate.js';
import type { GateRequest, Reading, Stage } from '../procedure/procedure.js';
import { characteristic, gateRule } from './catalogue.js';
import { advanceContext } from './context.js';
import { notEvaluated } from './reading.js';
import type { Context, Score } from './scoring.js';

/** What one stage gave: its gates, its scores and what later stages may use. */
export interface Scored {
  readonly scores: readonly Score[];
  readonly gates: readonly Gate[];
  readonly context: Context;
}

/**
 * Judges the gates a stage asks for, then reads its characteristics, each in the order written.
 *
 * Whether a gate that does not hold voids a score is decided elsewhere: here both are recorded.
 *
 * @param context - What earlier stages of the run told.
 * @returns One score for each reading and one gate for each request; never throws on odd data.
 */
export function scoreStage(capture: Screened<Capture>, stage: Stage, context: Context): Scored {
  const gates = stage.gates.map((request) => judge(request, capture, stage, context));
  const scores = stage.reads.map((reading) => read(reading, capture, stage, context));
  return { scores, gates, context: advanceContext(context, stage, capture, scores) };
}

function judge(
  request: GateRequest,
  capture: Screened<Capture>,
  stage: Stage,
  context: Context,
): Gate {
  const rule = gateRule(request.gate);
  if (rule !== undefined) return rule.judge(capture, stage, request.options, context);
  const identity = { id: request.gate, name: request.gate, ...UNKNOWN };
  return gateOf(identity, stage.id, doubt(0, '1', `no gate is called "${request.gate}".`));
}

const UNKNOWN = { concern: 'capture', reach: 'stage', sense: 'at-most', blames: 'stand' } as const;

function read(reading: Reading, capture: Screened<Capture>, stage: Stage, context: Context): Score {
  const entry = characteristic(reading.characteristic);
  const outcome =
    entry === undefined
      ? notEvaluated(`No characteristic is called "${reading.characteristic}".`)
      : entry.score(capture, stage, reading, context);
  return {
    stage: stage.id,
    characteristic: reading.characteristic,
    side: entry?.side ?? 'link',
    outcome,
  };
}
