import { copyFileSync, readFileSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { expect, test } from 'vitest';
import {
  addPerson,
  changeRoles,
  changeSecret,
  confirmPerson,
  initRegister,
  retirePerson,
  trainPerson,
} from '../../src/people/administration.js';
import { changePerson, changesIn, personProblems } from '../../src/people/change.js';
import { personOf, readRegister, registerFile } from '../../src/people/register.js';
import { authenticate } from '../../src/people/session.js';
import { temporaryFolder } from '../support/folder.js';
import {
  LOW_COST,
  memoryLedger,
  SECRETS,
  testPeople,
  type TestId,
  type TestPeople,
} from '../support/people.js';

const place = { bench: 'TW-1', simulated: true };

function registerOf(people: TestPeople): NonNullable<ReturnType<typeof readRegister>> {
  const register = readRegister(people.keys);
  if (register === undefined) throw new Error('there is no register');
  return register;
}

async function logsIn(people: TestPeople, id: string, secret: string): Promise<boolean | string> {
  const parts = { register: registerOf(people), ledger: people.ledger, clock: people.clock, place };
  const found = await authenticate(parts, { id, secret });
  return found.kind === 'session' ? true : found.problem.code;
}

const added = { name: 'N. Ewcomer', roles: ['operator'], secret: '602214' } as const;

test('the first person is a quality engineer, who adds the others; every change is entered', async () => {
  const people = await testPeople();
  const { people: all, zone } = registerOf(people);
  expect(zone).toBe('Europe/Berlin');
  expect(all.map(({ id, roles }) => [id, roles.join()])).toEqual([
    ['QE-1', 'quality engineer'],
    ['OP-1', 'operator'],
    ['OP-2', 'operator'],
    ['AU-1', 'auditor'],
  ]);
  const entries = [...people.ledger.entries()];
  expect(entries.map(({ kind, by }) => [kind, by])).toEqual(
    all.map(() => ['changed', 'Q. Engineer (QE-1)']),
  );
  expect(entries[1]?.body).toMatchObject({
    ...{ what: 'person', id: 'OP-1', change: 'added', from: null, why: 'for the test' },
    to: { name: 'O. Operator', roles: ['operator'], from: '2026-11-25' },
  });
  for (const id of Object.keys(SECRETS) as TestId[]) {
    expect(JSON.stringify(entries)).not.toContain(SECRETS[id]);
    expect(JSON.stringify(entries)).not.toContain(personOf(registerOf(people), id).secret.hash);
  }
});

test('only a quality engineer changes people', async () => {
  const people = await testPeople();
  for (const id of ['OP-1', 'AU-1'] as const) {
    const acting = { ...people.acting(), session: people.session(id) };
    await expect(addPerson(acting, { id: 'OP-9', ...added })).rejects.toThrow('people/role');
    await expect(changeRoles(acting, id, ['quality engineer'])).rejects.toThrow('people/role');
    await expect(retirePerson(acting, 'QE-1')).rejects.toThrow('people/role');
    await expect(changeSecret(acting, 'QE-1', { fresh: '602214' })).rejects.toThrow('people/role');
  }
  const stated = { ...people.session('QE-1'), means: 'stated' } as const;
  const acting = { ...people.acting(), session: stated };
  await expect(addPerson(acting, { id: 'OP-9', ...added })).rejects.toThrow('people/stated');
});

test('a second register is not made over the first, nor over one that is lost', async () => {
  const people = await testPeople();
  const first = { id: 'QE-9', name: 'N. Ewcomer', secret: '602214' };
  await expect(initRegister(people.acting(), 'UTC', first)).rejects.toThrow('people/exists');
  const elsewhere = { ...people.acting(), keys: temporaryFolder() };
  await expect(initRegister(elsewhere, 'UTC', first)).rejects.toThrow('is lost, not missing');
});

const badPeople = [
  [{ id: 'op-9', ...added }, 'usage/argument'],
  [{ id: 'OP-9', ...added, secret: '123456' }, 'people/secret'],
  [{ id: 'OP-9', ...added, name: ' N. Ewcomer' }, 'people/register'],
  [{ id: 'OP-9', ...added, name: 'o. operator' }, 'people/register'],
  [{ id: 'OP-9', ...added, roles: [] }, 'people/register'],
  [{ id: 'OP-9', ...added, from: 'soon' }, 'people/register'],
  [{ id: 'OP-1', ...added }, 'people/exists'],
] as const;

for (const [person, code] of badPeople) {
  test(`${JSON.stringify(person)} is not added: ${code}`, async () => {
    const people = await testPeople();
    const before = readFileSync(registerFile(people.keys), 'utf8');
    await expect(addPerson(people.acting(), person)).rejects.toThrow(code);
    expect(readFileSync(registerFile(people.keys), 'utf8')).toBe(before);
    expect([...people.ledger.entries()]).toHaveLength(4);
  });
}

test('people are retired, not removed, and their ids are never given again', async () => {
  const people = await testPeople();
  await retirePerson(people.acting('left the plant'), 'OP-1');
  expect(personOf(registerOf(people), 'OP-1').retired).toEqual({
    at: '2026-11-25T14:00:00Z',
    why: 'left the plant',
  });
  const again = addPerson(people.acting(), { id: 'OP-1', ...added });
  await expect(again).rejects.toThrow('ids are never used again');
  await expect(changeRoles(people.acting(), 'OP-1', ['auditor'])).rejects.toThrow('was retired');
});

test('the last quality engineer is neither retired nor given other roles', async () => {
  const people = await testPeople();
  await expect(retirePerson(people.acting(), 'QE-1')).rejects.toThrow('No quality engineer');
  await expect(changeRoles(people.acting(), 'QE-1', ['auditor'])).rejects.toThrow('people/role');
  await changeRoles(people.acting('stands in'), 'AU-1', ['auditor', 'quality engineer']);
  await changeRoles(people.acting('other work'), 'QE-1', ['auditor']);
  expect(personOf(registerOf(people), 'QE-1').roles).toEqual(['auditor']);
});

test('old and new roles are entered', async () => {
  const people = await testPeople();
  const entry = await changeRoles(people.acting('learned it'), 'OP-1', ['operator', 'maintenance']);
  expect(entry.body).toMatchObject({ from: ['operator'], to: ['operator', 'maintenance'] });
});

test('training is entered and read back; days and issues out of order are refused', async () => {
  const people = await testPeople();
  const training = {
    ...{ procedure: 'h12-acceptance', issue: 3, toIssue: 4 },
    ...{ on: '2026-11-20', until: '2027-11-19' },
  };
  await trainPerson(people.acting('course'), 'OP-1', training);
  expect(people.session('OP-1').training).toEqual([training]);
  for (const wrong of [
    { ...training, toIssue: 2 },
    { ...training, until: '2026-11-19' },
    { ...training, on: 'today' },
    { ...training, issue: 0 },
  ]) {
    await expect(trainPerson(people.acting(), 'OP-1', wrong)).rejects.toThrow('usage/argument');
  }
});

test('a new secret replaces the old one: own or by a quality engineer', async () => {
  const people = await testPeople();
  const own = { ...people.acting('yearly'), session: people.session('OP-1') };
  await changeSecret(own, 'OP-1', { old: SECRETS['OP-1'], fresh: '602214' });
  expect(await logsIn(people, 'OP-1', SECRETS['OP-1'])).toBe('people/log-in');
  await people.clock.advance(1000);
  expect(await logsIn(people, 'OP-1', '602214')).toBe(true);
  await changeSecret(people.acting('forgotten'), 'OP-1', { fresh: '141421' });
  expect(await logsIn(people, 'OP-1', '141421')).toBe(true);
  await expect(changeSecret(people.acting(), 'OP-1', { fresh: '141421' })).rejects.toThrow(
    'The new secret is the old one',
  );
  await expect(changeSecret(people.acting(), 'OP-1', { fresh: '111111' })).rejects.toThrow(
    'people/secret',
  );
});

/** Changes the register behind the back of the program. */
function edit(people: TestPeople, from: string, to: string): void {
  const file = registerFile(people.keys);
  const text = readFileSync(file, 'utf8');
  expect(text).toContain(from);
  writeFileSync(file, text.replace(from, to));
}

test('a role written into the register by hand lets nobody in until it is confirmed', async () => {
  const people = await testPeople();
  edit(people, '"auditor"', '"quality engineer"');
  expect(await logsIn(people, 'AU-1', SECRETS['AU-1'])).toBe('people/changed');
  expect(await logsIn(people, 'OP-1', SECRETS['OP-1'])).toBe(true);
  const change = changeRoles(people.acting(), 'AU-1', ['auditor']);
  await expect(change).rejects.toThrow('people/changed');
  const entry = await confirmPerson(people.acting('agreed on paper'), 'AU-1');
  expect(entry.body['to']).toMatchObject({ roles: ['quality engineer'], secret: 'scrypt' });
  expect(await logsIn(people, 'AU-1', SECRETS['AU-1'])).toBe(true);
  await expect(confirmPerson(people.acting(), 'AU-1')).rejects.toThrow(
    'what the ledger left there',
  );
});

test('a secret put back from an old copy of the register lets nobody in', async () => {
  const people = await testPeople();
  const copy = join(temporaryFolder(), 'people.json');
  copyFileSync(registerFile(people.keys), copy);
  await changeSecret(people.acting('was seen'), 'OP-1', { fresh: '602214' });
  copyFileSync(copy, registerFile(people.keys));
  expect(await logsIn(people, 'OP-1', SECRETS['OP-1'])).toBe('people/changed');
});

test('a person written into the register by hand is nobody', async () => {
  const people = await testPeople();
  const register = registerOf(people);
  const ghost = { ...personOf(register, 'QE-1'), id: 'QE-7', name: 'G. Host' };
  expect(personProblems(ghost, people.ledger.of(''))[0]?.what).toContain(
    'never added such a person',
  );
});

test('another folder of records takes the register as it is, but adds nobody', async () => {
  const people = await testPeople();
  const elsewhere = { ...people, ledger: memoryLedger() };
  expect(await logsIn(elsewhere, 'OP-1', SECRETS['OP-1'])).toBe(true);
  const acting = { ...people.acting(), ledger: elsewhere.ledger };
  await expect(addPerson(acting, { id: 'OP-9', ...added })).rejects.toThrow('in another ledger');
});

test('a change is neither entered nor made when the other is impossible', async () => {
  const people = await testPeople();
  const before = readFileSync(registerFile(people.keys), 'utf8');
  people.clock.set(people.clock.now() - 1000);
  await expect(retirePerson(people.acting('left'), 'OP-1')).rejects.toThrow('ledger/clock');
  expect(readFileSync(registerFile(people.keys), 'utf8')).toBe(before);
  people.clock.set(people.clock.now() + 1000);
  const { keys, ledger } = people;
  const failing = changePerson(
    { keys, ledger, by: 'Q. Engineer (QE-1)', now: people.clock.now() },
    {
      ...{ change: 'roles', id: 'OP-1', from: null, to: null, why: 'test' },
      apply: (register) => ({ ...register, zone: 'UTC' }),
      also: () => {
        throw new Error('the disk is gone');
      },
    },
  );
  await expect(failing).rejects.toThrow('the disk is gone');
  expect(readFileSync(registerFile(people.keys), 'utf8')).toBe(before);
  expect(changesIn(people.ledger.entries())).toHaveLength(4);
});

test('two changes at once: the later one is refused, nothing is lost', async () => {
  const people = await testPeople();
  const results = await Promise.allSettled([
    changeRoles(people.acting('one'), 'OP-1', ['maintenance']),
    changeRoles(people.acting('two'), 'OP-2', ['auditor']),
  ]);
  const done = results.filter(({ status }) => status === 'fulfilled');
  const refused = results.flatMap((r) => (r.status === 'rejected' ? [String(r.reason)] : []));
  expect(done).toHaveLength(1);
  expect(refused.join()).toContain('Another program changed the register meanwhile');
  for (const person of registerOf(people).people) {
    expect(personProblems(person, people.ledger.of(''))).toEqual([]);
  }
});

test('days of a person count in the zone of the register', async () => {
  const people = await testPeople();
  const until = '2026-11-26';
  await addPerson(people.acting(), { id: 'OP-9', ...added, from: '2026-11-26', until });
  const at = async (time: string): Promise<boolean | string> => {
    people.clock.set(Date.parse(time));
    return logsIn(people, 'OP-9', added.secret);
  };
  expect(await at('2026-11-25T22:59:59Z')).toBe('people/log-in');
  expect(await at('2026-11-25T23:00:00Z')).toBe(true);
  expect(await at('2026-11-26T22:59:59Z')).toBe(true);
  expect(await at('2026-11-26T23:00:00Z')).toBe('people/log-in');
});

test('new hashes cost what the program says unless a test says otherwise', async () => {
  const people = await testPeople();
  const { cost, ...acting } = people.acting('yearly');
  expect(cost).toEqual(LOW_COST);
  await changeSecret(acting, 'OP-1', { fresh: '602214' });
  expect(personOf(registerOf(people), 'OP-1').secret).toMatchObject({ N: 131_072, r: 8, p: 1 });
});
