import { expect, test } from 'vitest';
import { trailOf } from '../../src/people/trail.js';
import type { Change } from '../../src/serve/change.js';
import { carryOut, changeAnswer } from '../../src/serve/clerk-task.js';
import { temporaryFolder } from '../support/folder.js';
import { testPeople, type TestId } from '../support/people.js';

const made: string[] = [];
const change = (fromAfar: boolean): Change<unknown, unknown> => ({
  roles: ['quality engineer'],
  act: 'write the limits',
  fromAfar,
  args: (given) => given,
  make: (args, { session }) => {
    made.push(`${session.id} ${JSON.stringify(args)}`);
    return { done: true };
  },
});
const TABLE = { far: change(true), near: change(false) };

const rows: readonly (readonly [keyof typeof TABLE, TestId, boolean, string])[] = [
  ['far', 'QE-1', true, 'made'],
  ['far', 'QE-1', false, 'made'],
  ['near', 'QE-1', true, 'made'],
  ['near', 'QE-1', false, 'page/remote'],
  ['far', 'OP-1', true, 'people/role'],
  ['near', 'AU-1', false, 'page/remote people/role'],
];
for (const [name, id, isFromHere, outcome] of rows) {
  const where = isFromHere ? 'here' : 'another machine';
  test(`change "${name}" by ${id} from ${where}: ${outcome}`, async () => {
    const people = await testPeople();
    const { ledger, clock, session } = people;
    const site = { root: temporaryFolder(), keys: people.keys, pace: 'fast' } as const;
    const question = { name, given: { a: 1 }, session: session(id), isFromHere };
    made.length = 0;
    const before = ledger.last()?.number ?? 0;
    const answer = changeAnswer(TABLE, question, { site, ledger, clock });
    if (outcome === 'made') {
      expect(await answer).toBe('{"done":true}');
      expect(made).toEqual([`${id} {"a":1}`]);
      expect(ledger.last()?.number).toBe(before);
      return;
    }
    const codes = await answer.catch((error: unknown) => String(error));
    for (const code of outcome.split(' ')) expect(codes).toContain(code);
    expect(made).toEqual([]);
    const [row] = trailOf([...ledger.entries()].slice(before));
    expect(row).toMatchObject({
      what: 'refused: write the limits',
      why: expect.any(String) as string,
    });
    for (const code of outcome.split(' ')) expect(row?.why).toContain(code);
  });
}

test('names that every object has are no changes', async () => {
  const { ledger, clock, session, keys } = await testPeople();
  const site = { root: temporaryFolder(), keys, pace: 'fast' } as const;
  for (const name of ['constructor', 'toString', '__proto__', '']) {
    const question = { name, given: {}, session: session('QE-1'), isFromHere: true };
    await expect(changeAnswer(TABLE, question, { site, ledger, clock })).rejects.toThrow(
      /^page\/unknown: /u,
    );
  }
});

test('the bench is read without a ledger, and one that cannot be read is told', async () => {
  const { clock, keys } = await testPeople();
  const site = { root: temporaryFolder(), keys, pace: 'fast' } as const;
  expect(await carryOut({ kind: 'bench' }, site, clock)).toEqual({
    bench: 'TW-1',
    simulated: true,
  });
  const other = { ...site, bench: `${site.root}/nothing.yaml` };
  await expect(carryOut({ kind: 'bench' }, other, clock)).rejects.toThrow(/^storage\/unreadable/u);
});
