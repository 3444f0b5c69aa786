import { readInstant } from '../base/clock.js';
import type { Entry, NewEntry } from '../ledger/ledger.js';
import { changeIn } from './change.js';
import { isPersonId } from './people.js';

/** Wrong secrets in a row after which only a quality engineer lets a person try again. */
export const MOST_FAILURES = 5;

/** ms to wait after the first, second … wrong secret in a row. Common practice, no source. */
const DELAYS = [1000, 5000, 30_000, 120_000] as const;

/** Why a log-in was refused. Only `wrong` ones count towards the lock. */
export const REASONS = ['wrong', 'early', 'locked', 'not valid', 'changed', 'stated'] as const;
export type Reason = (typeof REASONS)[number];

/** Where somebody logs in. */
export interface Place {
  /** Empty when it is at no bench, e.g. to sign. */
  readonly bench: string;
  readonly simulated: boolean;
}

/**
 * The id as entered: what does not read like one is not repeated, because people type their secret
 * into the wrong field.
 */
export const enteredId = (id: string): string => (isPersonId(id) ? id : '(no id)');

/** Entry of a refused log-in. `clock` is what the clock read, which may be earlier than the entry. */
export function failureEntry(id: string, reason: Reason, place: Place, clock: number): NewEntry {
  const person = enteredId(id);
  const body = { what: LOG_IN, person, reason, ...place, clock: exact(clock) };
  return { kind: 'refused', serial: '', attempt: 0, by: person, body };
}

/** With milliseconds: waits are counted from it. */
const exact = (ms: number): string => new Date(ms).toISOString();

const LOG_IN = 'log-in';
const SESSION = 'session';

/** A note that somebody logged in, went on, or left. */
export interface SessionNote {
  readonly person: string;
  readonly bench: string;
  /** Whether a secret was checked for it; else the session only went on or ended. */
  readonly began: boolean;
  /** ms since the Unix epoch, by the clock of the bench: the session has ended then. */
  readonly until: number;
}

/** Entry of a session that begins, goes on or ends. */
export function sessionEntry(note: SessionNote, place: Place, by: string): NewEntry {
  const { person, began, until } = note;
  const body = { note: SESSION, person, ...place, began, until: exact(until) };
  return { kind: 'note', serial: '', attempt: 0, by, body };
}

/** Reads a session out of an entry; undefined when it is about none. */
export function sessionIn({ kind, body }: Entry): SessionNote | undefined {
  const { person, bench, began, until } = body;
  if (kind !== 'note' || body['note'] !== SESSION || typeof person !== 'string') return undefined;
  const end = typeof until === 'string' ? readInstant(until) : NaN;
  return {
    person,
    bench: typeof bench === 'string' ? bench : '',
    began: began === true,
    until: Number.isFinite(end) ? end : Infinity, // one that cannot be read has not ended
  };
}

/** How often somebody tried in vain, and when the next try counts. */
export interface Tries {
  /** Wrong secrets in a row. */
  readonly failures: number;
  readonly locked: boolean;
  /** ms since the Unix epoch; 0 when nothing has to be waited for. */
  readonly from: number;
}

const NONE: Tries = { failures: 0, locked: false, from: 0 };

/**
 * Counts wrong secrets by the order of entries, so that no clock and no restart shortens the count.
 * A clock that is set back lengthens the wait. Only a right secret, or a quality engineer, ends it.
 */
export function triesOf(entries: Iterable<Entry>, id: string): Tries {
  const person = enteredId(id);
  let tries = NONE;
  for (const entry of entries) {
    const failed = failureIn(entry, person);
    if (failed !== undefined) tries = afterFailure(tries, failed);
    else if (clears(entry, person)) tries = NONE;
  }
  return tries;
}

/**
 * Returns the tries once one more secret was wrong.
 *
 * @param at - What the clock read, ms since the Unix epoch.
 */
export function afterFailure({ failures }: Tries, at: number): Tries {
  const count = failures + 1;
  const delay = DELAYS[count - 1] ?? DELAYS[DELAYS.length - 1] ?? 0;
  return { failures: count, locked: count >= MOST_FAILURES, from: at + delay };
}

/** What the clock read when a wrong secret of the person was refused. */
function failureIn({ kind, body, at }: Entry, person: string): number | undefined {
  const isFailure =
    kind === 'refused' && body['what'] === LOG_IN && body['reason'] === ('wrong' satisfies Reason);
  if (!isFailure || body['person'] !== person) return undefined;
  const clock = typeof body['clock'] === 'string' ? readInstant(body['clock']) : NaN;
  return Number.isFinite(clock) ? clock : readInstant(at);
}

function clears(entry: Entry, person: string): boolean {
  const change = changeIn(entry);
  if (change !== undefined) return change.change === 'unlocked' && change.id === person;
  const session = sessionIn(entry);
  return session?.began === true && session.person === person;
}
