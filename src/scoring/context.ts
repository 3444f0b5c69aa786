import type { Capture, Screened } from '../capture/capture.js';
import type { Procedure, Stage } from '../procedure/procedure.js';
import type { Station } from '../procedure/station.js';
import type { Context, Score } from './scoring.js';
import { fixtureMean } from './steady.js';

/**
 * Starts what the stages of a run tell each other: nominal values, nothing measured.
 *
 * @param ambient - °C at the start, where it was asked for.
 */
export function startContext(procedure: Procedure, station: Station, ambient?: number): Context {
  return {
    model: procedure.model,
    stand: station.stand,
    zero: 0,
    preload: 0,
    shunt: station.shunt,
    ...(station.shuntPolarity === undefined ? {} : { shuntPolarity: station.shuntPolarity }),
    ...(ambient === undefined ? {} : { ambient }),
    torqueConstant: { value: procedure.model.torqueConstant, origin: 'nominal' },
  };
}

/** Characteristics whose values later stages are scored with. */
const TOLD = { constant: 'torque-constant', friction: 'static-friction' } as const;

/**
 * Whether a stage tells later ones what `advanceContext` hands on: then a run that leaves it out
 * would score them with nominal values.
 */
export function tellsLater({
  power,
  takes,
  reads,
}: Pick<Stage, 'power' | 'takes' | 'reads'>): boolean {
  const told: readonly string[] = Object.values(TOLD);
  if (reads.some(({ characteristic }) => told.includes(characteristic))) return true;
  return power === 'off' && takes.some(({ fixture }) => fixture === 'uncoupled');
}

/**
 * Adds what one stage told: the unloaded zero, the preload, the torque constant, the friction.
 *
 * The zeros of the start stand for the whole run: a later zero is compared with them, it does not
 * replace them.
 */
export function advanceContext(
  context: Context,
  stage: Stage,
  capture: Screened<Capture>,
  scores: readonly Score[],
): Context {
  const told = {
    ...(stage.power === 'off' ? zerosOf(context, capture) : {}),
    ...frictionOf(scores),
  };
  const constant = scores.find((score) => score.characteristic === TOLD.constant)?.outcome;
  if (constant?.kind !== 'measured') return { ...context, ...told };
  // A wild value would scale every motor-side score after it; the limit judges it, not we.
  const believable = constant.value > 0.5 * context.model.torqueConstant;
  const torqueConstant = believable
    ? ({ value: constant.value, origin: 'measured' } as const)
    : context.torqueConstant;
  return { ...context, ...told, torqueConstant };
}

function frictionOf(scores: readonly Score[]): Pick<Context, 'friction'> {
  const found = scores.find((score) => score.characteristic === TOLD.friction)?.outcome;
  return found?.kind === 'measured' ? { friction: Math.max(0, found.value) } : {};
}

function zerosOf(
  context: Context,
  capture: Screened<Capture>,
): { readonly zero?: number; readonly preload?: number } {
  if (context.zero !== 0) return {};
  const uncoupled = fixtureMean(capture, 'uncoupled');
  if (typeof uncoupled !== 'number') return {};
  const coupled = fixtureMean(capture, 'coupled');
  return {
    zero: uncoupled,
    ...(typeof coupled === 'number' ? { preload: coupled - uncoupled } : {}),
  };
}
