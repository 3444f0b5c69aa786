import type { Entry } from '../ledger/ledger.js';
import type { AttemptEnd } from './disposition.js';

/** An attempt as the ledger tells it. */
export interface PastAttempt {
  readonly serial: string;
  readonly attempt: number;
  /** The entry that began it. */
  readonly entry: number;
  readonly digest: string;
  /** ISO 8601 UTC. */
  readonly begun: string;
  readonly bench: string;
  readonly simulated: boolean;
  /** Number that it reserved. */
  readonly certificate: string;
  /** Attempts that its procedure allows without a disposition; absent in entries that do not say. */
  readonly allowed?: number;
  /** Absent while it goes on. */
  readonly ended?: Ended;
}

interface Ended {
  readonly at: string;
  readonly end: AttemptEnd;
  /** ACCEPT, REJECT or HOLD; "broken off" without a record. */
  readonly word: string;
  /** Outcome in the words of the decision, e.g. invalid. */
  readonly outcome: string;
  readonly reason: string;
}

/** Outcomes that say nothing about the item: what was measured does not count, or nothing was. */
const NO_MEASUREMENT: readonly string[] = ['invalid', 'aborted', 'not-run'];

/** Attempts in a list of entries of one or several serials, oldest first, whatever else stands there. */
export function pastAttempts(entries: Iterable<Entry>): readonly PastAttempt[] {
  const attempts = new Map<string, PastAttempt>();
  for (const entry of entries) {
    const key = JSON.stringify([entry.serial, entry.attempt]);
    if (entry.kind === 'attempt-begun') attempts.set(key, beginning(entry));
    const begun = attempts.get(key);
    const ended = endOf(entry);
    if (begun !== undefined && ended !== undefined) attempts.set(key, { ...begun, ended });
  }
  return [...attempts.values()];
}

function beginning({ serial, attempt, number, digest, at, body }: Entry): PastAttempt {
  const allowed = body['attemptsAllowed'];
  const isCount = typeof allowed === 'number' && Number.isSafeInteger(allowed) && allowed >= 1;
  return {
    ...{ serial, attempt, entry: number, digest, begun: at },
    bench: textIn(body, 'bench'),
    simulated: body['simulated'] === true,
    certificate: textIn(body, 'certificate'),
    ...(isCount ? { allowed } : {}),
  };
}

/** How an entry ends an attempt; undefined when it does not. A word nobody knows leaves it undecided. */
export function endOf({ kind, at, body }: Entry): Ended | undefined {
  const reason = textIn(body, 'reason');
  if (kind === 'attempt-aborted') {
    return { at, end: 'no measurement', word: 'broken off', outcome: 'aborted', reason };
  }
  if (kind !== 'record-issued') return undefined;
  const word = textIn(body, 'verdict');
  const outcome = textIn(body, 'outcome');
  return { at, end: endFrom(word, outcome), word, outcome, reason };
}

function endFrom(word: string, outcome: string): AttemptEnd {
  if (word === 'ACCEPT') return 'accepted';
  if (word === 'REJECT') return 'rejected';
  return NO_MEASUREMENT.includes(outcome) ? 'no measurement' : 'undecided';
}

/** A text in the body of an entry; empty when it holds none of this name. */
export function textIn(body: Entry['body'], name: string): string {
  const value = body[name];
  return typeof value === 'string' ? value : '';
}
