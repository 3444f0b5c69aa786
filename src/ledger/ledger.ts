import { digestOf, type Json } from '../base/canonical.js';
import { StallmarkError } from '../base/error.js';

export const ENTRY_KINDS = [
  /** An attempt reserved its certificate number and is about to be energized. */
  'attempt-begun',
  /** An attempt ended without a certificate, with the reason. */
  'attempt-aborted',
  /** A certificate or report was sealed and stored; carries the digests of its files. */
  'record-issued',
  /** Something a later reader must know: a recovery, a clock confirmation. */
  'note',
  /** The state of an item changed by a person's disposition; carries from, to and why. */
  'item-moved',
  /** A bench claimed an item before its attempt, until a stated instant, or gave it back. */
  'item-claimed',
  /** A bench was checked: reference item, stop proof, self-test; carries which and whether it held. */
  'bench-checked',
  /** A person signed with a stated meaning; carries what was signed and the signature. */
  'signed',
  /** Something that people keep was changed: what, from, to, why. */
  'changed',
  /** A start, a log-in or another wish was refused; carries the codes and why. */
  'refused',
] as const;

/** What an entry records. */
export type EntryKind = (typeof ENTRY_KINDS)[number];

/** One line of the record. Digest = SHA-256 of the canonical JSON of everything else in it. */
export interface Entry {
  /** 1, 2, 3 … without gaps. */
  readonly number: number;
  /** ISO 8601 UTC with milliseconds. */
  readonly at: string;
  readonly kind: EntryKind;
  readonly serial: string;
  readonly attempt: number;
  readonly by: string;
  readonly body: { readonly [key: string]: Json };
  /** Digest of entry number − 1; 64 zeros for the first. */
  readonly previous: string;
  readonly digest: string;
}

export type NewEntry = Omit<Entry, 'number' | 'at' | 'previous' | 'digest'>;

/** The append-only record. There is no way to change or delete an entry. */
export interface Ledger {
  /**
   * Appends one entry and runs `before` after it is written but before it is committed: what
   * `before` does and the entry become durable together, or the entry does not exist.
   *
   * @param entry - The entry, or a function that makes it from this ledger while no other program
   * can append; numbers are allotted in it.
   * @param now - ms since the Unix epoch.
   * @throws ledger/busy, ledger/clock when `now` is earlier than the last entry, ledger/damaged,
   * storage/*, and what `before` throws. Nothing was appended then.
   */
  append(entry: NewEntry | (() => NewEntry), now: number, before?: (entry: Entry) => void): Entry;
  /**
   * All entries, oldest first. Entries may be appended meanwhile; they are seen too.
   *
   * @param after - Number of an entry: only those after it.
   */
  entries(after?: number): IterableIterator<Entry>;
  /** All entries, newest first. */
  newestFirst(): IterableIterator<Entry>;
  /** Entries of one serial, oldest first. */
  of(serial: string): readonly Entry[];
  last(): Entry | undefined;
  close(): void;
}

export const FIRST_PREVIOUS = '0'.repeat(64);

/** Completes a new entry so that it follows `last`, digest included. */
export function chained(entry: NewEntry, last: Entry | undefined, now: number): Entry {
  const undigested = {
    ...entry,
    number: (last?.number ?? 0) + 1,
    at: new Date(now).toISOString(),
    previous: last?.digest ?? FIRST_PREVIOUS,
  };
  return { ...undigested, digest: entryDigest(undigested) };
}

/** Digest an entry should carry: of the canonical JSON of everything else in it. */
export function entryDigest(entry: Omit<Entry, 'digest'>): string {
  const { number, at, kind, serial, attempt, by, body, previous } = entry;
  return digestOf({ number, at, kind, serial, attempt, by, body, previous });
}

const CLOCK_CONFIRMED = 'clock confirmed';

/**
 * Enters that a named person vouches for a clock that is earlier than the last entry, so that work
 * can go on. The step back stays visible for good.
 *
 * @param by - The person who confirms.
 * @param why - What had happened to the clock, in words.
 * @param now - ms since the Unix epoch, the instant that is confirmed.
 */
export function confirmClock(ledger: Ledger, by: string, why: string, now: number): Entry {
  if (by.trim() === '' || why.trim() === '') {
    const what = 'A clock can be confirmed only by a named person with a reason.';
    const fix = 'Give the name and what had happened to the clock.';
    throw new StallmarkError([{ code: 'usage/argument', what, fix }]);
  }
  const body = { note: CLOCK_CONFIRMED, why, lastEntryAt: ledger.last()?.at ?? null };
  return ledger.append({ kind: 'note', serial: '', attempt: 0, by, body }, now);
}

/** Whether an entry confirms the clock and so may be earlier than the one before it. */
export function confirmsClock(entry: Pick<Entry, 'kind' | 'body'>): boolean {
  return entry.kind === 'note' && entry.body['note'] === CLOCK_CONFIRMED;
}
