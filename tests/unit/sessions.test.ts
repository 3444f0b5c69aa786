import { readFileSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { expect, onTestFinished, test } from 'vitest';
import type { Session } from '../../src/people/people.js';
import {
  existingSessions,
  Sessions,
  sessionsFile,
  type NewSession,
} from '../../src/serve/sessions.js';
import { temporaryFolder } from '../support/folder.js';

const NOW = Date.parse('2026-11-25T14:00:00Z');
const DAY = 86_400_000;
const session: Session = {
  ...{ id: 'OP-1', name: 'O. Operator', at: NOW, zone: 'Europe/Berlin' },
  roles: ['operator'],
  means: 'authenticated',
  training: [],
};
const wanted: NewSession = {
  ...{ session, standing: 'abc', address: '127.0.0.1', until: NOW + 1000 },
  place: 'bench',
};

function opened(root = temporaryFolder()): Sessions {
  const sessions = new Sessions(sessionsFile(root));
  onTestFinished(() => {
    sessions.close();
  });
  return sessions;
}

test('a session is found by its secret only, of which the file holds nothing but the digest', () => {
  const root = temporaryFolder();
  const sessions = opened(root);
  const { secret, number } = sessions.begin(wanted, NOW);
  expect(Buffer.from(secret, 'base64url')).toHaveLength(32);
  expect(sessions.find(secret)).toEqual({
    ...{ session, place: 'bench', standing: 'abc', address: '127.0.0.1' },
    ...{ number, seen: NOW, until: NOW + 1000, entered: NOW },
  });
  expect(sessions.find(`${secret}x`)).toBeUndefined();
  expect(sessions.begin(wanted, NOW).secret).not.toBe(secret);
  const files = ['sessions.db', 'sessions.db-wal'].map((name) =>
    readFileSync(join(root, name), 'latin1'),
  );
  expect(files.join('')).not.toContain(secret);
});

test('a session is touched, told, ended once and for good', () => {
  const sessions = opened();
  const { secret, number } = sessions.begin(wanted, NOW);
  sessions.touch(number, NOW + 10, NOW + 2000);
  sessions.told(number, NOW + 20);
  expect(sessions.find(secret)).toMatchObject({
    seen: NOW + 10,
    until: NOW + 2000,
    entered: NOW + 20,
  });
  expect(sessions.open(NOW + 1999)).toHaveLength(1);
  expect(sessions.open(NOW + 2000)).toEqual([]);
  sessions.end(number, NOW + 30, 'logged out');
  sessions.end(number, NOW + 40, 'again');
  sessions.touch(number, NOW + 50, NOW + 9000);
  expect(sessions.find(secret)).toMatchObject({
    until: NOW + 2000,
    ended: { at: NOW + 30, why: 'logged out' },
  });
  expect(sessions.open(NOW)).toEqual([]);
});

test('another program sees sessions and ends them', () => {
  const root = temporaryFolder();
  expect(existingSessions(root)).toBeUndefined();
  const sessions = opened(root);
  const { secret, number } = sessions.begin(wanted, NOW);
  const other = existingSessions(root);
  other?.end(number, NOW + 1, 'ended elsewhere');
  other?.close();
  expect(sessions.find(secret)?.ended?.why).toBe('ended elsewhere');
});

test('sessions outlive the server; old ones are listed for 90 days', () => {
  const root = temporaryFolder();
  const before = new Sessions(sessionsFile(root));
  const { secret } = before.begin(wanted, NOW);
  before.close();
  const sessions = opened(root);
  expect(sessions.find(secret)?.session).toEqual(session);
  sessions.begin({ ...wanted, until: NOW + 91 * DAY }, NOW + 89 * DAY);
  expect(sessions.list()).toHaveLength(2);
  sessions.begin({ ...wanted, until: NOW + 92 * DAY }, NOW + 91 * DAY);
  expect(sessions.list().map(({ number }) => number)).toEqual([3, 2]);
});

test('a file that is no database is refused with an order', () => {
  const root = temporaryFolder();
  writeFileSync(sessionsFile(root), 'x'.repeat(4096));
  expect(() => new Sessions(sessionsFile(root))).toThrow(/storage\/unreadable.*sessions\.db/u);
});
