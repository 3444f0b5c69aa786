import { chmodSync, readdirSync, readFileSync, statSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { expect, test } from 'vitest';
import { StallmarkError, type Problem } from '../../src/base/error.js';
import { isPersonId } from '../../src/people/people.js';
import { prepareRegister, readRegister, registerFile } from '../../src/people/register.js';
import { checkRegister } from '../../src/people/register-check.js';
import { temporaryFolder } from '../support/folder.js';
import { testPeople } from '../support/people.js';

const salt = Buffer.alloc(16, 1).toString('base64');
const hash = Buffer.alloc(32, 2).toString('base64');
const secret = { kind: 'scrypt', N: 1024, r: 8, p: 1, salt, hash };
const training = {
  procedure: 'h12-acceptance',
  issue: 3,
  toIssue: 3,
  on: '2026-01-10',
  until: '2027-01-09',
};
const person = {
  id: 'OP-1',
  name: 'O. Operator',
  roles: ['operator'],
  secret,
  from: '2026-01-01',
  training: [training],
};
const register = (...people: readonly object[]): object => ({ schema: 1, zone: 'UTC', people });

/** Each register is wrong in one way. */
const wrong: readonly (readonly [value: unknown, part: string])[] = [
  [[], 'the register is []'],
  [null, 'the register is null'],
  [{ ...register(), schema: 2 }, 'schema is 2, but should be 1'],
  [{ ...register(), zone: 'Mars/Base' }, 'zone is "Mars/Base"'],
  [{ ...register(), boss: 'QE-1' }, 'the register.boss is "there"'],
  [{ schema: 1, zone: 'UTC' }, 'people is missing, but should be a list'],
  [register({ ...person, id: 'op-1' }), 'people[0].id is "op-1"'],
  [register({ ...person, id: '271828' }), 'people[0].id is "271828"'],
  [register({ ...person, name: ' ' }), 'people[0].name is " "'],
  [register({ ...person, name: 'O.\nOperator' }), 'people[0].name'],
  [register({ ...person, roles: [] }), 'people[0].roles is []'],
  [register({ ...person, roles: ['operator', 'operator'] }), 'each once'],
  [register({ ...person, roles: ['boss'] }), 'people[0].roles[0] is "boss"'],
  [register({ ...person, secret: { ...secret, kind: 'plain' } }), 'people[0].secret.kind'],
  [register({ ...person, secret: { ...secret, N: 1000 } }), 'people[0].secret.N is 1000'],
  [register({ ...person, secret: { ...secret, N: 1025 } }), 'a power of two'],
  [register({ ...person, secret: { ...secret, N: 2 ** 20, r: 32 } }), 'bytes'],
  [register({ ...person, secret: { ...secret, salt: 'short' } }), 'people[0].secret.salt'],
  [register({ ...person, from: '2026-02-30' }), 'people[0].from is "2026-02-30"'],
  [register({ ...person, until: '2025-12-31' }), 'people[0].until is "2025-12-31"'],
  [register({ ...person, training: [{ ...training, until: '2026-01-09' }] }), 'training[0].until'],
  [register({ ...person, training: [{ ...training, toIssue: 2 }] }), 'training[0].toIssue is 2'],
  [register({ ...person, retired: { at: 'today', why: 'left' } }), 'people[0].retired.at'],
  [register(person, { ...person, name: 'Other' }), 'people[1].id is "OP-1", but should be another'],
  [register(person, { ...person, id: 'OP-2', name: 'o. operator' }), 'people[1].name'],
];

for (const [value, part] of wrong) {
  test(`a register is refused where ${part}`, () => {
    const found = checkRegister(value, 'people.json');
    const problems = 'people' in found ? [] : found;
    expect(problems.map(({ what }) => what).join('\n')).toContain(part);
    expect(new Set(problems.map(({ code }) => code))).toEqual(new Set(['people/register']));
  });
}

test('all that is wrong is told at once', () => {
  const value = register({ ...person, id: '', roles: ['boss'], from: 'soon' });
  const found = checkRegister(value, 'people.json') as readonly Problem[];
  expect(found.map(({ what }) => what.split(' ')[0])).toEqual([
    'people[0].from',
    'people[0].id',
    'people[0].roles[0]',
  ]);
});

test('a right register is read as it was written', async () => {
  const keys = temporaryFolder();
  const found = checkRegister(register(person), 'people.json');
  if (!('people' in found)) throw new Error('refused');
  const prepared = await prepareRegister(keys, found);
  expect(readRegister(keys)).toBeUndefined();
  prepared.enforce();
  await prepared.drop();
  expect(readRegister(keys)).toEqual(found);
});

test('the register is readable by its owner only, holds no secret and leaves nothing beside it', async () => {
  const { keys } = await testPeople();
  expect((statSync(registerFile(keys)).mode & 0o777).toString(8)).toBe('600');
  expect(readdirSync(keys)).toEqual(['people.json']);
  const text = readFileSync(registerFile(keys), 'utf8');
  for (const told of ['tarnwick 48', '271828', '314159']) expect(text).not.toContain(told);
});

test('text that is no JSON is refused as a register', () => {
  const keys = temporaryFolder();
  writeFileSync(join(keys, 'people.json'), '{"schema": 1,');
  expect(() => readRegister(keys)).toThrow(StallmarkError);
  expect(() => readRegister(keys)).toThrow('people/register: The register is not JSON');
});

test('a register that this account may not read is not taken for none', () => {
  const keys = temporaryFolder();
  writeFileSync(join(keys, 'people.json'), '{}');
  chmodSync(join(keys, 'people.json'), 0o000);
  // Root may read everything: then the content itself is refused.
  expect(() => readRegister(keys)).toThrow(/storage\/unreadable|people\/register/u);
});

test('ids are capital letters, digits and hyphens, and never a PIN', () => {
  for (const id of ['QE-1', 'A', 'OP-17-B', 'A234567890123456']) expect(isPersonId(id)).toBe(true);
  const others = [
    '',
    '1',
    '271828',
    'qe-1',
    'QE--1',
    'QE-',
    '-QE',
    'QE 1',
    '../QE',
    'A2345678901234567',
  ];
  for (const id of others) expect(isPersonId(id)).toBe(false);
});
