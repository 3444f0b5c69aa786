import { canonicalJson, type Json } from '../base/canonical.js';
import { confirmsClock, type Entry } from '../ledger/ledger.js';
import { sessionIn } from './log-in.js';
import { isBy } from './signature.js';

/** One line of the audit trail. */
export interface TrailRow {
  /** Number of the entry. */
  readonly entry: number;
  /** UTC. */
  readonly at: string;
  readonly by: string;
  readonly what: string;
  /** Empty when nothing was there before, or nothing after. */
  readonly from: string;
  readonly to: string;
  readonly why: string;
}

/** Which part of the trail is wanted. */
export interface TrailWish {
  /** First and last day or instant in UTC; a day counts whole. */
  readonly from?: string;
  readonly to?: string;
  /** Id or name: entries by this person, and about this person. */
  readonly person?: { readonly id: string; readonly name: string };
  /** Part of the serial of an item. */
  readonly serial?: string;
  readonly kind?: TrailKind;
}

/** Kinds of entries that the trail tells of. */
export const TRAIL_KINDS = [
  'changed',
  'refused',
  'signed',
  'item-moved',
  'note',
  'attempt-aborted',
] as const;
export type TrailKind = (typeof TRAIL_KINDS)[number];

/**
 * Draws the audit trail out of the ledger: what people changed, moved, signed and were refused,
 * log-ins, confirmations of the clock, recoveries and other notes. Attempts and records are not in it:
 * `ledger list` tells those.
 */
export function trailOf(entries: Iterable<Entry>, wish: TrailWish = {}): readonly TrailRow[] {
  const rows: TrailRow[] = [];
  for (const entry of entries) {
    if (!isWanted(entry, wish)) continue;
    const row = rowOf(entry);
    if (row !== undefined) rows.push(row);
  }
  return rows;
}

function isWanted({ at, by, body, kind, serial }: Entry, wish: TrailWish): boolean {
  const { from, to, person } = wish;
  if (wish.kind !== undefined && kind !== wish.kind) return false;
  const text = wish.serial?.trim().toUpperCase() ?? '';
  if (!serial.toUpperCase().includes(text)) return false;
  if (from !== undefined && at < from.replace(/Z$/u, '')) return false;
  // "2026-11-25" is before every instant of that day, and "2026-11-25~" after all of them.
  if (to !== undefined && at > `${to.replace(/Z$/u, '')}~`) return false;
  if (person === undefined) return true;
  const about = [by, body['person'], body['id']].filter((name) => typeof name === 'string');
  return about.some((name) => isBy(person, name));
}

function rowOf(entry: Entry): TrailRow | undefined {
  const { number, at, by, body } = entry;
  const what = whatOf(entry);
  if (what === undefined) return undefined;
  return {
    entry: number,
    at,
    by,
    what,
    from: entry.kind === 'signed' ? '' : told(body['from']),
    to: toOf(entry),
    why: whyOf(body),
  };
}

function whatOf(entry: Entry): string | undefined {
  const { kind, body, serial } = entry;
  const subject = serial === '' ? '' : ` ${serial}`;
  const word = (key: string): string => (typeof body[key] === 'string' ? body[key] : '');
  switch (kind) {
    case 'changed':
      return ['changed', word('what'), word('id'), word('change')]
        .filter((w) => w !== '')
        .join(' ');
    case 'refused':
      return `refused${subject}: ${word('what')}`;
    case 'signed':
      return `signed as ${word('meaning')}${subject}`;
    case 'item-moved':
      return `moved${subject}`;
    case 'note':
      return noteWords(entry, subject);
    case 'attempt-aborted':
      return body['reason'] === 'interrupted' ? `recovery${subject}` : undefined;
    case 'attempt-begun':
    case 'record-issued':
    case 'item-claimed':
    case 'bench-checked':
      return undefined;
    default:
      return kind satisfies never;
  }
}

function noteWords(entry: Entry, subject: string): string {
  const session = sessionIn(entry);
  const note = typeof entry.body['note'] === 'string' ? entry.body['note'] : 'note';
  if (session === undefined) return `${confirmsClock(entry) ? 'clock confirmed' : note}${subject}`;
  const where = session.bench === '' ? '' : ` at bench ${session.bench}`;
  return `${session.began ? 'logged in' : 'session'}${where}`;
}

/** What was there afterwards, in the words of the kind. */
function toOf({ kind, body }: Entry): string {
  if (kind === 'signed') {
    return body['what'] === 'ledger'
      ? `entries ${told(body['from'])} to ${told(body['to'])}`
      : `record ${told(body['certificate'])}`;
  }
  return told(body['to'] ?? body['kept']);
}

/** Reasons in words; those of a refusal by their codes and sentences. */
function whyOf(body: Entry['body']): string {
  const said = ['why', 'reason'].map((key) => body[key]).find((value) => typeof value === 'string');
  const { problems } = body;
  const codes = Array.isArray(problems)
    ? problems.map((problem: Json) => sentenceOf(problem)).filter((text) => text !== '')
    : [];
  return [...(said === undefined ? [] : [told(said)]), ...codes].join('; ');
}

function sentenceOf(problem: Json): string {
  if (typeof problem !== 'object' || problem === null || Array.isArray(problem))
    return told(problem);
  const { code, what } = problem as Readonly<Record<string, Json>>;
  return `${told(code)}: ${told(what)}`;
}

function told(value: Json | undefined): string {
  if (value === undefined || value === null) return '';
  if (typeof value === 'string') return value;
  if (typeof value !== 'object') return String(value);
  if (Array.isArray(value)) return value.map((member: Json) => told(member)).join(', ');
  return Object.entries(value)
    .map(
      ([key, member]) =>
        `${key} ${typeof member === 'object' ? canonicalJson(member) : told(member)}`,
    )
    .join(', ');
}
