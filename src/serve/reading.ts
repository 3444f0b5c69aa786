import type { Problem } from '../base/error.js';
import { StallmarkError } from '../base/error.js';
import type { Role } from '../people/people.js';
import type { Site } from './site.js';

/**
 * Something a page may read. It changes nothing, runs in a thread of its own and answers with plain
 * JSON. What it answers, the command line prints from the same functions.
 */
export interface Reading<Args, Answer> {
  /** Who may read it. */
  readonly roles: readonly Role[];
  /** Turns what a browser sent into arguments. @throws StallmarkError usage/argument. */
  readonly args: (given: Given) => Args;
  read(args: Args, site: Site): Answer | Promise<Answer>; // a method: a table holds readings of every kind
}

/** Everybody who may log in. */
export const ANYBODY: readonly Role[] = ['operator', 'maintenance', 'quality engineer', 'auditor'];

/** Arguments as a browser sent them: names and texts. */
export type Given = Readonly<Record<string, string>>;

/** @throws usage/argument naming the argument that is missing. */
export function textIn(given: Given, name: string): string {
  const value = given[name];
  if (value !== undefined && value !== '') return value;
  throw new StallmarkError([missing(name)]);
}

function missing(name: string): Problem {
  const what = `The argument "${name}" is missing.`;
  return { code: 'usage/argument', what, fix: `Give ${name}.` };
}

/** @throws usage/argument when it is no whole number from `least` to `most`. */
export function wholeIn(
  given: Given,
  name: string,
  {
    least,
    most,
    otherwise,
  }: { readonly least: number; readonly most: number; readonly otherwise: number },
): number {
  const text = given[name];
  if (text === undefined || text === '') return otherwise;
  const value = Number(text);
  if (Number.isSafeInteger(value) && value >= least && value <= most) return value;
  const what = `The argument "${name}" is "${text}".`;
  const fix = `Give a whole number from ${least} to ${most}.`;
  throw new StallmarkError([{ code: 'usage/argument', what, fix }]);
}
