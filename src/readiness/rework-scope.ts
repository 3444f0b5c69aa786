import type { Problem } from '../base/error.js';
import { writeInstead } from '../base/report.js';
import type { Procedure } from '../procedure/procedure.js';
import { stagesPlayed } from './partial-stages.js';

/** Read without power: what commands torque has no hand in them. */
const PASSIVE = ['cogging', 'preload'];
/** Read from the link alone. */
const LINK = ['missing-updates', 'late-updates', 'update-gap', 'update-jitter', 'clock-skew'];
const SUPPLY = ['supply-minimum', 'supply-sag', 'supply-recovery'];
const SOUND = ['sound-level', 'sound-over-settings'];
const HEAT = ['winding-rise', 'temperature-rate', 'thermal-fade'];

/** What a replaced component leaves as it was, or the few things that it touches. */
type Touch =
  | { readonly kind: 'all but'; readonly untouched: readonly string[] }
  | { readonly kind: 'only'; readonly touched: readonly string[] };

const allBut = (...untouched: readonly string[]): Touch => ({ kind: 'all but', untouched });
const only = (...touched: readonly string[]): Touch => ({ kind: 'only', touched });

/**
 * Components by what replacing them touches. Whatever is not named untouched must be measured again,
 * so that a new characteristic is on the safe side.
 *
 * Source: common practice, no source.
 */
const TOUCHES: ReadonlyMap<string, Touch> = new Map([
  ['motor', allBut()],
  ['drive', allBut()],
  ['firmware', allBut()],
  // The rotor comes out with the bearings, so that the air gap is another one.
  ['bearings', allBut(...LINK)],
  // Commutation follows the encoder: torque constant, ripple and everything in motion with it.
  ['encoder', allBut(...PASSIVE, ...LINK)],
  ['supply cable', allBut(...PASSIVE, ...LINK)],
  ['signal cable', allBut(...PASSIVE, ...SUPPLY)],
  ['cover', only(...SOUND, ...HEAT)],
  ['label', only()],
]);

/** Names of the components that a rework record may state. */
export const COMPONENTS: readonly string[] = [...TOUCHES.keys()];

/** Reports components that the table does not know: nobody could tell what they touch. */
export function componentProblems(replaced: readonly string[]): readonly Problem[] {
  return replaced
    .filter((name) => !TOUCHES.has(name))
    .map((name) => {
      const what = `"${name}" is no component of the table; there are: ${COMPONENTS.join(', ')}.`;
      const fix = writeInstead(name, COMPONENTS, 'Name the component it belongs to.');
      return { code: 'usage/argument', what, fix };
    });
}

/** Whether replacing a component touches a characteristic; an unknown component touches everything. */
export function touches(component: string, characteristic: string): boolean {
  const touch = TOUCHES.get(component) ?? allBut();
  return touch.kind === 'only'
    ? touch.touched.includes(characteristic)
    : !touch.untouched.includes(characteristic);
}

/** Which stages a retest after rework is for. */
export type RetestScope = { readonly kind: 'full' } | PartialScope;

/** Some stages, and those that `stagesPlayed` adds to them. */
export interface PartialScope {
  readonly kind: 'stages';
  readonly stages: readonly string[];
}

/** A scope as a release states it: with the record from which the other rows are carried over. */
export type ReleasedScope =
  { readonly kind: 'full' } | (PartialScope & { readonly record: string });

/**
 * Refuses a partial retest that leaves out a stage in which a characteristic is read that the rework
 * touched, and stages the procedure does not have. What is played besides the stages named is not
 * left out.
 */
export function scopeProblems(
  scope: RetestScope,
  replaced: readonly string[],
  procedure: Pick<Procedure, 'id' | 'stages'>,
): readonly Problem[] {
  if (scope.kind === 'full') return [];
  const ids = procedure.stages.map(({ id }) => id);
  const unknown = scope.stages.filter((id) => !ids.includes(id));
  const played = stagesPlayed(scope.stages, procedure.stages);
  const left = procedure.stages
    .filter(({ id }) => !played.includes(id))
    .flatMap(({ id, reads }) => reads.map(({ characteristic }) => ({ stage: id, characteristic })));
  return [
    ...unknown.map((id): Problem => ({
      code: 'usage/argument',
      what: `Procedure ${procedure.id} has no stage "${id}".`,
      fix: writeInstead(id, ids, `Name stages of it: ${ids.join(', ')}.`),
    })),
    ...replaced.flatMap((component) => untested(component, left)),
  ];
}

function untested(
  component: string,
  left: readonly { readonly stage: string; readonly characteristic: string }[],
): readonly Problem[] {
  const touched = left.filter(({ characteristic }) => touches(component, characteristic));
  if (touched.length === 0) return [];
  const names = touched.map(({ stage, characteristic }) => `${stage}.${characteristic}`);
  const what = `The ${component} was replaced, which touches ${names.join(', ')}, but the retest leaves them out.`;
  const stages = [...new Set(touched.map(({ stage }) => stage))].join(', ');
  return [{ code: 'serial/state', what, fix: `Test in full, or add the stages ${stages}.` }];
}
