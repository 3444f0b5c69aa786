import type { Take } from '../capture/capture.js';
import { parts } from '../pattern/waveform.js';
import type { Pattern } from '../procedure/procedure.js';
import type { Characteristic, Evidence, Outcome } from './scoring.js';

type Channel = keyof Take['channels'];

export type NotEvaluated = Extract<Outcome, { kind: 'not-evaluated' }>;

/** Says why a value could not be read. */
export function notEvaluated(reason: string): NotEvaluated {
  return { kind: 'not-evaluated', reason };
}

/** What accompanies a value. */
export interface Backing {
  readonly spread?: number | undefined;
  readonly repeats?: number | undefined;
  readonly evidence?: Evidence | undefined;
  /** Given when the property is at least the value. */
  readonly bound?: 'at-least' | undefined;
}

/** Wraps a value; one that is not finite becomes a reason, so NaN never meets a limit. */
export function measured(value: number, backing: Backing = {}): Outcome {
  if (!Number.isFinite(value)) return notEvaluated('The arithmetic gave no finite value.');
  const { spread, repeats, evidence, bound } = backing;
  return {
    kind: 'measured',
    value,
    ...(spread !== undefined && Number.isFinite(spread) ? { spread } : {}),
    ...(repeats !== undefined ? { repeats } : {}),
    ...(evidence !== undefined ? { evidence } : {}),
    ...(bound !== undefined ? { bound } : {}),
  };
}

/** One pattern of a kind inside a stage, with its place in the take, s. */
export interface Stretch<K extends Pattern['kind']> {
  readonly pattern: Extract<Pattern, { kind: K }>;
  readonly from: number;
  readonly to: number;
}

/** Returns the last part of a pattern that is of this kind and suits, or undefined. */
export function lastPart<K extends Pattern['kind']>(
  pattern: Pattern,
  kind: K,
  suits: (candidate: Extract<Pattern, { kind: K }>) => boolean = () => true,
): Stretch<K> | undefined {
  const found = parts(pattern).findLast((part) => isOf(part.pattern, kind) && suits(part.pattern));
  if (found === undefined || !isOf(found.pattern, kind)) return undefined;
  return { pattern: found.pattern, from: found.from, to: found.to };
}

function isOf<K extends Pattern['kind']>(
  pattern: Pattern,
  kind: K,
): pattern is Extract<Pattern, { kind: K }> {
  return pattern.kind === kind;
}

/** Returns the channels asked for, or says which are missing. */
export function channelsOf<C extends Channel>(
  take: Take,
  names: readonly C[],
): Readonly<Record<C, Float32Array>> | NotEvaluated {
  const missing = names.filter((name) => take.channels[name] === undefined);
  if (missing.length > 0) return notEvaluated(`The capture has no channel ${missing.join(', ')}.`);
  return take.channels as Readonly<Record<C, Float32Array>>;
}

/** Sample range of a stretch of time, cut to what the take holds. */
export function samplesOf(
  take: Take,
  from: number,
  to: number,
): { readonly first: number; readonly end: number } {
  const length = take.channels.torque?.length ?? take.channels.command?.length ?? take.expected;
  return {
    first: Math.max(0, Math.round(from * take.rate)),
    end: Math.min(length, Math.round(to * take.rate)),
  };
}

/** The value of an option, or its default as the characteristic declares it. */
export function option(
  given: Readonly<Record<string, number>>,
  declared: Characteristic['options'],
  name: string,
): number {
  const value = given[name] ?? declared[name]?.default;
  if (value === undefined) throw new Error(`option "${name}" has neither value nor default`);
  return value;
}

/** Prints a number for a sentence with four digits. */
export function shown(value: number): string {
  return String(Number(value.toPrecision(4)));
}
