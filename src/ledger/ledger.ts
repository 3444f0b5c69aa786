import type { Json } from '../base/canonical.js';

/** What an entry records. */
export type EntryKind =
  /** An attempt reserved its certificate number and is about to be energized. */
  | 'attempt-begun'
  /** An attempt ended without a certificate, with the reason. */
  | 'attempt-aborted'
  /** A certificate or report was sealed and stored; carries the digests of its files. */
  | 'record-issued'
  /** Something a later reader must know: a recovery, a clock confirmation, a refused start. */
  | 'note';

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
   * @throws ledger/busy, ledger/clock when `now` is earlier than the last entry, storage/*.
   */
  append(entry: NewEntry, now: number, before?: (entry: Entry) => void): Entry;
  entries(): IterableIterator<Entry>;
  of(serial: string): readonly Entry[];
  last(): Entry | undefined;
  close(): void;
}

export const FIRST_PREVIOUS = '0'.repeat(64);
