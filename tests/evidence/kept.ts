import type { Problem } from '../../src/base/error.js';
import type { Gate } from '../../src/capture/gate.js';
import type { Decision, ItemFault } from '../../src/decision/decision.js';
import type { Performed } from '../../src/run/runner.js';
import type { Outcome, Score } from '../../src/scoring/scoring.js';
import { decisionOn, type RunDocuments } from '../support/simulated-run.js';

/** What is kept of one run: enough to decide it again under any limits, small enough for a thousand. */
export interface Kept {
  readonly scores: readonly Score[];
  /** Every gate that does not hold; of those that hold the one nearest to its limit, by name. */
  readonly gates: readonly Gate[];
  /** Stage that a gate broke the run off at. */
  readonly brokenOff?: string;
  /** Fault of the item that ended the run, with evidence. */
  readonly itemFault?: ItemFault;
  /** Why the run could not be played to its end. */
  readonly aborted?: Pick<Problem, 'code' | 'what'>;
}

/** Keeps what a run gave, without its curves: only lag and grain by setting stay. */
export function keptOf({ outcomes, brokenOff, itemFault }: Performed): Kept {
  const gates = outcomes.flatMap((outcome) => outcome.gates);
  const nearest = new Map<string, Gate>();
  for (const gate of gates.filter(({ holds }) => holds)) {
    const before = nearest.get(gate.name);
    if (before === undefined || gate.margin < before.margin) nearest.set(gate.name, gate);
  }
  return {
    scores: outcomes.flatMap((outcome) =>
      outcome.scores.map((score) => ({ ...score, outcome: bare(score.outcome) })),
    ),
    gates: [...gates.filter(({ holds }) => !holds), ...nearest.values()],
    ...(brokenOff === undefined ? {} : { brokenOff }),
    ...(itemFault === undefined ? {} : { itemFault }),
  };
}

function bare(outcome: Outcome): Outcome {
  if (outcome.kind !== 'measured') return outcome;
  const { evidence, ...rest } = outcome;
  return evidence?.kind === 'smoothing' ? { ...rest, evidence } : rest;
}

/** Decides a kept run under limits that may be others than when it was run. */
export function decided(kept: Kept, documents: RunDocuments): Decision {
  const { scores, gates, itemFault } = kept;
  return decisionOn(documents, {
    outcomes: [{ stage: 'all', scores, gates, stops: false }],
    itemFault,
  });
}

/** The value that was read for a row, or undefined. */
export function valueOf(kept: Kept, stage: string, id: string): number | undefined {
  const score = kept.scores.find((s) => s.stage === stage && s.characteristic === id);
  return score?.outcome.kind === 'measured' ? score.outcome.value : undefined;
}
