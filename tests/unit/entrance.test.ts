import { expect, test } from 'vitest';
import { StallmarkError } from '../../src/base/error.js';
import { openLedger } from '../../src/ledger/sqlite.js';
import { sessionIn } from '../../src/people/log-in.js';
import { authenticate, IDLE } from '../../src/people/session.js';
import { readRegister } from '../../src/people/register.js';
import { ledgerFile } from '../../src/run/places.js';
import { openClerk } from '../../src/serve/clerk.js';
import { Entrance, GO_ON, LOOK, tokenProblem } from '../../src/serve/entrance.js';
import { SECRETS } from '../support/people.js';
import { servedPage, type ServedPage } from '../support/served-page.js';

const HERE = { address: '127.0.0.1', isHere: true };
const MINUTE = 60_000;

async function entrance(): Promise<{
  readonly page: ServedPage;
  readonly door: Entrance;
  readonly left: number[];
  readonly busy: { is: boolean };
  readonly logIn: (id: keyof typeof SECRETS) => ReturnType<Entrance['logIn']>;
}> {
  const page = await servedPage();
  const { sessions, keys, clock, root } = page;
  const left: number[] = [];
  const busy = { is: false };
  const log = { info: () => undefined, warn: () => undefined, error: () => undefined } as never;
  const clerk = openClerk({ root, keys, pace: 'fast', clock, log }, true);
  const isBusy = (): boolean => busy.is;
  const door = new Entrance({
    ...{ sessions, clerk, keys, clock, log, isBusy },
    left: (one) => left.push(one),
  });
  const logIn = (id: keyof typeof SECRETS): ReturnType<Entrance['logIn']> =>
    door.logIn({ id, secret: SECRETS[id] }, 'bench', HERE);
  return { page, door, left, busy, logIn };
}

const notes = (page: ServedPage): readonly (readonly [string, boolean])[] =>
  page.ledger((ledger) =>
    ledger.of('').flatMap((entry) => {
      const note = sessionIn(entry);
      return note === undefined ? [] : [[note.person, note.began] as const];
    }),
  );

const endOf = (door: Entrance, secret: string): string => {
  try {
    door.visitor(secret, HERE, false);
    return '';
  } catch (error) {
    if (error instanceof StallmarkError) return error.problems[0].what;
    throw error;
  }
};

test('a session at the bench that is used is entered as going on, at most each five minutes', async () => {
  const { page, door, logIn } = await entrance();
  const { secret } = await logIn('OP-1');
  for (let minute = 1; minute <= 21; minute += 1) {
    await page.clock.advance(MINUTE);
    door.visitor(secret, HERE, true);
    await door.look();
  }
  expect(notes(page)).toEqual([
    ...[
      ['OP-1', true],
      ['OP-1', false],
      ['OP-1', false],
      ['OP-1', false],
      ['OP-1', false],
    ],
  ]);
});

test('the ledger counts a session at least as long as the page does', async () => {
  const { page, door, logIn } = await entrance();
  const { secret } = await logIn('OP-1');
  await page.clock.advance(GO_ON - MINUTE);
  door.visitor(secret, HERE, true);
  const end = page.clock.now() + IDLE;
  for (let i = 0; i < 8; i += 1) {
    await page.clock.advance(MINUTE);
    await door.look();
  }
  const until = page.ledger((ledger) =>
    ledger.of('').flatMap((entry) => sessionIn(entry)?.until ?? []),
  );
  expect(until.at(-1)).toBeGreaterThanOrEqual(end);
  expect(endOf(door, secret)).toBe('');
  await page.clock.advance(IDLE);
  await door.look();
  expect(endOf(door, secret)).toContain('left alone for 15 minutes');
});

test('a session ends when somebody else logs in at the bench by another way', async () => {
  const { page, door, left, busy, logIn } = await entrance();
  const { secret, visitor } = await logIn('OP-1');
  await page.clock.advance(LOOK);
  const ledger = openLedger(ledgerFile(page.root));
  const register = readRegister(page.keys);
  if (register === undefined) throw new Error('there is no register');
  const place = { bench: 'TW-1', simulated: true };
  const claim = { id: 'OP-2', secret: SECRETS['OP-2'] };
  await authenticate({ register, ledger, clock: page.clock, place }, claim);
  ledger.close();
  busy.is = true;
  await door.look();
  expect(endOf(door, secret)).toBe('');
  busy.is = false;
  await page.clock.advance(LOOK);
  await door.look();
  expect(endOf(door, secret)).toContain('"OP-2" is logged in at bench TW-1');
  expect(left).toEqual([visitor.number]);
});

test('leaving is entered, unless somebody else is logged in there by now', async () => {
  const { page, door, logIn } = await entrance();
  const first = await logIn('OP-1');
  const second = await logIn('OP-2');
  await door.logOut(first.visitor);
  await door.logOut(second.visitor);
  expect(notes(page)).toEqual([
    ...[
      ['OP-1', true],
      ['OP-2', true],
      ['OP-2', false],
    ],
  ]);
});

test('who logs in anew in a second browser has not left when the first logs out', async () => {
  const { page, door, logIn } = await entrance();
  const [first, second] = [await logIn('OP-1'), await logIn('OP-1')];
  await door.logOut(first.visitor);
  await page.clock.advance(LOOK);
  await door.look();
  expect(endOf(door, second.secret)).toBe('');
  await door.logOut(second.visitor);
  expect(notes(page)).toEqual([
    ...[
      ['OP-1', true],
      ['OP-1', true],
      ['OP-1', false],
    ],
  ]);
});

test('the token is another one in each session, and compared whole', async () => {
  const { logIn } = await entrance();
  const [first, second] = [await logIn('OP-1'), await logIn('OP-1')];
  const { token } = first.visitor;
  expect(token).toMatch(/^[\w-]{43}$/u);
  expect(token).not.toBe(second.visitor.token);
  expect(tokenProblem(token, first.visitor)).toBeUndefined();
  for (const wrong of [second.visitor.token, token.slice(1), `${token}x`, '', undefined, [token]]) {
    expect(tokenProblem(wrong, first.visitor)?.code).toBe('page/token');
  }
});

test('nobody logs in at the bench while an item is on its way there', async () => {
  const { page, busy, logIn } = await entrance();
  await logIn('OP-1');
  busy.is = true;
  await expect(logIn('OP-2')).rejects.toThrow(/^page\/held: /u);
  expect(notes(page)).toEqual([['OP-1', true]]);
});
