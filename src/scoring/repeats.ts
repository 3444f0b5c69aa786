import { isNonEmpty, type NonEmpty } from '../base/numbers.js';
import type { Capture, Take } from '../capture/capture.js';
import type { Gate } from '../capture/gate.js';
import type { Stage } from '../procedure/procedure.js';
import { notEvaluated } from './reading.js';
import type { Outcome, Score } from './scoring.js';
import { mean, standardDeviation } from './line.js';

/**
 * Takes a stage that was played several times apart: one capture for each time, in their order.
 *
 * @param capture - Its takes are those of the stage, as often over as the stage is repeated.
 * @throws plain Error when they are not: our defect.
 */
export function repeatsOf(capture: Capture, stage: Stage): NonEmpty<Capture> {
  const length = stage.takes.length;
  const repeats = stage.repeats ?? 1;
  if (capture.takes.length !== length * repeats) {
    throw new Error(
      `${capture.takes.length} takes of "${stage.id}", not ${repeats} times ${length}`,
    );
  }
  const captures = Array.from({ length: repeats }, (_, i): Capture => {
    const takes: readonly Take[] = capture.takes.slice(i * length, (i + 1) * length);
    if (!isNonEmpty(takes)) throw new Error(`stage "${stage.id}" has no take`);
    return { stage: capture.stage, takes };
  });
  if (!isNonEmpty(captures)) throw new Error(`stage "${stage.id}" is played no time`);
  return captures;
}

/**
 * Combines the scores of a stage that was played n times, n fixed in the procedure: the mean, with
 * the scatter of the n values. All count; a value that is missing once is missing. Nothing is left
 * out and nothing is chosen.
 *
 * @param each - The scores of each time, in the same order.
 * Source: JCGM 100:2008, 4.2.1 and 4.2.2 (from memory). Check: tests/unit/repeats.test.ts.
 */
export function averaged(each: NonEmpty<readonly Score[]>): readonly Score[] {
  const [first] = each;
  if (each.length === 1) return first;
  return first.map((score, place) => ({
    ...score,
    outcome: meanOutcome(each.map((scores) => outcomeAt(scores, place, score))),
  }));
}

function outcomeAt(scores: readonly Score[], place: number, like: Score): Outcome {
  const score = scores[place];
  if (score?.characteristic === like.characteristic) return score.outcome;
  throw new Error(`"${like.characteristic}" was not read each time at the same place`);
}

type Measured = Extract<Outcome, { readonly kind: 'measured' }>;

function meanOutcome(outcomes: readonly Outcome[]): Outcome {
  const measured: Measured[] = [];
  for (const [time, outcome] of outcomes.entries()) {
    if (outcome.kind !== 'measured') {
      return notEvaluated(`time ${time + 1} of ${outcomes.length}: ${outcome.reason}`);
    }
    measured.push(outcome);
  }
  const values = measured.map(({ value }) => value);
  const bound = measured.some((outcome) => outcome.bound !== undefined);
  const evidence = measured[0]?.evidence;
  return {
    kind: 'measured',
    value: mean(values),
    spread: standardDeviation(values),
    repeats: values.length,
    values,
    ...(bound ? { bound: 'at-least' } : {}),
    ...(evidence === undefined ? {} : { evidence }),
  };
}

/** Of the gates judged each time, the one nearest to not holding, by name and in their first order. */
export function worstGates(each: readonly (readonly Gate[])[]): readonly Gate[] {
  const [first = [], ...others] = each;
  if (others.length === 0) return first;
  const worst = new Map<string, Gate>();
  for (const gate of each.flat()) {
    const key = `${gate.id} ${gate.name} ${gate.scope}`;
    const before = worst.get(key);
    if (before === undefined || isWorse(gate, before)) worst.set(key, gate);
  }
  return [...worst.values()];
}

const isWorse = (gate: Gate, than: Gate): boolean =>
  gate.holds === than.holds ? gate.margin < than.margin : than.holds;
