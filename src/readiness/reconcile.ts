import type { Entry, NewEntry } from '../ledger/ledger.js';
import { pastAttempts, textIn, type PastAttempt } from './past-attempts.js';

/** An attempt and the ledgers in which it stands. */
export interface FoundAttempt extends PastAttempt {
  readonly in: 'first' | 'second' | 'both';
}

/** A serial that was tested under two ledgers which did not know of each other. */
export interface Doubles {
  readonly serial: string;
  /** Every attempt, oldest first; none is dropped. */
  readonly attempts: readonly FoundAttempt[];
  /** One sentence for the quality engineer. */
  readonly what: string;
}

/**
 * Finds serials with attempts in each of two ledgers, as when a bench was cut off from the others.
 * Entries that stand in both, because one is a copy of the other, are one.
 *
 * @returns By serial; all attempts are kept, and which of them counts is for a quality engineer.
 */
export function reconciled(first: Iterable<Entry>, second: Iterable<Entry>): readonly Doubles[] {
  const [ones, others] = [bySerial(first), bySerial(second)];
  return [...ones]
    .flatMap(([serial, mine]) => {
      const theirs = others.get(serial) ?? [];
      const attempts = joined(mine, theirs);
      const isDouble = (['first', 'second'] as const).every((ledger) =>
        attempts.some((attempt) => attempt.in === ledger),
      );
      return isDouble ? [{ serial, attempts, what: sentence(serial, attempts) }] : [];
    })
    .sort((a, b) => a.serial.localeCompare(b.serial, 'en'));
}

function bySerial(entries: Iterable<Entry>): ReadonlyMap<string, readonly PastAttempt[]> {
  const found = new Map<string, PastAttempt[]>();
  for (const attempt of pastAttempts(entries)) {
    const serial = attempt.serial.normalize('NFC');
    found.set(serial, [...(found.get(serial) ?? []), attempt]);
  }
  return found;
}

function joined(
  mine: readonly PastAttempt[],
  theirs: readonly PastAttempt[],
): readonly FoundAttempt[] {
  const has = (list: readonly PastAttempt[], { digest }: PastAttempt): boolean =>
    list.some((other) => other.digest === digest);
  return [
    ...mine.map((one) => ({
      ...one,
      in: has(theirs, one) ? ('both' as const) : ('first' as const),
    })),
    ...theirs.filter((one) => !has(mine, one)).map((one) => ({ ...one, in: 'second' as const })),
  ].sort((a, b) => a.begun.localeCompare(b.begun, 'en'));
}

function sentence(serial: string, attempts: readonly FoundAttempt[]): string {
  const told = attempts.map(
    (a) =>
      `${a.bench} ${a.begun.slice(0, 16)}Z attempt ${a.attempt}: ${a.ended?.word ?? 'not ended'}`,
  );
  return `${serial} was tested ${attempts.length} times under two ledgers: ${told.join('; ')}.`;
}

const NOTE = 'tested at two benches';

/** Makes the entry that flags a double: it puts the item into quarantine until an engineer moves it. */
export function doublesNote({ serial, attempts, what }: Doubles, by: string): NewEntry {
  const body = {
    note: NOTE,
    what,
    attempts: attempts.map((a) => ({
      ...{ in: a.in, bench: a.bench, begun: a.begun, attempt: a.attempt, digest: a.digest },
      ...{ certificate: a.certificate, word: a.ended?.word ?? 'not ended' },
    })),
  };
  return { kind: 'note', serial, attempt: 0, by, body };
}

/** Whether an entry flags a double. */
export function isDoublesNote({ kind, body }: Pick<Entry, 'kind' | 'body'>): boolean {
  return kind === 'note' && textIn(body, 'note') === NOTE;
}

/** Whether a double is flagged already with all of its attempts. */
export function isFlagged({ attempts }: Doubles, history: readonly Entry[]): boolean {
  return history.filter(isDoublesNote).some(({ body }) => {
    const told = JSON.stringify(body['attempts'] ?? []);
    return attempts.every(({ digest }) => told.includes(digest));
  });
}
