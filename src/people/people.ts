/** What a person may be here; one person may be several. */
export const ROLES = ['operator', 'maintenance', 'quality engineer', 'auditor'] as const;
export type Role = (typeof ROLES)[number];

/** A secret as it is kept: what it was turned into, and everything needed to do so again. */
export interface SecretHash {
  readonly kind: 'scrypt';
  /** Cost: a power of two; memory is 128 · N · r bytes. */
  readonly N: number;
  readonly r: number;
  readonly p: number;
  /** Base64. */
  readonly salt: string;
  readonly hash: string;
}

/** That a person was trained on issues of a procedure. */
export interface Training {
  /** Id of the procedure, e.g. h12-acceptance. */
  readonly procedure: string;
  /** First and last issue it is good for; equal unless the entry says more. */
  readonly issue: number;
  readonly toIssue: number;
  /** Day it was given, and last day on which it counts, e.g. 2027-11-30. */
  readonly on: string;
  readonly until: string;
}

export interface Person {
  /** Never used again for another person, e.g. QE-1. */
  readonly id: string;
  /** As printed on records. */
  readonly name: string;
  readonly roles: readonly Role[];
  readonly secret: SecretHash;
  /** First day on which the person may log in, and the last one, when there is one. */
  readonly from: string;
  readonly until?: string;
  readonly training: readonly Training[];
  /** When the person left and why; people are retired, never removed. */
  readonly retired?: { readonly at: string; readonly why: string };
}

/** Everybody who works, or ever worked, at the benches. */
export interface Register {
  /** Where the days of the register begin and end, a zone of the IANA list. */
  readonly zone: string;
  readonly people: readonly Person[];
}

/**
 * A person at work. `authenticated` by a secret, or `stated` on a simulated bench without a register:
 * then nobody checked the name, and records say so.
 */
export interface Session {
  readonly id: string;
  readonly name: string;
  readonly roles: readonly Role[];
  /** ms since the Unix epoch. */
  readonly at: number;
  readonly means: 'authenticated' | 'stated';
  readonly training: readonly Training[];
  /** Where the days of the training begin and end. */
  readonly zone: string;
}

/** How entries and records name who did something: with the id only where a secret was asked. */
export function nameOf({ id, name, means }: Pick<Session, 'id' | 'name' | 'means'>): string {
  return means === 'authenticated' ? `${name} (${id})` : name;
}

/** What records say about how a person was known. */
export function identityWords({ means }: Pick<Session, 'means'>): string {
  return means === 'authenticated' ? 'identity checked by secret' : 'identity stated, not checked';
}

const ID = /^[A-Z][A-Z0-9]*(?:-[A-Z0-9]+)*$/u;
const LONGEST_ID = 16;

/** Whether a text can be the id of a person: it names a folder and is never a PIN. */
export function isPersonId(text: string): boolean {
  return ID.test(text) && text.length <= LONGEST_ID;
}

/** The grammar of ids in words. */
export const ID_WORDS =
  'capital letters, digits and hyphens, a letter first, at most 16, e.g. QE-1';
