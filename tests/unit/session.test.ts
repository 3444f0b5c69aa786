import { rmSync } from 'node:fs';
import { expect, test } from 'vitest';
import { StallmarkError, type Problem } from '../../src/base/error.js';
import { changeRoles, retirePerson, unlockPerson } from '../../src/people/administration.js';
import { MOST_FAILURES, triesOf } from '../../src/people/log-in.js';
import { identityWords, nameOf, ROLES, type Session } from '../../src/people/people.js';
import { readRegister, registerFile } from '../../src/people/register.js';
import {
  authenticate,
  goOn,
  IDLE,
  logOut,
  inRoles,
  roleProblems,
  sessionFor,
  sessionProblems,
  type LogIn,
  type SessionWish,
} from '../../src/people/session.js';
import { memoryLedger, SECRETS, testPeople, type TestPeople } from '../support/people.js';
import { temporaryFolder } from '../support/folder.js';
import { handClock } from '../support/clock.js';

const SECOND = 1000;
const MINUTE = 60 * SECOND;
const DAY = 24 * 60 * MINUTE;
const place = { bench: 'TW-1', simulated: true };

function tryIn(people: TestPeople, id: string, secret: string, bench = 'TW-1'): Promise<LogIn> {
  const { keys, ledger, clock } = people;
  const register = readRegister(keys);
  if (register === undefined) throw new Error('there is no register');
  return authenticate({ register, ledger, clock, place: { ...place, bench } }, { id, secret });
}

async function logIn(people: TestPeople, id: 'OP-1' | 'OP-2', bench = 'TW-1'): Promise<Session> {
  const found = await tryIn(people, id, SECRETS[id], bench);
  if (found.kind === 'refused') throw new StallmarkError([found.problem]);
  return found.session;
}

async function refusalOf(people: TestPeople, id: string, secret: string): Promise<Problem> {
  const found = await tryIn(people, id, secret);
  if (found.kind === 'session') throw new Error('logged in');
  return found.problem;
}

/** Tries a wrong secret so often, each as soon as it counts. */
async function guess(people: TestPeople, id: string, times: number): Promise<void> {
  for (let i = 0; i < times; i += 1) {
    await refusalOf(people, id, 'wrong secret');
    people.clock.set(Math.max(people.clock.now(), triesOf(people.ledger.of(''), id).from));
  }
}

test('id and secret make a session that is entered with bench and end', async () => {
  const people = await testPeople();
  const session = await logIn(people, 'OP-1');
  expect(session).toMatchObject({ id: 'OP-1', roles: ['operator'], means: 'authenticated' });
  expect(nameOf(session)).toBe('O. Operator (OP-1)');
  expect(identityWords(session)).toBe('identity checked by secret');
  const last = people.ledger.last();
  expect(last).toMatchObject({ kind: 'note', serial: '', attempt: 0, by: 'O. Operator (OP-1)' });
  expect(last?.body).toEqual({
    ...{ note: 'session', person: 'OP-1', bench: 'TW-1', simulated: true, began: true },
    until: '2026-11-25T14:15:00.000Z',
  });
});

test('a wrong secret is entered without it, and the refusal says when the next one counts', async () => {
  const people = await testPeople();
  const problem = await refusalOf(people, 'OP-1', '999123');
  expect(problem).toEqual({
    code: 'people/log-in',
    what: 'Id and secret do not belong together. After 4 more wrong ones in a row the id is locked.',
    fix: 'Try again at 2026-11-25T14:00:01Z.',
  });
  const last = people.ledger.last();
  expect(last).toMatchObject({ kind: 'refused', serial: '', by: 'OP-1' });
  expect(last?.body).toMatchObject({ what: 'log-in', person: 'OP-1', reason: 'wrong', ...place });
  expect(JSON.stringify([...people.ledger.entries()])).not.toContain('999123');
});

test('waits grow: 1 s, 5 s, 30 s, 120 s, then the lock', async () => {
  const people = await testPeople();
  const waits: number[] = [];
  for (let i = 1; i < MOST_FAILURES; i += 1) {
    const before = people.clock.now();
    await refusalOf(people, 'OP-1', 'wrong secret');
    const { from } = triesOf(people.ledger.of(''), 'OP-1');
    waits.push((from - before) / SECOND);
    people.clock.set(from);
  }
  expect(waits).toEqual([1, 5, 30, 120]);
  expect(await refusalOf(people, 'OP-1', 'wrong secret')).toMatchObject({
    code: 'people/locked',
    what: 'This id is locked after 5 wrong secrets in a row.',
  });
});

test('until the wait is over even the right secret is refused unread, and does not count', async () => {
  const people = await testPeople();
  await guess(people, 'OP-1', 1);
  await refusalOf(people, 'OP-1', 'wrong secret'); // the second one: 5 s
  await people.clock.advance(4999);
  expect((await refusalOf(people, 'OP-1', SECRETS['OP-1'])).what).toContain('nothing was compared');
  expect(triesOf(people.ledger.of(''), 'OP-1').failures).toBe(2);
  await people.clock.advance(1);
  expect((await logIn(people, 'OP-1')).id).toBe('OP-1');
});

test('a right secret ends the row of wrong ones', async () => {
  const people = await testPeople();
  await guess(people, 'OP-1', 4);
  await logIn(people, 'OP-1');
  expect(triesOf(people.ledger.of(''), 'OP-1').failures).toBe(0);
  await guess(people, 'OP-1', 4);
  expect(triesOf(people.ledger.of(''), 'OP-1').locked).toBe(false);
});

test('wrong secrets of one person do not lock another', async () => {
  const people = await testPeople();
  await guess(people, 'OP-1', 5);
  expect((await refusalOf(people, 'OP-1', SECRETS['OP-1'])).code).toBe('people/locked');
  expect((await logIn(people, 'OP-2')).id).toBe('OP-2');
});

test('no clock, no waiting and no new start of the program ends a lock', async () => {
  const people = await testPeople();
  await guess(people, 'OP-1', 5);
  const locked = people.clock.now();
  for (const shift of [0, MINUTE, DAY, 400 * DAY, -DAY, -400 * DAY]) {
    people.clock.set(locked + shift);
    // Register and ledger are read anew for every log-in, as after a new start.
    expect((await refusalOf(people, 'OP-1', SECRETS['OP-1'])).code).toBe('people/locked');
  }
});

test('a quality engineer unlocks with a reason, and nobody else', async () => {
  const people = await testPeople();
  await guess(people, 'OP-1', 5);
  const asOperator = { ...people.acting(), session: people.session('OP-2') };
  await expect(unlockPerson(asOperator, 'OP-1')).rejects.toThrow('people/role');
  await expect(unlockPerson(people.acting(' '), 'OP-1')).rejects.toThrow('usage/argument');
  expect((await refusalOf(people, 'OP-1', SECRETS['OP-1'])).code).toBe('people/locked');
  const entry = await unlockPerson(people.acting('mistyped with gloves'), 'OP-1');
  expect(entry.body).toMatchObject({
    ...{ what: 'person', id: 'OP-1', change: 'unlocked', why: 'mistyped with gloves' },
    ...{ from: 'locked after 5 wrong secrets', to: 'may try again' },
  });
  expect((await logIn(people, 'OP-1')).id).toBe('OP-1');
  await expect(unlockPerson(people.acting(), 'OP-1')).rejects.toThrow('OP-1 is not locked');
});

test('a clock that is set back lengthens a wait and hides no failure', async () => {
  const people = await testPeople();
  await refusalOf(people, 'OP-1', 'wrong secret');
  people.clock.set(people.clock.now() - DAY);
  expect((await refusalOf(people, 'OP-1', SECRETS['OP-1'])).what).toContain('nothing was compared');
  const other = await refusalOf(people, 'OP-2', 'wrong secret');
  expect(other.fix).toBe('Try again at 2026-11-24T14:00:01Z.');
  const last = people.ledger.last();
  expect(last?.at).toBe('2026-11-25T14:00:00.000Z'); // not earlier than the entry before
  expect(last?.body['clock']).toBe('2026-11-24T14:00:00.000Z');
  expect(triesOf(people.ledger.of(''), 'OP-2').failures).toBe(1);
});

test('an id nobody has is answered, delayed and locked like one with a wrong secret', async () => {
  const people = await testPeople();
  for (let i = 0; i < 6; i += 1) {
    const known = await refusalOf(people, 'OP-1', 'wrong secret');
    const unknown = await refusalOf(people, 'ZZ-9', 'wrong secret');
    expect(unknown).toEqual(known);
    people.clock.set(Math.max(people.clock.now(), triesOf(people.ledger.of(''), 'ZZ-9').from));
  }
});

test('what is no id is not repeated in the ledger: it may be a secret in the wrong field', async () => {
  const people = await testPeople();
  await refusalOf(people, '271828', 'OP-1');
  expect(JSON.stringify([...people.ledger.entries()])).not.toContain('271828');
  expect(people.ledger.last()?.body['person']).toBe('(no id)');
});

test('guesses side by side count one after the other', async () => {
  const people = await testPeople();
  const wrong = Array.from({ length: 4 }, (_, i) => refusalOf(people, 'OP-1', `wrong ${i}`));
  const answers = await Promise.all([...wrong, refusalOf(people, 'OP-1', SECRETS['OP-1'])]);
  expect(answers.filter(({ what }) => what.includes('do not belong together'))).toHaveLength(1);
  expect(answers.filter(({ what }) => what.includes('nothing was compared'))).toHaveLength(4);
});

test('nothing is told of a secret when it cannot be entered', async () => {
  const people = await testPeople();
  const full = new StallmarkError([{ code: 'storage/full', what: 'full', fix: 'free' }]);
  const ledger = {
    of: people.ledger.of.bind(people.ledger),
    last: people.ledger.last.bind(people.ledger),
    append: () => {
      throw full;
    },
  };
  const register = readRegister(people.keys);
  if (register === undefined) throw new Error('there is no register');
  for (const secret of [SECRETS['OP-1'], 'wrong secret']) {
    const parts = { register, ledger, clock: people.clock, place };
    await expect(authenticate(parts, { id: 'OP-1', secret })).rejects.toBe(full);
  }
});

test('a retired person is refused, and told so only with the right secret', async () => {
  const people = await testPeople();
  await retirePerson(people.acting('left'), 'OP-1');
  expect((await refusalOf(people, 'OP-1', SECRETS['OP-1'])).what).toContain('may not log in today');
  expect((await refusalOf(people, 'OP-1', 'wrong secret')).what).toContain(
    'do not belong together',
  );
});

const wish = (people: TestPeople, changes: Partial<SessionWish>): SessionWish => ({
  register: readRegister(people.keys),
  ledger: people.ledger,
  clock: people.clock,
  place,
  stated: undefined,
  id: undefined,
  ask: () => Promise.reject(new Error('nobody was to be asked')),
  ...changes,
});

test('with a register a stated name is refused and entered, also on a simulated bench', async () => {
  const people = await testPeople();
  const stated = sessionFor(wish(people, { stated: 'O. Operator', id: 'OP-1' }));
  await expect(stated).rejects.toThrow('people/stated');
  expect(people.ledger.last()?.body).toMatchObject({ what: 'log-in', reason: 'stated' });
  await expect(sessionFor(wish(people, {}))).rejects.toThrow('usage/argument');
});

test('with a register an id is asked for its secret', async () => {
  const people = await testPeople();
  const asked: string[] = [];
  const ask = (id: string): Promise<string> => {
    asked.push(id);
    return Promise.resolve(SECRETS['OP-1']);
  };
  const session = await sessionFor(wish(people, { id: 'OP-1', ask }));
  expect(session.means).toBe('authenticated');
  expect(asked).toEqual(['OP-1']);
  const wrong = sessionFor(wish(people, { id: 'OP-2', ask }));
  await expect(wrong).rejects.toThrow('people/log-in');
});

test('a register that is gone does not open the door', async () => {
  const people = await testPeople();
  rmSync(registerFile(people.keys));
  const stated = sessionFor(wish(people, { stated: 'O. Operator' }));
  await expect(stated).rejects.toThrow('people/register: The ledger tells of people');
});

const bare = (changes: Partial<SessionWish>): SessionWish => ({
  register: readRegister(temporaryFolder()),
  ledger: memoryLedger(),
  clock: handClock(),
  place,
  stated: 'O. Operator',
  id: undefined,
  ask: () => Promise.reject(new Error('nobody was to be asked')),
  ...changes,
});

test('without a register a simulated bench takes a name, and records say it was not checked', async () => {
  const session = await sessionFor(bare({}));
  expect(session).toMatchObject({ name: 'O. Operator', means: 'stated', roles: ROLES });
  expect(nameOf(session)).toBe('O. Operator');
  expect(identityWords(session)).toBe('identity stated, not checked');
  await expect(sessionFor(bare({ stated: ' ' }))).rejects.toThrow('usage/argument');
  await expect(sessionFor(bare({ id: 'OP-1' }))).rejects.toThrow('people/stated');
});

test('without a register a real bench refuses everybody', async () => {
  const real = { bench: 'TW-1', simulated: false };
  await expect(sessionFor(bare({ place: real }))).rejects.toThrow('people/stated');
});

const whatOf = (people: TestPeople, session: Session, bench = 'TW-1'): readonly string[] =>
  sessionProblems(people.ledger.of(''), session, bench, people.clock.now()).map(({ what }) => what);

test('a session ends after 15 minutes without a sign of life', async () => {
  const people = await testPeople();
  const session = await logIn(people, 'OP-1');
  await people.clock.advance(IDLE - 1);
  expect(whatOf(people, session)).toEqual([]);
  goOn(people.ledger, session, place, people.clock.now());
  await people.clock.advance(IDLE - 1);
  expect(whatOf(people, session)).toEqual([]);
  await people.clock.advance(1);
  expect(whatOf(people, session).join()).toContain('ended at 2026-11-25T14:29:59Z');
});

test('whoever logs in last at a bench is the one who works there', async () => {
  const people = await testPeople();
  const first = await logIn(people, 'OP-1');
  const second = await logIn(people, 'OP-2');
  expect(whatOf(people, first).join()).toContain('"OP-2" is logged in at bench TW-1');
  expect(whatOf(people, second)).toEqual([]);
});

test('one person at two benches at once is told at both, until one is left', async () => {
  const people = await testPeople();
  const one = await logIn(people, 'OP-1', 'TW-1');
  const two = await logIn(people, 'OP-1', 'TW-2');
  expect(whatOf(people, one, 'TW-1').join()).toContain('logged in at bench TW-2 at the same time');
  expect(whatOf(people, two, 'TW-2').join()).toContain('logged in at bench TW-1 at the same time');
  logOut(people.ledger, one, place, people.clock.now());
  expect(whatOf(people, two, 'TW-2')).toEqual([]);
  expect(whatOf(people, one, 'TW-1').join()).toContain('ended');
});

test('an idle session at the other bench ends by itself', async () => {
  const people = await testPeople();
  await logIn(people, 'OP-1', 'TW-1');
  await people.clock.advance(IDLE);
  const two = await logIn(people, 'OP-1', 'TW-2');
  expect(whatOf(people, two, 'TW-2')).toEqual([]);
});

test('a session at no bench, for one act, is at no second bench', async () => {
  const people = await testPeople();
  const session = await logIn(people, 'OP-1', 'TW-1');
  await logIn(people, 'OP-1', '');
  expect(whatOf(people, session)).toEqual([]);
});

test('a change of the person ends the session', async () => {
  const people = await testPeople();
  const session = await logIn(people, 'OP-1');
  await changeRoles(people.acting('other work'), 'OP-1', ['maintenance']);
  expect(whatOf(people, session).join()).toContain('was changed after logging in');
  const again = await logIn(people, 'OP-1');
  expect(again.roles).toEqual(['maintenance']);
  expect(whatOf(people, again)).toEqual([]);
});

test('a role that may is enough, and a refusal names who may', async () => {
  const people = await testPeople();
  const session = people.session('OP-1');
  expect(roleProblems(inRoles(session), ['auditor', 'operator'], 'start')).toEqual([]);
  expect(
    roleProblems(inRoles(session), ['quality engineer', 'auditor'], 'release an item'),
  ).toEqual([
    {
      code: 'people/role',
      what: 'O. Operator (OP-1) is operator, but may not release an item.',
      fix: 'Have it done by: quality engineer or auditor.',
    },
  ]);
});
