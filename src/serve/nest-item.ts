import { boundsOf } from '../pattern/bounds.js';
import { durationOf, takesOf } from '../pattern/shapes.js';
import type { Allowance } from '../readiness/retest.js';
import type { Chosen } from '../run/documents.js';
import type { DocumentName, ItemView, StageView } from './nest-view.js';

/** s that a bench takes to load a take, beyond playing it: enough for "time left". */
const LOADING = 0.2;

/** The item that was scanned, for a page. */
export function itemView(serial: string, documents: Chosen, allowed: Allowance): ItemView {
  const { procedure, limits } = documents;
  const { model, ceiling, stages } = procedure;
  return {
    serial,
    model: model.name,
    revision: model.revision,
    attempt: allowed.attempt,
    attemptsAllowed: allowed.of,
    procedure: named(procedure),
    limits: named(limits),
    ceiling,
    stages: stages.map((stage): StageView => {
      const { id, title, pattern, updates, power } = stage;
      const takes = takesOf(stage);
      const seconds = takes * (durationOf(pattern) + LOADING);
      const { peak } = boundsOf(pattern, updates);
      return { id, title, seconds, powered: power === 'on', takes, peak };
    }),
  };
}

const named = ({ id, title, issue }: DocumentName): DocumentName => ({ id, title, issue });

/** s that stages last together. */
export const secondsOf = (stages: readonly StageView[]): number =>
  stages.reduce((sum, { seconds }) => sum + seconds, 0);
