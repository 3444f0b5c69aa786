import type { ErrorCode } from './codes.js';

/** A position in a text file, counted from 1. */
export interface Place {
  readonly file: string;
  readonly line: number;
  readonly column: number;
  /** How many characters the finding spans on its line, for the caret line. */
  readonly length?: number;
}

export interface Problem {
  readonly code: ErrorCode;
  readonly where?: Place;
  /** Observed against expected, with values and units. */
  readonly what: string;
  /** An order the reader can carry out. */
  readonly fix: string;
}

/** The only error this program throws on purpose. Carries every problem found, not just the first. */
export class StallmarkError extends Error {
  override readonly name = 'StallmarkError';
  constructor(
    readonly problems: readonly [Problem, ...Problem[]],
    options?: ErrorOptions,
  ) {
    super(problems.map((p) => `${p.code}: ${p.what}`).join('\n'), options);
  }
}

/** Throws one StallmarkError with all problems, or returns when there are none. */
export function throwIfAny(problems: readonly Problem[]): void {
  const [first, ...rest] = problems;
  if (first !== undefined) throw new StallmarkError([first, ...rest]);
}

/**
 * Joins an error with one that came while it was dealt with: a second failure must not hide the first.
 *
 * @returns One StallmarkError with the problems of both, each code told once by whoever told it first;
 * an AggregateError when either is a defect of ours.
 */
export function withSecond(first: unknown, second: unknown): Error {
  if (!(first instanceof StallmarkError && second instanceof StallmarkError)) {
    return new AggregateError([first, second], 'an error, and a second one while dealing with it');
  }
  const known = new Set(first.problems.map(({ code }) => code));
  const more = second.problems.filter(({ code }) => !known.has(code));
  return new StallmarkError([...first.problems, ...more], { cause: first });
}

/** Marks a branch the types rule out. Reaching it is our defect, so it is a plain Error. */
export function unreachable(value: never): never {
  throw new Error(`unreachable: ${JSON.stringify(value)}`);
}
