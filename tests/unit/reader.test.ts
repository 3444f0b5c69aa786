import { expect, test } from 'vitest';
import { readingAnswer, table, type Readings } from '../../src/serve/reader.js';
import { ANYBODY, textIn } from '../../src/serve/reading.js';
import type { Role } from '../../src/people/people.js';

const SITE = { root: 'records', keys: 'keys', pace: 'fast' } as const;

let isRead = false;
const READINGS: Readings = {
  echo: {
    roles: ANYBODY,
    args: (given) => ({ serial: textIn(given, 'serial') }),
    read: (args, { root }) => ({ ...(args as object), root }),
  },
  nothing: { roles: ANYBODY, args: () => null, read: () => undefined },
  narrow: {
    roles: ['auditor'],
    args: () => {
      isRead = true;
      return null;
    },
    read: () => 1,
  },
};

const ask = (name: string, roles: readonly Role[], given = {}): Promise<string> =>
  readingAnswer(READINGS, SITE, { name, given, by: 'O. Operator (OP-1)', roles });

test('a reading answers with JSON from its arguments and the site', async () => {
  expect(await ask('echo', ['operator'], { serial: 'H12' })).toBe(
    '{"serial":"H12","root":"records"}',
  );
  expect(await ask('nothing', ['operator'])).toBe('null');
});

test('the role is looked at before the arguments', async () => {
  await expect(ask('narrow', ['operator'])).rejects.toThrow(
    /^people\/role: O\. Operator \(OP-1\)/u,
  );
  expect(isRead).toBe(false);
  expect(await ask('narrow', ['operator', 'auditor'])).toBe('1');
});

test('an argument that is missing and a name of no reading are told', async () => {
  await expect(ask('echo', ['operator'])).rejects.toThrow(/^usage\/argument: .*"serial"/u);
  for (const name of ['none', 'constructor', '']) {
    await expect(ask(name, ['operator'])).rejects.toThrow(/^page\/unknown: /u);
  }
});

test('every reading of the table says who may read it', async () => {
  for (const [name, { roles }] of Object.entries(await table())) {
    expect(roles.length, name).toBeGreaterThan(0);
  }
});
