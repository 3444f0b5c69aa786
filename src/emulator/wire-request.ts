import { StallmarkError } from '../base/error.js';
import { problem } from '../bench/refusal.js';

/** A request as it came, or what one holds. */
export type Members = Readonly<Record<string, unknown>>;

/** Reads one control message; undefined where it is no JSON object. */
export function readMembers(payload: Uint8Array): Members | undefined {
  try {
    const read: unknown = JSON.parse(new TextDecoder('utf-8', { fatal: true }).decode(payload));
    return isMembers(read) ? read : undefined;
  } catch (error) {
    // Neither UTF-8 nor JSON: the caller says so.
    if (error instanceof SyntaxError || error instanceof TypeError) return undefined;
    throw error;
  }
}

function isMembers(value: unknown): value is Members {
  return typeof value === 'object' && value !== null && !Array.isArray(value);
}

/** What a request asks for cannot be read. */
export function unreadable(what: string): StallmarkError {
  return problem('link/refused', what, 'Ask as the protocol says.');
}

interface Range {
  readonly from: number;
  readonly to: number;
  readonly whole?: true;
}

/** Reads a number of a request. @throws link/refused */
export function numberIn(members: Members, name: string, { from, to, whole }: Range): number {
  const value = members[name];
  const isRight =
    typeof value === 'number' &&
    value >= from &&
    value <= to &&
    (whole !== true || Number.isInteger(value));
  if (isRight) return value;
  const kind = whole === true ? 'a whole number' : 'a number';
  const range =
    to === Number.MAX_VALUE ? `${from > 0 ? 'above' : 'from'} 0` : `from ${from} to ${to}`;
  throw unreadable(`"${name}" is ${shown(value)}, but must be ${kind} ${range}.`);
}

/** Reads a number that may be left out or null. @throws link/refused */
export function optionalIn(members: Members, name: string, range: Range): number | undefined {
  return (members[name] ?? null) === null ? undefined : numberIn(members, name, range);
}

/** Reads a mapping that may be left out or null. @throws link/refused */
export function membersIn(members: Members, name: string): Members | undefined {
  const value = members[name] ?? null;
  if (value === null) return undefined;
  if (isMembers(value)) return value;
  throw unreadable(`"${name}" is ${shown(value)}, but must be a mapping.`);
}

/** Reads one word of several. @throws link/refused */
export function wordIn<T extends string>(members: Members, name: string, words: readonly T[]): T {
  const found = words.find((word) => word === members[name]);
  if (found !== undefined) return found;
  throw unreadable(`"${name}" is ${shown(members[name])}, but must be ${words.join(' or ')}.`);
}

/** A value from outside in a sentence. */
export function shown(value: unknown): string {
  return value === undefined ? 'missing' : JSON.stringify(value).slice(0, 80);
}
