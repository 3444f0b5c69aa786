import { dayAt } from '../base/calendar.js';
import { isoInstant, type Clock } from '../base/clock.js';
import { StallmarkError, unreachable, type Problem } from '../base/error.js';
import type { Entry, Ledger } from '../ledger/ledger.js';
import { changesIn, personProblems } from './change.js';
import {
  afterFailure,
  failureEntry,
  MOST_FAILURES,
  sessionEntry,
  sessionIn,
  triesOf,
  type Place,
  type Reason,
  type Tries,
} from './log-in.js';
import { nameOf, ROLES, type Person, type Register, type Role, type Session } from './people.js';
import { COST, decoyHash, isSecret } from './secret.js';

/** ms without a sign of life after which a session has ended. */
export const IDLE = 15 * 60_000;

/** What log-ins are entered in: only entries without a serial are read. */
export type PeopleLedger = Pick<Ledger, 'append' | 'of' | 'last'>;

/** Where a log-in is checked and entered. */
export interface LogInParts {
  readonly register: Register;
  readonly ledger: PeopleLedger;
  readonly clock: Clock;
  readonly place: Place;
  /** ms for which the session lasts without a sign of life; 0 for a single act such as signing. */
  readonly lasts?: number;
}

export interface Claim {
  readonly id: string;
  readonly secret: string;
}

export type LogIn =
  | { readonly kind: 'session'; readonly session: Session }
  | { readonly kind: 'refused'; readonly problem: Problem };

/**
 * Checks an id and a secret, and enters what came of it before it is told.
 *
 * After a wrong secret the next try counts only after a delay that grows, and after five in a row only
 * after a quality engineer unlocked the id: whatever is typed until then is refused unread. Ids nobody
 * has are answered alike and cost the same. The judgement is made while no other program can append,
 * so guesses side by side gain nothing; a clock that was set back does not keep a failure out.
 *
 * @throws ledger/*, storage/*: then nothing is told of the secret.
 *
 * Check: tests/unit/session.test.ts.
 */
export async function authenticate(parts: LogInParts, claim: Claim): Promise<LogIn> {
  const { register, ledger, clock, place } = parts;
  const person = register.people.find(({ id }) => id === claim.id);
  const cost = register.people[0]?.secret ?? COST;
  const isRight = await isSecret(claim.secret, person?.secret ?? decoyHash(cost));
  const now = clock.now();
  let found: LogIn | undefined;
  ledger.append(
    () => {
      const entries = ledger.of('');
      const tries = triesOf(entries, claim.id);
      const known = isRight ? person : undefined;
      const reason = reasonAgainst({ known, tries, entries, zone: register.zone, now });
      if (reason !== undefined || known === undefined) {
        const because = reason ?? 'wrong';
        const after = because === 'wrong' ? afterFailure(tries, now) : tries;
        found = { kind: 'refused', problem: refusal(because, after, known) };
        return failureEntry(claim.id, because, place, now);
      }
      const session = sessionOf(known, register.zone, now);
      found = { kind: 'session', session };
      const until = now + (parts.lasts ?? IDLE);
      const note = { person: known.id, bench: place.bench, began: true, until };
      return sessionEntry(note, place, nameOf(session));
    },
    notBefore(now, ledger),
  );
  if (found === undefined) throw new Error('a log-in was entered without a judgement');
  return found;
}

/** A log-in is entered also while the clock is behind: else a clock set back would hide failures. */
function notBefore(now: number, ledger: PeopleLedger): number {
  const last = ledger.last();
  return last === undefined ? now : Math.max(now, Date.parse(last.at));
}

interface Judging {
  /** The person, when the secret is right. */
  readonly known: Person | undefined;
  readonly tries: Tries;
  readonly entries: readonly Entry[];
  readonly zone: string;
  readonly now: number;
}

function reasonAgainst({ known, tries, entries, zone, now }: Judging): Reason | undefined {
  if (tries.locked) return 'locked';
  if (now < tries.from) return 'early';
  if (known === undefined) return 'wrong';
  if (!isValid(known, dayAt(now, zone))) return 'not valid';
  return personProblems(known, entries).length > 0 ? 'changed' : undefined;
}

function isValid({ from, until, retired }: Person, today: string): boolean {
  return retired === undefined && today >= from && (until === undefined || today <= until);
}

function refusal(reason: Reason, tries: Tries, known: Person | undefined): Problem {
  const again = isoInstant(tries.from + 999); // never before the wait is over
  switch (reason) {
    case 'wrong': {
      if (tries.locked) return refusal('locked', tries, known);
      const left = MOST_FAILURES - tries.failures;
      const what = `Id and secret do not belong together. After ${left} more wrong ${left === 1 ? 'one' : 'ones'} in a row the id is locked.`;
      return { code: 'people/log-in', what, fix: `Try again at ${again}.` };
    }
    case 'early': {
      const what = `After ${tries.failures} wrong ${tries.failures === 1 ? 'secret' : 'secrets'} in a row this id has to wait; nothing was compared.`;
      return { code: 'people/log-in', what, fix: `Try again at ${again}.` };
    }
    case 'locked': {
      const what = `This id is locked after ${tries.failures} wrong secrets in a row.`;
      const fix = 'Have a quality engineer unlock it: stallmark people unlock.';
      return { code: 'people/locked', what, fix };
    }
    case 'not valid': {
      const what = `${personWords(known)} may not log in today: retired, not yet here, or no longer.`;
      return { code: 'people/log-in', what, fix: 'Have a quality engineer look at the register.' };
    }
    case 'changed': {
      const what = `${personWords(known)} stands in the register otherwise than the ledger left it.`;
      const fix = 'Have a quality engineer look at it: stallmark people list.';
      return { code: 'people/changed', what, fix };
    }
    case 'stated':
      return {
        code: 'people/stated',
        what: 'A name was stated, but here everybody logs in with id and secret.',
        fix: 'Give your id with --as; the secret is asked for.',
      };
    default:
      return unreachable(reason);
  }
}

const personWords = (person: Person | undefined): string =>
  person === undefined ? 'This person' : `${person.name} (${person.id})`;

function sessionOf({ id, name, roles, training }: Person, zone: string, at: number): Session {
  return { id, name, roles, at, means: 'authenticated', training, zone };
}

/** How somebody says who is there: a name, or an id and a secret that is asked for. */
export interface SessionWish {
  /** Undefined when there is no register at all. */
  readonly register: Register | undefined;
  readonly ledger: PeopleLedger;
  readonly clock: Clock;
  readonly place: Place;
  readonly stated: string | undefined;
  readonly id: string | undefined;
  /** Asks for the secret of an id. */
  readonly ask: (id: string) => Promise<string>;
  readonly lasts?: number;
}

/**
 * Returns who works: by secret where there is a register, by a name that nobody checks on a simulated
 * bench without one. There is no third way.
 *
 * @throws people/stated for a name where there is a register, or a real bench without one;
 * people/register when the ledger knows people but the register is gone; people/log-in,
 * people/locked, people/changed; usage/argument when nobody is named; ledger/*, storage/*.
 */
export async function sessionFor(wish: SessionWish): Promise<Session> {
  const { register, ledger, clock, place, stated, id } = wish;
  if (register === undefined) return statedSession(wish);
  if (stated !== undefined) {
    const now = clock.now();
    ledger.append(failureEntry(id ?? '', 'stated', place, now), notBefore(now, ledger));
    throw new StallmarkError([
      refusal('stated', { failures: 0, locked: false, from: now }, undefined),
    ]);
  }
  if (id === undefined) {
    const what = 'Nobody was named, but everything here is done by a known person.';
    const fix = 'Give your id with --as.';
    throw new StallmarkError([{ code: 'usage/argument', what, fix }]);
  }
  const lasts = wish.lasts === undefined ? {} : { lasts: wish.lasts };
  const secret = await wish.ask(id);
  const found = await authenticate({ register, ledger, clock, place, ...lasts }, { id, secret });
  if (found.kind === 'refused') throw new StallmarkError([found.problem]);
  return found.session;
}

function statedSession({ ledger, clock, place, stated, id }: SessionWish): Session {
  if (changesIn(ledger.of('')).length > 0) {
    const what = 'The ledger tells of people, but there is no register of them.';
    const fix = 'Restore people.json, or name the folder it lies in with --keys.';
    throw new StallmarkError([{ code: 'people/register', what, fix }]);
  }
  if (!place.simulated || id !== undefined) {
    const what = 'There is no register of people, so nobody can log in.';
    const fix = 'Make one: stallmark people init.';
    throw new StallmarkError([{ code: 'people/stated', what, fix }]);
  }
  const name = stated?.trim() ?? '';
  if (name === '') {
    const what = 'Nobody was named, but everything here is done by a named person.';
    throw new StallmarkError([{ code: 'usage/argument', what, fix: 'Give the name.' }]);
  }
  const at = clock.now();
  return { id: name, name, roles: ROLES, at, means: 'stated', training: [], zone: 'UTC' };
}

/**
 * Says why a session no longer counts at a bench: it was left alone too long, somebody else logged in
 * there, the person was changed since, or the same person is logged in at another bench at once.
 *
 * @param entries - Entries without a serial, oldest first.
 * @param now - ms since the Unix epoch.
 */
export function sessionProblems(
  entries: readonly Entry[],
  session: Session,
  bench: string,
  now: number,
): readonly Problem[] {
  if (session.means === 'stated') return [];
  const notes = entries.flatMap((entry) => {
    const note = sessionIn(entry);
    return note === undefined ? [] : [{ ...note, number: entry.number }];
  });
  const here = notes.filter((note) => note.bench === bench);
  const last = here.at(-1);
  const problems: Problem[] = [];
  if (last?.person !== session.id) {
    const who = last === undefined ? 'Nobody' : `"${last.person}"`;
    problems.push(ended(`${who} is logged in at bench ${bench}, not ${nameOf(session)}.`));
  } else if (now >= last.until) {
    problems.push(ended(`The session of ${nameOf(session)} ended at ${isoInstant(last.until)}.`));
  }
  const began = here.findLast((note) => note.began && note.person === session.id)?.number ?? 0;
  const changed = changesIn(entries, session.id).find(
    ({ entry, change }) => entry > began && ENDING.has(change),
  );
  if (changed !== undefined) {
    const what = `${nameOf(session)} was changed after logging in (entry ${changed.entry}, ${changed.change}).`;
    problems.push(ended(what));
  }
  return [...problems, ...elsewhere(notes, session, bench, now)];
}

const ENDING: ReadonlySet<string> = new Set(['retired', 'roles', 'secret']);

const ended = (what: string): Problem => ({ code: 'people/session', what, fix: 'Log in again.' });

function elsewhere(
  notes: readonly { readonly person: string; readonly bench: string; readonly until: number }[],
  session: Session,
  bench: string,
  now: number,
): readonly Problem[] {
  const latest = new Map(notes.map((note) => [note.bench, note]));
  latest.delete(bench);
  latest.delete('');
  return [...latest.values()]
    .filter((note) => note.person === session.id && now < note.until)
    .map((note) => ({
      code: 'people/session',
      what: `${nameOf(session)} is logged in at bench ${note.bench} at the same time.`,
      fix: `Log out there, or wait until ${Number.isFinite(note.until) ? isoInstant(note.until) : 'it has ended'}; nobody lends a secret.`,
    }));
}

/** Enters a sign of life, so that the session goes on for another 15 minutes. */
export function goOn(ledger: PeopleLedger, session: Session, place: Place, now: number): void {
  enterNote(ledger, session, place, { until: now + IDLE, now });
}

/** Enters that the person left. */
export function logOut(ledger: PeopleLedger, session: Session, place: Place, now: number): void {
  enterNote(ledger, session, place, { until: now, now });
}

function enterNote(
  ledger: PeopleLedger,
  session: Session,
  place: Place,
  { until, now }: { readonly until: number; readonly now: number },
): void {
  if (session.means === 'stated') return;
  const note = { person: session.id, bench: place.bench, began: false, until };
  ledger.append(sessionEntry(note, place, nameOf(session)), now);
}

/** Whoever acts, as entries name the person, and in which roles. */
export interface InRoles {
  readonly by: string;
  readonly roles: readonly Role[];
}

/** A person at work as one who acts. */
export const inRoles = (session: Session): InRoles => ({
  by: nameOf(session),
  roles: session.roles,
});

/** Says that a person is in none of the roles that may do something. */
export function roleProblems(
  { by, roles }: InRoles,
  allowed: readonly Role[],
  act: string,
): readonly Problem[] {
  if (roles.some((role) => allowed.includes(role))) return [];
  const what = `${by} is ${roles.join(', ')}, but may not ${act}.`;
  const fix = `Have it done by: ${allowed.join(' or ')}.`;
  return [{ code: 'people/role', what, fix }];
}
