import { dayAt, isDay, isZone } from '../base/calendar.js';
import { isoInstant } from '../base/clock.js';
import { StallmarkError, throwIfAny, type Problem } from '../base/error.js';
import {
  hasPersonKey,
  issuePersonKey,
  prepareSecret,
  retirePersonKey,
  type PreparedKey,
} from '../certificate/person-keys.js';
import type { Entry, Ledger } from '../ledger/ledger.js';
import { changePerson, changesIn, isHome, personProblems, type Change } from './change.js';
import { triesOf } from './log-in.js';
import {
  ID_WORDS,
  isPersonId,
  nameOf,
  type Person,
  type Register,
  type Role,
  type Session,
  type Training,
} from './people.js';
import { personOf, readRegister, registerFile } from './register.js';
import { COST, hashSecret, isSecret, secretProblems, type Cost } from './secret.js';
import { inRoles, roleProblems } from './session.js';

/** Who changes people, where, when and why. */
export interface Acting {
  /** Key folder; the register lies in it. */
  readonly keys: string;
  readonly ledger: Ledger;
  readonly session: Session;
  readonly why: string;
  /** ms since the Unix epoch. */
  readonly now: number;
  /** Of new hashes; lower in tests only. */
  readonly cost?: Cost;
}

/** Somebody new. */
export interface NewPerson {
  readonly id: string;
  readonly name: string;
  readonly roles: readonly Role[];
  readonly secret: string;
  /** Today when left out. */
  readonly from?: string;
  readonly until?: string;
}

const MAKERS: readonly Role[] = ['quality engineer'];

/**
 * Makes the register with its first person, a quality engineer, who then adds everybody else.
 *
 * @param acting - Its session is not looked at: nobody can have one yet.
 * @throws people/exists when there is a register, people/register when the ledger knows of one that is
 * gone, people/secret, people/register for a wrong name, id, day or zone, ledger/*, storage/*.
 */
export async function initRegister(
  acting: Omit<Acting, 'session'>,
  zone: string,
  first: Omit<NewPerson, 'roles'> & { readonly roles?: readonly Role[] },
): Promise<Entry> {
  const { keys, ledger, now, why } = acting;
  if (readRegister(keys) !== undefined) {
    const what = `There is a register already: ${registerFile(keys)}.`;
    throw refusal('people/exists', what, 'Add people to it: stallmark people add.');
  }
  if (changesIn(ledger.of('')).length > 0) {
    const what = 'The ledger tells of people, so their register is lost, not missing.';
    throw refusal('people/register', what, 'Restore people.json from the last backup.');
  }
  if (!isZone(zone)) {
    const what = `"${zone}" is no time zone of the IANA list.`;
    throw refusal('usage/argument', what, 'Give a zone such as Europe/Berlin, or UTC.');
  }
  const roles: readonly Role[] = [...new Set<Role>(['quality engineer', ...(first.roles ?? [])])];
  const person = await personFrom({ ...first, roles }, zone, acting);
  const by = nameOf({ ...person, means: 'authenticated' });
  const change = added(person, why, () => ({ zone, people: [person] }));
  return changePerson({ keys, ledger, by, now }, change);
}

/** Adds a person. @throws people/exists, people/secret, people/role, as `changePerson`. */
export async function addPerson(acting: Acting, fresh: NewPerson): Promise<Entry> {
  demandMaker(acting, 'add people');
  const register = registerOf(acting.keys);
  if (!isHome(acting.ledger.of(''))) {
    const what = 'The people of this register were added in another ledger.';
    throw refusal('people/register', what, 'Name that folder of records with --data.');
  }
  const known = changesIn(acting.ledger.of('')).some(({ id }) => id === fresh.id);
  if (known || register.people.some(({ id }) => id === fresh.id)) {
    const what = `The id ${fresh.id} was given before; ids are never used again.`;
    throw refusal('people/exists', what, 'Take another id.');
  }
  const person = await personFrom(fresh, register.zone, acting);
  const apply = ({ zone, people }: Register): Register => ({ zone, people: [...people, person] });
  return enter(acting, added(person, acting.why, apply));
}

function added(person: Person, why: string, apply: Change['apply']): Change {
  const { id, name, roles, from, until } = person;
  const to = { name, roles, from, ...(until === undefined ? {} : { until }) };
  return { change: 'added', id, from: null, to, why, apply };
}

async function personFrom(
  fresh: NewPerson,
  zone: string,
  { now, cost }: Pick<Acting, 'now' | 'cost'>,
): Promise<Person> {
  const { id, name, roles, until } = fresh;
  const problems: Problem[] = [...secretProblems(fresh.secret)];
  if (!isPersonId(id)) {
    const what = `The id is "${id}", but ids are ${ID_WORDS}.`;
    problems.push({ code: 'usage/argument', what, fix: 'Give another id.' });
  }
  throwIfAny(problems);
  const secret = await hashSecret(fresh.secret, cost ?? COST);
  const from = fresh.from ?? dayAt(now, zone);
  const end = until === undefined ? {} : { until };
  return { id, name, roles, secret, from, ...end, training: [] };
}

/** Gives a person other roles. @throws people/role also when no quality engineer would be left. */
export async function changeRoles(
  acting: Acting,
  id: string,
  roles: readonly Role[],
): Promise<Entry> {
  demandMaker(acting, 'change roles');
  const before = activePerson(acting.keys, id);
  const apply = replaced(id, (person) => ({ ...person, roles }));
  refuseNoMaker(apply(registerOf(acting.keys)));
  const { why } = acting;
  return enter(acting, { change: 'roles', id, from: before.roles, to: roles, why, apply });
}

/** Enters that a person was trained. @throws usage/argument for days or issues out of order, people/role. */
export async function trainPerson(acting: Acting, id: string, training: Training): Promise<Entry> {
  demandMaker(acting, 'enter training');
  activePerson(acting.keys, id);
  const { issue, toIssue, on, until } = training;
  if (!isDay(on) || !isDay(until) || until < on || issue < 1 || toIssue < issue) {
    const what = `Training on issues ${issue} to ${toIssue} from ${on} until ${until} is out of order.`;
    throw refusal('usage/argument', what, 'Give the earlier one first, days as 2027-11-30.');
  }
  const apply = replaced(id, (p) => ({ ...p, training: [...p.training, training] }));
  const { why } = acting;
  return enter(acting, { change: 'training', id, from: null, to: { ...training }, why, apply });
}

/**
 * Retires a person; the id stays taken and what the person signed still verifies. The key is put away.
 *
 * @throws people/role also when no quality engineer would be left; as `changePerson`.
 */
export async function retirePerson(acting: Acting, id: string): Promise<Entry> {
  demandMaker(acting, 'retire people');
  const { keys, now, why } = acting;
  const { name, roles } = activePerson(keys, id);
  const retired = { at: isoInstant(now), why };
  const apply = replaced(id, (person) => ({ ...person, retired }));
  refuseNoMaker(apply(registerOf(keys)));
  const from = { name, roles };
  const entry = await enter(acting, { change: 'retired', id, from, to: retired, why, apply });
  await retirePersonKey(keys, id, why, now);
  return entry;
}

/** Lets a person who is locked try again. @throws people/role, usage/argument when nobody is locked. */
export async function unlockPerson(acting: Acting, id: string): Promise<Entry> {
  demandMaker(acting, 'unlock people');
  personOf(registerOf(acting.keys), id);
  const tries = triesOf(acting.ledger.of(''), id);
  if (!tries.locked) {
    throw refusal('usage/argument', `${id} is not locked.`, 'Nothing is to be done.');
  }
  const from = `locked after ${tries.failures} wrong secrets`;
  const { why } = acting;
  const apply = (register: Register): Register => register;
  return enter(acting, { change: 'unlocked', id, from, to: 'may try again', why, apply });
}

/** Enters that what the register says of a person was looked at and is right. @throws people/role. */
export async function confirmPerson(acting: Acting, id: string): Promise<Entry> {
  demandMaker(acting, 'confirm the register');
  const person = personOf(registerOf(acting.keys), id);
  const [problem] = personProblems(person, acting.ledger.of(''));
  if (problem === undefined) {
    const what = `The register says of ${id} what the ledger left there.`;
    throw refusal('usage/argument', what, 'Nothing is to be done.');
  }
  const { secret, ...told } = person;
  const to = { ...JSON.parse(JSON.stringify(told)), secret: secret.kind } as Change['to'];
  const apply = (register: Register): Register => register;
  return enter(acting, { change: 'confirmed', id, from: problem.what, to, why: acting.why, apply });
}

/**
 * Gives a person another secret: one's own with the old one, and the key goes along; another person's
 * as a quality engineer, and then the key, which only the old secret opens, is put away.
 *
 * @param old - The old secret, for one's own.
 * @throws people/secret, people/role, people/log-in when the old secret is wrong, keys/*, as `changePerson`.
 */
export async function changeSecret(
  acting: Acting,
  id: string,
  secrets: { readonly old?: string; readonly fresh: string },
): Promise<Entry> {
  const { keys, session, why, now } = acting;
  const isOwn = session.id === id && session.means === 'authenticated';
  if (!isOwn) demandMaker(acting, 'give others a new secret');
  const person = activePerson(keys, id);
  throwIfAny(secretProblems(secrets.fresh));
  if (await isSecret(secrets.fresh, person.secret)) {
    throw refusal('people/secret', 'The new secret is the old one.', 'Take another one.');
  }
  const secret = await hashSecret(secrets.fresh, acting.cost ?? COST);
  const hasKey = await hasPersonKey(keys, id);
  const key = isOwn && hasKey ? await prepareSecret(keys, id, ownSecrets(secrets)) : undefined;
  const change = {
    change: 'secret',
    id,
    from: 'the old secret',
    to: isOwn ? 'a new secret' : `a new secret, given by ${nameOf(session)}`,
    why,
    apply: replaced(id, (p) => ({ ...p, secret })),
  } as const;
  const entry = await enterWithKey(acting, change, key);
  if (!isOwn) await retirePersonKey(keys, id, 'the secret that opens it was replaced', now);
  return entry;
}

function ownSecrets(secrets: { readonly old?: string; readonly fresh: string }): {
  readonly old: string;
  readonly fresh: string;
} {
  return { old: secrets.old ?? '', fresh: secrets.fresh };
}

async function enterWithKey(
  acting: Acting,
  change: Change,
  key: PreparedKey | undefined,
): Promise<Entry> {
  if (key === undefined) return enter(acting, change);
  try {
    return await enter(acting, { ...change, also: key.enforce });
  } finally {
    await key.drop();
  }
}

/**
 * Has the plant root issue a key for whoever is logged in, to sign with.
 *
 * @param passphrases - The root's, from its keeper, and the person's own secret.
 * @throws keys/exists when there is one, keys/passphrase, keys/missing, as `changePerson`.
 */
export async function issueKey(
  acting: Acting,
  passphrases: { readonly root: string; readonly secret: string },
): Promise<Entry> {
  const { keys, session, now, why } = acting;
  const { id, name } = activePerson(keys, session.id);
  await issuePersonKey(keys, { id, name }, passphrases, now);
  const apply = (register: Register): Register => register;
  const to = 'a key of two years to sign with';
  return enter(acting, { change: 'key issued', id, from: null, to, why, apply });
}

function enter({ keys, ledger, session, now }: Acting, change: Change): Promise<Entry> {
  return changePerson({ keys, ledger, by: nameOf(session), now }, change);
}

function replaced(id: string, change: (person: Person) => Person): Change['apply'] {
  return ({ zone, people }) => ({
    zone,
    people: people.map((person) => (person.id === id ? change(person) : person)),
  });
}

function registerOf(keys: string): Register {
  const register = readRegister(keys);
  if (register !== undefined) return register;
  const what = `There is no register of people: ${registerFile(keys)}.`;
  throw refusal('people/register', what, 'Make one: stallmark people init.');
}

/** @throws people/unknown also for somebody who was retired: nothing more changes about them. */
function activePerson(keys: string, id: string): Person {
  const person = personOf(registerOf(keys), id);
  if (person.retired === undefined) return person;
  const what = `${person.name} (${id}) was retired ${person.retired.at}.`;
  throw refusal('people/unknown', what, 'Add the person again under another id.');
}

function demandMaker({ session }: Acting, act: string): void {
  if (session.means === 'stated') {
    const what = `"${session.name}" was only stated, and cannot ${act}.`;
    throw refusal('people/stated', what, 'Give your id with --as.');
  }
  throwIfAny(roleProblems(inRoles(session), MAKERS, act));
}

function refuseNoMaker({ people }: Register): void {
  const left = people.some((p) => p.retired === undefined && p.roles.includes('quality engineer'));
  if (left) return;
  const what = 'No quality engineer would be left to add or unlock anybody.';
  throw refusal('people/role', what, 'Make another person quality engineer first.');
}

function refusal(code: Problem['code'], what: string, fix: string): StallmarkError {
  return new StallmarkError([{ code, what, fix }]);
}
