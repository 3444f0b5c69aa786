import { isoInstant, readInstant } from '../base/clock.js';

/** What a signature may mean. */
export const MEANINGS = ['tested', 'reviewed', 'approved', 'concession'] as const;
export type Meaning = (typeof MEANINGS)[number];

/** A sealed record by the digests of its files. */
export interface RecordSubject {
  readonly kind: 'record';
  readonly number: string;
  readonly revision: number;
  readonly serial: string;
  /** SHA-256 of each file that was signed, by name. */
  readonly files: Readonly<Record<string, string>>;
}

/** A range of the ledger by its end. */
export interface LedgerSubject {
  readonly kind: 'ledger';
  readonly from: number;
  readonly to: number;
  /** Digest of entry `to`; it covers every entry before it. */
  readonly digest: string;
}

export type Subject = RecordSubject | LedgerSubject;

/** What a person declares by signing. */
export interface Statement<S extends Subject = Subject> {
  readonly person: {
    readonly id: string;
    readonly name: string;
    readonly roles: readonly string[];
  };
  readonly meaning: Meaning;
  readonly why: string;
  /** ms since the Unix epoch, to the second. */
  readonly at: number;
  /** Offset of the place from UTC in minutes, east positive. */
  readonly offset: number;
  readonly simulated: boolean;
  readonly subject: S;
}

const TITLE = 'Personal signature';
const SCHEMA = 1;

/**
 * Writes a statement as the bytes that are signed: JSON that a person can read, one member a line,
 * the sentence first.
 */
export function statementText(statement: Statement): string {
  const { person, meaning, why, simulated, subject } = statement;
  const written = {
    title: TITLE,
    schema: SCHEMA,
    sentence: statementSentence(statement),
    person,
    meaning,
    why,
    at: isoInstant(statement.at),
    local: localInstant(statement.at, statement.offset),
    simulated,
    subject,
  };
  return `${JSON.stringify(written, null, 2)}\n`;
}

/** The statement as one sentence: printed name, meaning, subject, instant, reason. */
export function statementSentence({
  person,
  meaning,
  why,
  at,
  offset,
  subject,
}: Statement): string {
  const signed =
    subject.kind === 'record'
      ? `record ${subject.number} revision ${subject.revision} of item ${subject.serial}`
      : `entries ${subject.from} to ${subject.to} of the ledger`;
  return `Signed by ${person.name} (${person.id}), ${person.roles.join(', ')}, as ${meaning}: ${signed}, ${localInstant(at, offset)}. Reason: ${why}`;
}

/** An instant as clocks in the place show it, with the offset, e.g. 2026-11-25T15:09:30+01:00. */
export function localInstant(at: number, offset: number): string {
  const size = Math.abs(offset);
  const two = (n: number): string => String(Math.trunc(n)).padStart(2, '0');
  const sign = offset < 0 ? '-' : '+';
  return `${isoInstant(at + offset * 60_000).slice(0, -1)}${sign}${two(size / 60)}:${two(size % 60)}`;
}

/** Offset of this computer from UTC at an instant, minutes, east positive. */
export const offsetAt = (at: number): number => 0 - new Date(at).getTimezoneOffset();

/**
 * Reads the bytes of a statement, strictly: only what `statementText` writes is one.
 *
 * @returns The statement, or in one sentence why the bytes are none.
 */
export function readStatement(bytes: Uint8Array): Statement | string {
  let text: string;
  let value: unknown;
  try {
    text = new TextDecoder('utf-8', { fatal: true, ignoreBOM: true }).decode(bytes);
    value = JSON.parse(text);
  } catch (error) {
    return `It is not JSON in UTF-8 (${error instanceof Error ? error.message : String(error)}).`;
  }
  const statement = statementOf(membersOf(value));
  if (statement === undefined)
    return 'It lacks a member of a statement, or has one of another kind.';
  // Also finds members that stand twice, and a sentence that says otherwise than the members.
  if (statementText(statement) !== text) return 'It is not written as statements are.';
  return statement;
}

type Members = Readonly<Record<string, unknown>>;

const membersOf = (value: unknown): Members =>
  typeof value === 'object' && value !== null ? (value as Members) : {};

const isText = (value: unknown): value is string => typeof value === 'string' && value !== '';

function statementOf(m: Members): Statement | undefined {
  const { id, name, roles } = membersOf(m['person']);
  const meaning = MEANINGS.find((known) => known === m['meaning']);
  const subject = subjectOf(membersOf(m['subject']));
  const { why, at, local, simulated } = m;
  if (!isText(id) || !isText(name) || !isTexts(roles)) return undefined;
  if (meaning === undefined || subject === undefined || !isText(why)) return undefined;
  if (!isText(at) || !isText(local) || typeof simulated !== 'boolean') return undefined;
  const instant = readInstant(at);
  const offset = offsetIn(local);
  if (!Number.isFinite(instant) || offset === undefined) return undefined;
  return { person: { id, name, roles }, meaning, why, at: instant, offset, simulated, subject };
}

const isTexts = (value: unknown): value is readonly string[] =>
  Array.isArray(value) && value.every(isText);

function offsetIn(local: string): number | undefined {
  const [, sign, hours, minutes] = /([+-])(\d\d):(\d\d)$/u.exec(local) ?? [];
  if (sign === undefined) return undefined;
  const size = Number(hours) * 60 + Number(minutes);
  return sign === '-' && size > 0 ? -size : size;
}

function subjectOf(m: Members): Subject | undefined {
  if (m['kind'] === 'ledger') {
    const { from, to, digest } = m;
    if (!isCount(from) || !isCount(to) || !isText(digest)) return undefined;
    return { kind: 'ledger', from, to, digest };
  }
  const { kind, number, revision, serial } = m;
  const files = Object.entries(membersOf(m['files']));
  if (kind !== 'record' || !isText(number) || !isCount(revision) || !isText(serial))
    return undefined;
  const digests = files.flatMap(([name, digest]) =>
    isText(digest) ? [[name, digest] as const] : [],
  );
  if (digests.length === 0 || digests.length !== files.length) return undefined;
  return { kind: 'record', number, revision, serial, files: Object.fromEntries(digests) };
}

const isCount = (value: unknown): value is number =>
  typeof value === 'number' && Number.isSafeInteger(value) && value >= 0;

/** What a signature calls what it is of: tells a signature put beside another statement from a changed one. */
export function hintOf({ person, meaning, subject }: Statement): string {
  const name =
    subject.kind === 'record'
      ? `${subject.number} rev ${subject.revision}`
      : `entries ${subject.from} to ${subject.to}`;
  return `${name} ${meaning} by ${person.id}`;
}
