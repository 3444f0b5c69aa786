import type { Json } from '../base/canonical.js';
import { StallmarkError, throwIfAny, type Problem } from '../base/error.js';
import type { Entry, Ledger, NewEntry } from '../ledger/ledger.js';
import type { Person, Register } from './people.js';
import { personDigest, personOf, prepareRegister, readRegister } from './register.js';

/** What can be changed about a person. */
export const CHANGES = [
  'added',
  'roles',
  'secret',
  'training',
  'retired',
  'unlocked',
  'key issued',
  'confirmed',
] as const;
export type ChangeKind = (typeof CHANGES)[number];

/** A change of one person, as the ledger tells it. Secrets are never in it. */
export interface PersonChange {
  readonly change: ChangeKind;
  readonly id: string;
  readonly from: Json;
  readonly to: Json;
  readonly why: string;
  /** Of all that the register says of the person afterwards. */
  readonly digest: string;
}

const WHAT = 'person';

/** Entry of a change. Bench-level entries have no serial; this one belongs to no bench either. */
export function changeEntry(change: PersonChange, by: string): NewEntry {
  const body = { what: WHAT, ...change };
  return { kind: 'changed', serial: '', attempt: 0, by, body };
}

/** A change that was read back, and when it was entered. */
export interface EnteredChange extends PersonChange {
  readonly entry: number;
  /** ms since the Unix epoch. */
  readonly at: number;
}

/** Reads a change of a person out of an entry; undefined when it is none. */
export function changeIn({ kind, body, number, at }: Entry): EnteredChange | undefined {
  if (kind !== 'changed' || body['what'] !== WHAT) return undefined;
  const change = CHANGES.find((known) => known === body['change']);
  const { id, why, digest } = body;
  if (change === undefined || typeof id !== 'string') return undefined;
  return {
    change,
    id,
    from: body['from'] ?? null,
    to: body['to'] ?? null,
    why: typeof why === 'string' ? why : '',
    digest: typeof digest === 'string' ? digest : '',
    entry: number,
    at: Date.parse(at),
  };
}

/** Changes of people, oldest first, of all or of one. People stand in entries without a serial. */
export function changesIn(entries: Iterable<Entry>, id?: string): readonly EnteredChange[] {
  const found: EnteredChange[] = [];
  for (const entry of entries) {
    const change = changeIn(entry);
    if (change !== undefined && (id === undefined || change.id === id)) found.push(change);
  }
  return found;
}

/**
 * Returns when a person was retired by the ledger's account, ms since the Unix epoch; undefined when
 * not. Records of later signatures are held against it.
 */
export function retiredAt(entries: Iterable<Entry>, id: string): number | undefined {
  return changesIn(entries, id).find(({ change }) => change === 'retired')?.at;
}

/**
 * Whether people are added in this ledger. Several folders of records may share one register; changes
 * of people belong into one of them, and only that one can tell a register that was edited by hand.
 */
export function isHome(entries: Iterable<Entry>): boolean {
  return changesIn(entries).some(({ change }) => change === 'added');
}

/**
 * Holds a person against what the ledger last entered of that person: a register that was edited by
 * hand, or put back from an old copy, says otherwise. Only the ledger in which people are added can say.
 */
export function personProblems(person: Person, entries: readonly Entry[]): readonly Problem[] {
  if (!isHome(entries)) return [];
  const last = changesIn(entries, person.id).at(-1);
  if (last !== undefined && last.digest === personDigest(person)) return [];
  const what =
    last === undefined
      ? `The register tells of ${person.id}, but the ledger never added such a person: it was changed in another way.`
      : `The register does not say of ${person.id} what entry ${last.entry} of the ledger left there: it was changed in another way.`;
  const fix = `Restore the register, or have a quality engineer look at it and run: stallmark people confirm ${person.id}.`;
  return [{ code: 'people/changed', what, fix }];
}

/** Where changes are made and entered. */
export interface Changing {
  /** Folder of the register. */
  readonly keys: string;
  readonly ledger: Ledger;
  /** As entries name whoever makes the change. */
  readonly by: string;
  /** ms since the Unix epoch. */
  readonly now: number;
}

/** What is to become of a person; `also` runs with the register, both or neither. */
export interface Change extends Omit<PersonChange, 'digest'> {
  readonly apply: (register: Register) => Register;
  readonly also?: () => void;
}

/**
 * Changes the register and enters the change: both, or neither. A register that another program
 * changed meanwhile is not overwritten.
 *
 * @throws people/register, people/changed, people/unknown, usage/argument without a reason, ledger/*, storage/*.
 */
export async function changePerson(changing: Changing, change: Change): Promise<Entry> {
  refuseBlank(change.why);
  const { keys, ledger, by, now } = changing;
  const before = readRegister(keys);
  const known = before?.people.find((person) => person.id === change.id);
  if (known !== undefined && change.change !== 'confirmed') {
    throwIfAny(personProblems(known, ledger.of(''))); // another change must not cover it up
  }
  const after = change.apply(before ?? EMPTY);
  const digest = personDigest(personOf(after, change.id));
  const prepared = await prepareRegister(keys, after);
  try {
    const { change: kind, id, from, to, why } = change;
    return ledger.append(
      () => {
        refuseOvertaken(before, readRegister(keys));
        return changeEntry({ change: kind, id, from, to, why, digest }, by);
      },
      now,
      () => {
        change.also?.();
        prepared.enforce();
      },
    );
  } finally {
    await prepared.drop();
  }
}

const EMPTY: Register = { zone: 'UTC', people: [] };

function refuseBlank(why: string): void {
  if (why.trim() !== '') return;
  const what = 'People are changed only with a reason.';
  throw new StallmarkError([{ code: 'usage/argument', what, fix: 'Give the reason with --why.' }]);
}

function refuseOvertaken(before: Register | undefined, now: Register | undefined): void {
  if (JSON.stringify(before) === JSON.stringify(now)) return;
  const what = 'Another program changed the register meanwhile.';
  throw new StallmarkError([{ code: 'people/register', what, fix: 'Try again.' }]);
}
