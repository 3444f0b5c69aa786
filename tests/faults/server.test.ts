import { connect, type Socket } from 'node:net';
import { networkInterfaces } from 'node:os';
import { mkdirSync, symlinkSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { expect, test } from 'vitest';
import { openLedger } from '../../src/ledger/sqlite.js';
import { changeRoles, trainPerson } from '../../src/people/administration.js';
import { personOf, readRegister } from '../../src/people/register.js';
import { trailOf } from '../../src/people/trail.js';
import { IDLE } from '../../src/people/session.js';
import { ledgerFile } from '../../src/run/places.js';
import { HOLD_PATIENCE } from '../../src/serve/hold.js';
import type { Frame } from '../../src/serve/nest-view.js';
import { ANYBODY } from '../../src/serve/reading.js';
import { LOW_COST, SECRETS } from '../support/people.js';
import { servedPage, type Browser, type ServedPage, type Wish } from '../support/served-page.js';

const MINUTE = 60_000;
const TAB = 'tab-of-the-test';
const SCAN = { kind: 'scan', text: 'H12-26-04711', language: 'en' } as const;

/** Kinds of entries of refusals and notes, as the audit trail words them. */
const trail = (page: ServedPage): readonly string[] =>
  page.ledger((ledger) => trailOf(ledger.entries()).map(({ by, what }) => `${by}: ${what}`));

async function atBench(
  page: ServedPage,
  id: 'OP-1' | 'OP-2' | 'QE-1' | 'AU-1' = 'OP-1',
): Promise<Browser> {
  const browser = page.browser();
  expect((await browser.logIn(id)).status).toBe(200);
  return browser;
}

const scan = (browser: Browser, tab = TAB): ReturnType<Browser['post']> =>
  browser.post('/api/nest', { tab, command: SCAN });

test('every answer forbids frames, inline script, sniffing, referrers and keeping', async () => {
  const page = await servedPage();
  const browser = page.browser();
  for (const path of ['/operator', '/api/start', '/nothing', '/api/read/rows']) {
    const { headers } = await browser.ask(path);
    expect(headers['content-security-policy'], path).toContain("default-src 'none'");
    expect(headers['content-security-policy'], path).toContain("frame-ancestors 'none'");
    expect(headers['x-content-type-options'], path).toBe('nosniff');
    expect(headers['referrer-policy'], path).toBe('no-referrer');
    expect(headers['cache-control'], path).toBe('no-store');
    expect(headers['access-control-allow-origin'], path).toBeUndefined();
  }
  const hashed = await browser.ask('/assets/main-abc123.js');
  expect(hashed.headers['cache-control']).toBe('public, max-age=31536000, immutable');
});

test('a request under another name is refused, whatever it asks for', async () => {
  const page = await servedPage({ names: ['bench.tarnwick.example'] });
  const { port } = page.running;
  const browser = page.browser();
  const right = [`127.0.0.1:${String(port)}`, `LOCALHOST:${String(port)}`, `[::1]:${String(port)}`];
  for (const host of [...right, `bench.tarnwick.example:${String(port)}`]) {
    expect((await browser.ask('/', { headers: { host } })).status, host).toBe(200);
  }
  const wrong = ['evil.example', `evil.example:${String(port)}`, '127.0.0.1', '127.0.0.1:1'];
  for (const host of [...wrong, `localhost.:${String(port)}`, `a@localhost:${String(port)}`]) {
    for (const path of ['/', '/api/start', '/assets/main-abc123.js', '/api/nest']) {
      const answer = await browser.ask(path, { headers: { host } });
      expect([answer.status, answer.code], `${host} ${path}`).toEqual([421, 'page/host']);
    }
  }
});

test('a request without a name, with an empty one, or with a whole foreign address is refused', async () => {
  const page = await servedPage();
  const own = `host: 127.0.0.1:${String(page.running.port)}\r\n`;
  for (const [request, status] of [
    ['GET / HTTP/1.0\r\n\r\n', 421],
    ['GET / HTTP/1.1\r\nhost:\r\n\r\n', 421],
    ['GET / HTTP/1.1\r\n\r\n', 400],
    [`GET http://evil.example/ HTTP/1.1\r\n${own}\r\n`, 404],
    [`GET /../secret.txt HTTP/1.1\r\n${own}\r\n`, 404],
  ] as const) {
    expect(await rawAnswer(page.running.port, request), request).toMatch(
      new RegExp(`^HTTP/1\\.1 ${String(status)} `, 'u'),
    );
  }
});

/** What is answered to a request just as it is written. */
function rawAnswer(port: number, request: string): Promise<string> {
  return new Promise((resolve, reject) => {
    const socket = connect(port, '127.0.0.1');
    socket.once('data', (bytes) => {
      resolve(bytes.toString());
      socket.destroy();
    });
    socket.once('error', reject);
    socket.write(request);
  });
}

test('a request to change something from another page, or from none, is refused', async () => {
  const page = await servedPage();
  const browser = await atBench(page);
  const own = `http://127.0.0.1:${String(page.running.port)}`;
  const wrong = [
    'http://evil.example',
    'null',
    '',
    own.replace('http', 'https'),
    `${own}.evil.example`,
  ];
  for (const origin of wrong) {
    const answer = await browser.post('/api/nest/hold', { tab: TAB }, { origin });
    expect([answer.status, answer.code], origin).toEqual([403, 'page/origin']);
  }
  const headers = { 'content-type': 'application/json', 'x-stallmark-token': browser.token };
  const none = await browser.ask('/api/nest/hold', { method: 'POST', headers, body: { tab: TAB } });
  expect(none.code).toBe('page/origin');
  const cross = { origin: own, 'sec-fetch-site': 'cross-site' };
  expect((await browser.post('/api/nest/hold', { tab: TAB }, cross)).code).toBe('page/origin');
  expect(
    (await browser.ask('/api/start', { headers: { 'sec-fetch-site': 'cross-site' } })).code,
  ).toBe('page/origin');
  const logIn = { id: 'OP-1', secret: SECRETS['OP-1'], place: 'bench' };
  expect((await browser.post('/api/log-in', logIn, { origin: 'http://evil.example' })).code).toBe(
    'page/origin',
  );
  expect((await browser.post('/api/nest/hold', { tab: TAB })).status).toBe(200);
});

test('a request to change something needs the token of its own session', async () => {
  const page = await servedPage();
  const [first, second] = [await atBench(page), await atBench(page, 'OP-2')];
  for (const token of ['', 'x', `${first.token}x`, second.token]) {
    for (const path of [
      '/api/nest/hold',
      '/api/nest',
      '/api/nest/alive',
      '/api/log-out',
      '/api/change/x',
      '/api/read/x',
    ]) {
      const answer = await first.post(path, { tab: TAB }, { 'x-stallmark-token': token });
      expect([answer.status, answer.code], `${path} ${token}`).toEqual([403, 'page/token']);
    }
  }
});

test('what is no JSON, too large or no wish of a page is refused', async () => {
  const page = await servedPage();
  const browser = await atBench(page);
  const send = (raw: string, type = 'application/json'): ReturnType<Browser['ask']> => {
    const origin = `http://127.0.0.1:${String(page.running.port)}`;
    const headers = { origin, 'content-type': type, 'x-stallmark-token': browser.token };
    return browser.ask('/api/nest', { method: 'POST', headers, raw });
  };
  const wrong: readonly (readonly [string, string?])[] = [
    ['{'],
    [''],
    ['[]'],
    ['"scan"'],
    ['{"tab":"tab-of-the-test"}'],
    ['{"tab":"tab-of-the-test","command":{"kind":"energize"}}'],
    ['{"tab":"../..","command":{"kind":"stop"}}'],
    ['{"tab":"tab-of-the-test","command":{"kind":"scan","text":7,"language":"en"}}'],
    [
      '{"tab":"tab-of-the-test","command":{"kind":"acknowledge","hazard":"x","heldFor":2000,"language":"en"}}',
    ],
    ['{"__proto__":{"tab":"x"}}'],
    [`{"tab":"${'x'.repeat(1 << 20)}"}`],
    ['tab=x', 'application/x-www-form-urlencoded'],
    ['{"tab":"tab-of-the-test","command":{"kind":"stop"}}', 'text/plain'],
  ];
  for (const [raw, type] of wrong) {
    const answer = await send(raw, type);
    expect([answer.status, answer.code], raw.slice(0, 80)).toEqual([400, 'page/request']);
  }
  expect(page.desk.asked).toEqual([]);
});

test('no address leads out of the page or the records', async () => {
  const page = await servedPage();
  const browser = await atBench(page, 'QE-1');
  const paths = [
    '/../secret.txt',
    '/assets/../../secret.txt',
    '/assets/..%2f..%2fsecret.txt',
    '/%2e%2e/secret.txt',
    '/assets/%00',
    '/index.html/',
    '//evil.example/',
    '/api/file/..%2f..%2fsecret.txt/certificate.csv',
    '/api/file/TW1-2026-000001/..%2f..%2fledger.db',
    '/api/file/TW1-2026-000001/ledger.db',
    '/api/file/TW1-2026-000001/sessions.db',
    `/api/file/${'9'.repeat(500)}/certificate.csv`,
  ];
  for (const path of paths) {
    const { status, text } = await browser.ask(path);
    expect([400, 404], path).toContain(status);
    expect(text, path).not.toContain('not for browsers');
  }
});

test('a session left alone for 15 minutes has ended; one that is used goes on', async () => {
  const page = await servedPage();
  const [used, left] = [
    await atBench(page),
    await (async () => {
      const browser = page.browser();
      await browser.logIn('QE-1', 'desk');
      return browser;
    })(),
  ];
  const read = (browser: Browser): ReturnType<Browser['ask']> => browser.ask('/api/read/x');
  for (let i = 0; i < 3; i += 1) {
    await page.clock.advance(6 * MINUTE);
    expect((await read(used)).code).toBe('page/unknown');
  }
  const answer = await read(left);
  expect([answer.status, answer.code]).toEqual([401, 'page/session']);
  expect(answer.text).toContain('left alone for 15 minutes');
  expect(answer.text).toContain('Log in.');
  expect((await left.post('/api/nest/hold', { tab: TAB })).status).toBe(401);
  expect(JSON.parse((await left.ask('/api/start')).text)).not.toHaveProperty('person');
});

test('signs of life of the page alone do not keep a session, but do so while an item is on its way', async () => {
  const page = await servedPage();
  const browser = await atBench(page);
  await browser.post('/api/nest/hold', { tab: TAB });
  const alive = (): ReturnType<Browser['post']> => browser.post('/api/nest/alive', { tab: TAB });
  page.desk.show({ power: 'on', phase: { kind: 'running', stage: 0, since: 0, end: 1 } });
  for (let i = 0; i < 5; i += 1) {
    await page.clock.advance(IDLE - 1000);
    expect((await alive()).status).toBe(200);
  }
  page.desk.show({ power: 'off', phase: { kind: 'waiting' } });
  await page.clock.advance(IDLE - 1000);
  await alive();
  await page.clock.advance(2000);
  expect((await alive()).status).toBe(401);
});

test('a session that was ended elsewhere, or whose person was changed, counts no more', async () => {
  const page = await servedPage();
  const [first, second] = [await atBench(page), page.browser()];
  await second.logIn('OP-2', 'desk');
  page.sessions.end(1, page.clock.now(), 'Q. Engineer (QE-1) ended it: left the plant');
  const answer = await first.ask('/api/read/x');
  expect([answer.status, answer.code]).toEqual([401, 'page/session']);
  expect(answer.text).toContain('left the plant');
  const ledger = openLedger(ledgerFile(page.root));
  const register = readRegister(page.keys);
  if (register === undefined) throw new Error('there is no register');
  const { id, name, roles, training } = personOf(register, 'QE-1');
  const now = page.clock.now();
  const session = {
    id,
    name,
    roles,
    training,
    at: now,
    means: 'authenticated',
    zone: 'UTC',
  } as const;
  const acting = { keys: page.keys, ledger, session, why: 'test', now, cost: LOW_COST };
  const trained = {
    procedure: 'h12-acceptance',
    issue: 5,
    toIssue: 5,
    on: '2026-11-25',
    until: '2027-11-25',
  };
  await trainPerson(acting, 'OP-2', trained);
  expect((await second.ask('/api/read/x')).code).toBe('page/unknown');
  await changeRoles(acting, 'OP-2', ['auditor']);
  ledger.close();
  expect((await second.ask('/api/read/x')).code).toBe('page/session');
  expect(page.sessions.list().map(({ ended }) => ended?.why)).toEqual([
    'P. Åsberg, jun. (OP-2) was changed since.',
    'Q. Engineer (QE-1) ended it: left the plant',
  ]);
});

test('logging out ends the session and frees the nest', async () => {
  const page = await servedPage();
  const [browser, other] = [await atBench(page), page.browser()];
  await browser.post('/api/nest/hold', { tab: TAB });
  expect((await browser.post('/api/log-out', {})).status).toBe(200);
  expect((await browser.ask('/api/read/x')).status).toBe(401);
  await other.logIn('OP-2');
  expect((await other.post('/api/nest/hold', { tab: TAB })).status).toBe(200);
});

test('wrong secrets are answered alike, delayed, and end in a lock', async () => {
  const page = await servedPage();
  const browser = page.browser();
  const tried = { id: 'OP-1', secret: 'wrong', place: 'bench' };
  const first = await browser.post('/api/log-in', tried);
  expect([first.status, first.code]).toEqual([403, 'people/log-in']);
  expect(first.headers['set-cookie']).toBeUndefined();
  expect((await browser.logIn('OP-1')).text).toContain('nothing was compared');
  const unknown = await browser.post('/api/log-in', { ...tried, id: 'OP-9' });
  expect(unknown.code).toBe('people/log-in');
  expect((await browser.post('/api/log-in', { name: 'O. Operator', place: 'bench' })).code).toBe(
    'people/stated',
  );
});

test('where there is no register a name is enough on a simulated bench, and everybody is all', async () => {
  const page = await servedPage({ hasRegister: false });
  const browser = page.browser();
  const answer = await browser.post('/api/log-in', { name: 'operator 17', place: 'bench' });
  expect(JSON.parse(answer.text)).toMatchObject({
    site: { hasRegister: false, simulated: true, bench: 'TW-1' },
    person: { name: 'operator 17', place: 'bench' },
  });
});

const remote = (): boolean => false;

test('a browser on another machine may look, but not log in at the bench nor ask anything of it', async () => {
  const readings = { one: { roles: ANYBODY, args: () => null, read: () => 1 } };
  const page = await servedPage({ judge: remote, readings });
  const browser = page.browser();
  const bench = await browser.logIn('OP-1', 'bench');
  expect([bench.status, bench.code]).toEqual([403, 'page/remote']);
  expect((await browser.logIn('OP-1', 'desk')).status).toBe(200);
  expect((await browser.ask('/api/read/one')).text).toBe('1');
  for (const [path, body] of [
    ['/api/nest/hold', { tab: TAB }],
    ['/api/nest/release', { tab: TAB }],
    ['/api/nest/alive', { tab: TAB }],
    ['/api/nest', { tab: TAB, command: SCAN }],
    ['/api/nest', { tab: TAB, command: { kind: 'stop' } }],
    ['/api/nest', { tab: TAB, command: { kind: 'start' } }],
  ] as const) {
    const answer = await browser.post(path, body);
    expect([answer.status, answer.code], JSON.stringify(body)).toEqual([403, 'page/remote']);
  }
  expect(page.desk.asked).toEqual([]);
  expect(page.desk.alives).toBe(0);
  const refused = trail(page).filter((line) => line.includes('refused'));
  expect(refused).toEqual([
    '127.0.0.1: refused: log-in at the bench',
    'O. Operator (OP-1): refused: hold from a page',
    'O. Operator (OP-1): refused: release from a page',
    'O. Operator (OP-1): refused: scan from a page',
    'O. Operator (OP-1): refused: stop from a page',
    'O. Operator (OP-1): refused: start from a page',
  ]);
});

test('a session at the bench is of no use on another machine', async () => {
  let isHere = true;
  const page = await servedPage({ judge: () => isHere });
  const browser = await atBench(page);
  isHere = false;
  expect((await browser.ask('/api/read/x')).code).toBe('page/session');
  expect((await browser.post('/api/nest/hold', { tab: TAB })).code).toBe('page/session');
});

const outside = Object.values(networkInterfaces())
  .flatMap((all) => all ?? [])
  .find(({ family, internal }) => family === 'IPv4' && !internal)?.address;

test.skipIf(outside === undefined)(
  'over an interface to the outside a browser counts as one on another machine, and so does one behind a proxy here',
  async () => {
    const page = await servedPage({ listen: '0.0.0.0', names: [outside ?? ''] });
    const far = page.browser(outside);
    expect((await far.logIn('OP-1', 'bench')).code).toBe('page/remote');
    expect((await far.logIn('OP-1', 'desk')).status).toBe(200);
    expect((await far.post('/api/nest/hold', { tab: TAB })).code).toBe('page/remote');
    const near = await atBench(page, 'OP-2');
    const handedOn = { 'x-forwarded-for': '198.51.100.7' };
    expect((await near.post('/api/nest/hold', { tab: TAB }, handedOn)).code).toBe('page/session');
    expect((await near.post('/api/nest/hold', { tab: TAB })).status).toBe(200);
  },
);

test('an auditor and somebody at a desk cannot use the bench', async () => {
  const page = await servedPage();
  const auditor = await atBench(page, 'AU-1');
  expect((await auditor.post('/api/nest/hold', { tab: TAB })).code).toBe('people/role');
  expect((await scan(auditor)).code).toBe('people/role');
  const desk = page.browser();
  await desk.logIn('QE-1', 'desk');
  expect((await desk.post('/api/nest/hold', { tab: TAB })).code).toBe('page/not-now');
  expect(page.desk.asked).toEqual([]);
});

test('one tab holds the nest; another is refused until the first is silent, and never while an item is on its way', async () => {
  const page = await servedPage();
  const browser = await atBench(page);
  const post = (act: string, tab: string): ReturnType<Browser['post']> =>
    browser.post(`/api/nest/${act}`, { tab });
  const [one, two] = ['tab-number-1', 'tab-number-2'];
  expect((await scan(browser, one)).code).toBe('page/held');
  expect((await post('alive', one)).code).toBe('page/held');
  expect((await post('hold', one)).status).toBe(200);
  expect((await scan(browser, one)).status).toBe(200);
  const second = await post('hold', two);
  expect([second.status, second.code]).toEqual([409, 'page/held']);
  expect(second.text).toContain('Another page of yours');
  expect((await scan(browser, two)).code).toBe('page/held');
  expect((await post('alive', two)).code).toBe('page/held');
  await post('alive', one);
  expect(page.desk.alives).toBe(1);
  await page.clock.advance(HOLD_PATIENCE - 1);
  expect((await post('hold', two)).code).toBe('page/held');
  await page.clock.advance(1);
  expect((await post('hold', two)).status).toBe(200);
  page.desk.show({ phase: { kind: 'warnings', warnings: [] } });
  await page.clock.advance(10 * HOLD_PATIENCE);
  expect((await post('hold', one)).code).toBe('page/held');
  expect((await post('release', two)).code).toBe('page/not-now');
  expect((await post('alive', two)).status).toBe(200);
  page.desk.show({ phase: { kind: 'ended', how: 'page lost', problems: [], at: 0 } });
  expect((await post('release', two)).status).toBe(200);
  expect((await post('hold', one)).status).toBe(200);
});

test('anybody at the bench may stop, also who does not hold the nest', async () => {
  const page = await servedPage();
  const [first, second] = [await atBench(page), await atBench(page, 'AU-1')];
  await first.post('/api/nest/hold', { tab: TAB });
  await first.post('/api/nest', { tab: TAB, command: { kind: 'start' } });
  expect(page.desk.view.power).toBe('on');
  const stop = { tab: 'another-tab', command: { kind: 'stop' } };
  expect((await second.post('/api/nest', stop)).status).toBe(200);
  expect(page.desk.asked.at(-1)).toEqual({ command: { kind: 'stop' }, by: 'A. Auditor (AU-1)' });
  expect((await second.post('/api/nest', stop)).code).toBe('page/not-now');
});

test('a reading needs its role, an unknown one is named, and one that goes wrong tells no stack', async () => {
  const readings = {
    limits: { roles: ['quality engineer'], args: () => null, read: () => ({ rows: 2 }) },
    given: { roles: ANYBODY, args: (given: unknown) => given, read: (given: unknown) => given },
    crash: {
      roles: ANYBODY,
      args: () => null,
      read: () => {
        throw new Error('secret of the inside');
      },
    },
  } as const;
  const page = await servedPage({ readings });
  const [operator, engineer] = [await atBench(page), page.browser()];
  await engineer.logIn('QE-1', 'desk');
  expect((await page.browser().ask('/api/read/limits')).status).toBe(401);
  const refused = await operator.ask('/api/read/limits');
  expect([refused.status, refused.code]).toEqual([403, 'people/role']);
  expect((await engineer.ask('/api/read/limits')).text).toBe('{"rows":2}');
  for (const name of ['nothing', 'constructor', '__proto__', 'toString']) {
    const unknown = await operator.ask(`/api/read/${name}`);
    expect([unknown.status, unknown.code], name).toEqual([404, 'page/unknown']);
  }
  expect((await operator.ask('/api/read/given?a=1&b=%C3%A9')).text).toBe('{"a":"1","b":"é"}');
  expect((await operator.ask('/api/read/given?a=1&a=2')).code).toBe('page/request');
  expect((await operator.post('/api/read/given', { text: 'x'.repeat(100_000) })).text).toHaveLength(
    100_011,
  );
  const crash = await operator.ask('/api/read/crash');
  expect([crash.status, crash.code]).toEqual([500, 'page/broken']);
  expect(crash.text).not.toContain('inside');
});

test('a change of an unknown name and one without the role are refused', async () => {
  const page = await servedPage();
  const browser = await atBench(page);
  expect((await browser.post('/api/change/nothing', {})).code).toBe('page/unknown');
  const refused = await browser.post('/api/change/save-limits-draft', {});
  expect([refused.status, refused.code]).toEqual([403, 'people/role']);
  expect(trail(page).at(-1)).toMatch(/^O. Operator \(OP-1\): refused: /u);
});

test('a file of a record is handed out by the number of the record, and the audit trail tells it', async () => {
  const page = await servedPage();
  const folder = join(page.root, '2026', 'H12-26-04711', '01');
  mkdirSync(folder, { recursive: true });
  writeFileSync(join(folder, 'certificate.pdf'), '%PDF-1.7 record');
  writeFileSync(join(folder, 'certificate.csv'), 'a;b');
  writeFileSync(join(folder, 'notes.txt'), 'not for browsers');
  symlinkSync(join(page.root, '..', 'secret.txt'), join(folder, 'log.jsonl'));
  const issued = (certificate: string, path: string) => ({
    ...({ kind: 'record-issued', serial: 'H12-26-04711', attempt: 1, by: 'operator 17' } as const),
    body: { certificate, folder: path, files: {} },
  });
  const ledger = openLedger(ledgerFile(page.root));
  ledger.append(issued('TW1-2026-000001', '2026/H12-26-04711/01'), page.clock.now());
  ledger.append(issued('TW1-2026-000002', '../page'), page.clock.now());
  ledger.close();
  const browser = await atBench(page, 'AU-1');
  const pdf = await browser.ask('/api/file/TW1-2026-000001/certificate.pdf');
  expect(pdf.text).toBe('%PDF-1.7 record');
  expect(pdf.headers['content-type']).toBe('application/pdf');
  expect(pdf.headers['content-disposition']).toBe('inline; filename="certificate.pdf"');
  expect(pdf.headers['content-security-policy']).toContain("frame-ancestors 'self'");
  expect(pdf.headers['x-frame-options']).toBe('SAMEORIGIN');
  const csv = await browser.ask('/api/file/TW1-2026-000001/certificate.csv');
  expect(csv.headers['content-disposition']).toBe('attachment; filename="certificate.csv"');
  for (const wrong of [
    'TW1-2026-000001/notes.txt',
    'TW1-2026-000001/log.jsonl',
    'TW1-2026-000001/capture.parquet',
    'TW1-2026-000002/index.html',
    'TW1-2026-000003/certificate.pdf',
  ]) {
    const answer = await browser.ask(`/api/file/${wrong}`);
    expect([answer.status, answer.code], wrong).toEqual([404, 'page/unknown']);
  }
  expect((await page.browser().ask('/api/file/TW1-2026-000001/certificate.pdf')).status).toBe(401);
  const told = page.ledger((read) =>
    trailOf(read.entries()).filter(({ what }) => /handed/u.test(what)),
  );
  expect(told.map(({ by, what, to }) => [by, what, to])).toEqual([
    ['A. Auditor (AU-1)', 'handed out H12-26-04711', 'certificate.pdf of TW1-2026-000001'],
    ['A. Auditor (AU-1)', 'handed out H12-26-04711', 'certificate.csv of TW1-2026-000001'],
  ]);
});

/** Follows the nest over a socket that reads only when it is told to. */
function follow(page: ServedPage, browser: Browser): { readonly socket: Socket; text: string } {
  const socket = connect(page.running.port, '127.0.0.1');
  const following = { socket, text: '' };
  socket.on('data', (bytes) => {
    following.text += bytes.toString();
  });
  socket.write(
    `GET /api/nest?tab=${TAB} HTTP/1.1\r\nhost: 127.0.0.1:${String(page.running.port)}\r\ncookie: ${browser.cookie}\r\n\r\n`,
  );
  return following;
}

async function until(holds: () => boolean): Promise<void> {
  for (let i = 0; i < 100_000 && !holds(); i += 1) await new Promise((next) => setImmediate(next));
  if (!holds()) throw new Error('it did not come to that');
}

const frame = (take: number, width = 4): Frame => {
  const columns = { low: Array<number>(width).fill(0.125), high: Array<number>(width).fill(0.25) };
  return {
    stage: 0,
    take,
    from: 0,
    step: 0.001,
    command: columns,
    produced: columns,
    torque: columns,
  };
};

const count = (text: string, what: string): number => text.split(what).length - 1;

test('a browser that follows gets the view, who holds, every frame, and beats', async () => {
  const page = await servedPage();
  const browser = await atBench(page);
  const following = follow(page, browser);
  await until(() => following.text.includes('event: nest'));
  expect(following.text).toContain('content-type: text/event-stream');
  expect(following.text).toContain('retry: 500');
  expect(following.text).toContain('"hold":"free","mayHold":true');
  await browser.post('/api/nest/hold', { tab: TAB });
  await until(() => following.text.includes('"hold":"yours","holder":"O. Operator (OP-1)"'));
  for (let i = 1; i <= 60; i += 1) {
    page.desk.frame(frame(i));
    await until(() => count(following.text, 'event: frame') === i);
  }
  await until(() => following.text.includes('event: beat'));
  following.socket.destroy();
});

test('a browser that does not read loses frames, but no view, and costs no more than a bounded buffer', async () => {
  const page = await servedPage();
  const following = follow(page, await atBench(page));
  await until(() => following.text.includes('event: nest'));
  following.socket.pause();
  const FRAMES = 4000;
  for (let i = 0; i < FRAMES; i += 1) {
    page.desk.frame(frame(i, 400));
    await new Promise((next) => setImmediate(next));
  }
  for (let stage = 1; stage <= 20; stage += 1) {
    page.desk.show({ phase: { kind: 'running', stage, since: 0, end: 1 } });
  }
  following.socket.resume();
  await until(() => following.text.includes('"stage":20,'));
  for (let stage = 1; stage <= 20; stage += 1) {
    expect(following.text).toContain(`"kind":"running","stage":${String(stage)},`);
  }
  const frames = count(following.text, 'event: frame');
  expect(frames).toBeGreaterThan(0);
  expect(frames).toBeLessThan(FRAMES / 2);
  following.socket.destroy();
});

test('who may not log in may not follow, and a browser follows with at most four tabs', async () => {
  const page = await servedPage();
  expect((await page.browser().ask('/api/nest')).status).toBe(401);
  const browser = await atBench(page);
  const followers = [1, 2, 3, 4].map(() => follow(page, browser));
  await until(() => followers.every(({ text }) => text.includes('event: nest')));
  const fifth = await browser.ask('/api/nest');
  expect([fifth.status, fifth.code]).toEqual([503, 'page/busy']);
  for (const { socket } of followers) socket.destroy();
});

test('the end of the server makes the bench safe and ends whoever follows', async () => {
  const page = await servedPage();
  const following = follow(page, await atBench(page));
  await until(() => following.text.includes('event: nest'));
  const gone = new Promise((resolve) => following.socket.once('close', resolve));
  await page.running.close();
  await gone;
  expect(page.desk.isClosed).toBe(true);
});

test('methods and ways in that no page uses lead nowhere', async () => {
  const page = await servedPage();
  const browser = await atBench(page);
  for (const method of ['PUT', 'DELETE', 'PATCH', 'OPTIONS', 'HEAD', 'TRACE']) {
    const wish: Wish = {
      method,
      headers: { origin: `http://127.0.0.1:${String(page.running.port)}` },
    };
    expect((await browser.ask('/api/nest', wish)).status, method).toBe(404);
  }
});
