import type { Entry, Ledger } from '../ledger/ledger.js';
import type { FoundAttempt } from '../readiness/stored-attempt.js';

/** Attempts that are given at most, and entries that are looked through for them. */
const MOST = 100;
const DEEPEST = 20_000;

/**
 * Finds attempts that ended, newest first: the last ones, or those whose serial or number has a text
 * in it. A whole serial is found however old it is; anything else among the last 20 000 entries.
 */
export function findAttempts(ledger: Ledger, find: string): readonly FoundAttempt[] {
  const text = find.trim().toUpperCase();
  const exact = text === '' ? [] : attemptsIn(ledger.of(text).toReversed(), '');
  if (exact.length > 0) return exact.slice(0, MOST);
  return attemptsIn(ledger.newestFirst(), text);
}

function attemptsIn(entries: Iterable<Entry>, text: string): readonly FoundAttempt[] {
  const found: FoundAttempt[] = [];
  let looked = 0;
  for (const entry of entries) {
    looked += 1;
    if (looked > DEEPEST || found.length >= MOST) break;
    const attempt = attemptIn(entry);
    if (attempt === undefined) continue;
    if (attempt.serial.includes(text) || attempt.number.includes(text)) found.push(attempt);
  }
  return found;
}

function attemptIn({ kind, serial, attempt, at, by, body }: Entry): FoundAttempt | undefined {
  if (kind !== 'record-issued' && kind !== 'attempt-aborted') return undefined;
  const word = (name: string): string => {
    const value = body[name];
    return typeof value === 'string' ? value : '';
  };
  const common = { serial, attempt, number: word('certificate'), at, by, reason: word('reason') };
  return kind === 'record-issued' ? { ...common, verdict: word('verdict') } : common;
}
