import { chained, type Entry, type NewEntry } from '../../src/ledger/ledger.js';

const START = Date.parse('2026-11-25T14:00:00.000Z');
const MINUTE = 60_000;

/** Chains entries one minute apart, unless they say when. */
export function history(...entries: readonly (NewEntry & { readonly now?: number })[]): Entry[] {
  const made: Entry[] = [];
  for (const { now = START + made.length * MINUTE, ...entry } of entries) {
    made.push(chained(entry, made.at(-1), now));
  }
  return made;
}

/** An attempt that begins; two are allowed unless the body says otherwise. */
export function begun(serial: string, attempt: number, body: NewEntry['body'] = {}): NewEntry {
  const whole = { bench: 'TW-1', simulated: true, attemptsAllowed: 2, certificate: '', ...body };
  return { kind: 'attempt-begun', serial, attempt, by: 'op-17', body: whole };
}

/** How attempts end: the words of the record, or broken off without one. */
export const ENDS = {
  accepted: { verdict: 'ACCEPT', outcome: 'conforming' },
  rejected: { verdict: 'REJECT', outcome: 'nonconforming' },
  inconclusive: { verdict: 'HOLD', outcome: 'inconclusive' },
  conditional: { verdict: 'HOLD', outcome: 'conditional' },
  invalid: { verdict: 'HOLD', outcome: 'invalid' },
  aborted: { verdict: 'HOLD', outcome: 'aborted' },
} as const;

/** An attempt that ends. */
export function ended(
  serial: string,
  attempt: number,
  how: keyof typeof ENDS | 'broken off',
): NewEntry {
  const isBroken = how === 'broken off';
  const body = isBroken ? { reason: 'stopped' } : { ...ENDS[how], reason: how };
  const whole = { certificate: '', ...body };
  const kind = isBroken ? 'attempt-aborted' : 'record-issued';
  return { kind, serial, attempt, by: 'op-17', body: whole };
}

/** A whole attempt. */
export const attempt = (
  serial: string,
  number: number,
  how: keyof typeof ENDS | 'broken off',
  body: NewEntry['body'] = {},
): readonly NewEntry[] => [begun(serial, number, body), ended(serial, number, how)];

/** Somebody moves an item. */
export function moved(serial: string, event: string, from: string, to: string): NewEntry {
  const body = { event, from, to, why: 'clamp was loose', role: 'quality engineer' };
  return { kind: 'item-moved', serial, attempt: 0, by: 'R. Dunmallard', body };
}
