import type { Entry } from '../ledger/ledger.js';
import type { Station } from '../procedure/station.js';
import { readMove } from './item-move.js';
import { isOfBench } from './reference.js';
import { readReferenceEntry, type Suspect } from './reference-entry.js';

/** A suspect and the check that made it one. */
export interface OpenSuspect extends Suspect {
  readonly bench: string;
  /** The reference item whose check failed first, and the entry that says so. */
  readonly item: string;
  readonly failed: number;
  readonly reason: string;
}

/**
 * Lists the items that a bench accepted since a reference item was last found good on it: nothing
 * proves that it measured right then. All of the ledger when it never was.
 *
 * @param entries - Newest first; read back to that check.
 * @returns Oldest first, each certificate once.
 */
export function suspectsSince(
  entries: Iterable<Entry>,
  station: Pick<Station, 'id' | 'kind'>,
  item: string,
): readonly Suspect[] {
  const accepted = new Map<string, Suspect>();
  const found: Suspect[] = [];
  for (const entry of entries) {
    const checked = readReferenceEntry(entry);
    if (checked?.ok === true && checked.item === item && isOfBench(checked, station)) break;
    const key = JSON.stringify([entry.serial, entry.attempt]);
    if (isAccepted(entry)) accepted.set(key, suspectOf(entry));
    if (entry.kind !== 'attempt-begun') continue;
    const suspect = accepted.get(key);
    accepted.delete(key);
    if (suspect !== undefined && entry.body['bench'] === station.id) found.push(suspect);
  }
  // Whose beginning was not met may have been on any bench: in doubt it is suspect.
  return [...found, ...accepted.values()].sort((a, b) => a.entry - b.entry);
}

const isAccepted = ({ kind, body }: Entry): boolean =>
  kind === 'record-issued' && body['verdict'] === 'ACCEPT';

function suspectOf({ serial, attempt, number, body }: Entry): Suspect {
  const certificate = typeof body['certificate'] === 'string' ? body['certificate'] : '';
  return { serial, attempt, certificate, entry: number };
}

/**
 * Lists the suspects of all failed checks that nobody has decided on since: a later move of the item
 * closes it, but not into quarantine, where it still waits for a decision.
 *
 * @param entries - Oldest first.
 */
export function openSuspects(entries: Iterable<Entry>): readonly OpenSuspect[] {
  const open = new Map<string, OpenSuspect>();
  for (const entry of entries) {
    const move = readMove(entry);
    if (move !== undefined && move.event !== 'quarantine') {
      for (const [key, { serial }] of open) if (serial === entry.serial) open.delete(key);
    }
    const checked = readReferenceEntry(entry);
    if (checked === undefined || checked.ok) continue;
    const { bench, item, reason } = checked;
    for (const suspect of checked.suspects) {
      const key = JSON.stringify([suspect.serial, suspect.entry]);
      if (open.has(key)) continue;
      open.set(key, { ...suspect, bench, item, failed: entry.number, reason });
    }
  }
  return [...open.values()];
}
