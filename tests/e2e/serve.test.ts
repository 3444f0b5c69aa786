import { join } from 'node:path';
import { expect, test } from 'vitest';
import { temporaryFolder } from '../support/folder.js';
import { stallmark, start, type Running } from '../support/program.js';

interface Served {
  readonly program: Running;
  readonly address: string;
  readonly at: readonly string[];
}

/** Starts the built program and waits until it serves. */
async function served(...more: readonly string[]): Promise<Served> {
  const folder = temporaryFolder();
  const at = ['--data', join(folder, 'records'), '--keys', join(folder, 'keys')];
  const program = start(['serve', '--port', '0', ...at, ...more]);
  let said = '';
  program.child.stdout?.on('data', (bytes: Buffer) => {
    said += bytes.toString();
  });
  await program.says('Stallmark serves http://');
  const address = /http:\/\/\S+/u.exec(said)?.[0] ?? '';
  return { program, address, at };
}

async function loggedIn(
  address: string,
): Promise<{ readonly cookie: string; readonly token: string }> {
  const answer = await fetch(`${address}/api/log-in`, {
    method: 'POST',
    headers: { origin: address, 'content-type': 'application/json' },
    body: JSON.stringify({ name: 'operator 17', place: 'bench' }),
  });
  expect(answer.status).toBe(200);
  const { token } = (await answer.json()) as { readonly token: string };
  return { cookie: answer.headers.get('set-cookie')?.split(';')[0] ?? '', token };
}

test('serve answers, reads in its thread, has a session ended by the command line, and ends with Ctrl-C', async () => {
  const { program, address, at } = await served();
  const told: unknown = await (await fetch(`${address}/api/start`)).json();
  expect(told).toMatchObject({ site: { bench: 'TW-1', simulated: true, hasRegister: false } });
  const { cookie } = await loggedIn(address);
  const limits = await fetch(`${address}/api/read/limits`, { headers: { cookie } });
  expect(limits.status, await limits.clone().text()).toBe(200);
  const data = at.slice(0, 2);
  const listed = await stallmark(['people', 'sessions', ...data, '--json']);
  expect(JSON.parse(listed.out)).toMatchObject([
    { session: 1, by: 'operator 17', place: 'bench', address: '127.0.0.1', state: 'open' },
  ]);
  const by = ['--by', 'Q. Engineer', '--role', 'quality engineer', '--why', 'end of shift'];
  const none = await stallmark(['people', 'end-session', '7', ...at, ...by]);
  expect([none.status, none.err]).toEqual([64, expect.stringContaining('no session "7"')]);
  const other = ['--by', 'P. Åsberg', '--role', 'operator', '--why', 'no reason'];
  const refused = await stallmark(['people', 'end-session', '1', ...at, ...other]);
  expect([refused.status, refused.err]).toEqual([64, expect.stringContaining('people/role')]);
  const ended = await stallmark(['people', 'end-session', '1', ...at, ...by]);
  expect(ended.out).toContain('Session 1 of operator 17 has ended.');
  const after = await fetch(`${address}/api/read/limits`, { headers: { cookie } });
  expect(after.status).toBe(401);
  expect(await after.text()).toContain('Q. Engineer ended it: end of shift');
  const trail = await stallmark(['ledger', 'trail', ...data]);
  expect(trail.out).toContain('changed session operator 17 ended');
  program.child.kill('SIGINT');
  const { status, err } = await program.ended;
  expect(status, err).toBe(0);
  expect(err).toContain('Ending: torque to zero, then power off.');
});

test('an address that is taken and a port that is none are refused with an order', async () => {
  const { program, address, at } = await served();
  const port = new URL(address).port;
  const taken = await stallmark(['serve', '--port', port, ...at]);
  expect([taken.status, taken.err]).toEqual([64, expect.stringContaining('page/listen')]);
  expect(taken.err).toContain('give another --port');
  const wrong = await stallmark(['serve', '--port', '99999', ...at]);
  expect([wrong.status, wrong.err]).toEqual([64, expect.stringContaining('--port is "99999"')]);
  program.child.kill('SIGTERM');
  expect((await program.ended).status).toBe(0);
});
