import type { Entry } from '../ledger/ledger.js';
import { readMove } from './item-move.js';
import { textIn } from './past-attempts.js';
import type { ReleasedScope } from './rework-scope.js';

/** The release that the next attempt of an item is under. */
export interface Release {
  /** The entry that released it. */
  readonly entry: number;
  readonly by: string;
  readonly why: string;
  readonly scope: ReleasedScope;
}

/**
 * Reads the last release for retest of an item. It counts for every attempt until the next one, so
 * that an attempt that was invalid or broken off is repeated with the same scope.
 *
 * @param history - Entries of one serial, oldest first.
 * @returns Undefined for an item that was never released: it is tested in full.
 */
export function releaseOf(history: readonly Entry[]): Release | undefined {
  for (const entry of [...history].reverse()) {
    const move = readMove(entry);
    if (move?.to !== 'released for retest') continue;
    return { entry: entry.number, by: entry.by, why: move.why, scope: move.scope };
  }
  return undefined;
}

/** The entry that issued the last record of an item; undefined when there is none. */
export function lastRecord(history: readonly Entry[]): Entry | undefined {
  return history.findLast(({ kind }) => kind === 'record-issued');
}

/** The entry that issued a record by its number. */
export function recordEntry(history: readonly Entry[], number: string): Entry | undefined {
  return history.findLast(
    ({ kind, body }) => kind === 'record-issued' && textIn(body, 'certificate') === number,
  );
}

/** Everything that was done to an item after a record of it. */
export interface ReworkSince {
  /** Components by name, each once. */
  readonly replaced: readonly string[];
  /** Entries with which an item left rework without a record of what was replaced. */
  readonly untold: readonly number[];
}

/**
 * Gathers what was replaced since a record, over every rework: two of them may lie between it and
 * the retest.
 *
 * @param entry - The entry that issued the record.
 */
export function reworkSince(history: readonly Entry[], entry: number): ReworkSince {
  const replaced = new Set<string>();
  const untold: number[] = [];
  for (const one of history) {
    if (one.number <= entry || one.kind !== 'item-moved') continue;
    const move = readMove(one);
    for (const name of move?.replaced ?? []) replaced.add(name);
    const isToldOf = move !== undefined && (move.from !== 'in rework' || move.replaced.length > 0);
    if (!isToldOf) untold.push(one.number);
  }
  return { replaced: [...replaced], untold };
}
