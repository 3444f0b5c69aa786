import { execFileSync } from 'node:child_process';
import type { Browser, Page } from 'playwright-core';
import { afterAll, beforeAll, expect, onTestFinished, test } from 'vitest';
import type { Entry } from '../../src/ledger/ledger.js';
import { openLedger } from '../../src/ledger/sqlite.js';
import { WORDS_OF } from '../../src/page/words/languages.js';
import { ledgerFile } from '../../src/run/places.js';
import { PAGE_PATIENCE } from '../../src/serve/nest-view.js';
import { Sessions, sessionsFile } from '../../src/serve/sessions.js';
import {
  atBench,
  phase,
  serialOf,
  take,
  toWarnings,
  toPower,
  withBench,
} from '../support/at-bench.js';
import {
  findings,
  inBrowser,
  kept,
  openBrowser,
  openPage,
  says,
  wedge,
} from '../support/browser.js';
import { layCable, THROUGH_CABLE } from '../support/cable.js';
import { handClock } from '../support/clock.js';
import { SECRETS } from '../support/people.js';
import { stallmark } from '../support/program.js';
import { browserOf, people } from '../support/served-page.js';
import { servedProgram, type Heard, type ServedProgram } from '../support/served-program.js';

const en = WORDS_OF.en;

/** ms from the last sign of life to zero torque: patience, pulse, look, and a ramp, on a busy machine. */
const LATEST = PAGE_PATIENCE + 1500;

/** Requests fail at the console of a browser whose line is cut. */
const CUT = /ERR_|\/api\//u;

const off = ({ power }: Heard): boolean => power === 'off';

/** Looks at the page as it stands, and keeps a picture of it. */
async function looked(page: Page, name: string): Promise<void> {
  await kept(page, `access-${name}`);
  expect(await findings(page), name).toEqual([]);
}

/** Why an attempt was aborted, as the ledger has it. */
function reasonOf(aborted: Entry | undefined): string {
  const reason = aborted?.body['reason'];
  return typeof reason === 'string' ? reason : '';
}

/** The attempt ended because the page was gone, and the ledger says after which silence. */
function expectPageLost({ entries }: ServedProgram, serial: string): void {
  const aborted = entries('attempt-aborted').at(-1);
  expect(aborted).toMatchObject({ serial });
  const reason = reasonOf(aborted);
  expect(reason).toMatch(/^run\/page-lost: .*torque was taken away/u);
  const silence = 1000 * Number(/for ([\d.]+) s/u.exec(reason)?.[1]);
  expect(silence).toBeGreaterThanOrEqual(PAGE_PATIENCE);
  expect(silence).toBeLessThan(LATEST);
}

inBrowser('who may use the bench, and what happens when the page is gone', () => {
  let browser: Browser;
  let served: ServedProgram;

  beforeAll(async () => {
    [browser, served] = await Promise.all([
      openBrowser([THROUGH_CABLE]),
      servedProgram({ pace: 'real', stages: ['static', 'close'] }),
    ]);
  });

  afterAll(async () => {
    await browser.close();
    await served.remove();
  });

  test('a line that goes dead under torque: the torque goes off by itself, and the page says so on return', async () => {
    const cable = await layCable(served.port);
    onTestFinished(cable.remove);
    const bench = await atBench(browser, served, { host: 'localhost' });
    bench.excuse(CUT);
    const { page } = bench;
    const serial = await toPower(bench);
    await says(page, en.say.on);
    cable.pull();
    const from = performance.now();
    const ended = await bench.nest.until(off, 'power off');
    expect(ended.phase).toMatchObject({ kind: 'ended', how: 'page lost' });
    expect(ended.heard - from).toBeLessThan(LATEST);
    expectPageLost(served, serial);
    await says(page, en.say.lost);
    await page.getByText(en.power.unknown, { exact: true }).waitFor();
    await looked(page, 'connection-lost');
    cable.mend();
    await page.getByText(en.ended.torqueOff).waitFor();
    await page.locator('.problems').getByText(en.problems.page.what).waitFor();
    await page.getByText(en.power.off, { exact: true }).waitFor();
    await looked(page, 'connection-back');
    await bench.leave();
  });

  test('a tab that is closed under torque: the torque goes off, and who comes back is told and can go on', async () => {
    const bench = await atBench(browser, served);
    const other = await bench.tab();
    const serial = await toPower(bench);
    await says(other, en.say.on);
    const from = performance.now();
    await bench.page.close();
    const ended = await bench.nest.until(off, 'power off');
    expect(ended.phase).toMatchObject({ kind: 'ended', how: 'page lost' });
    expect(ended.heard - from).toBeLessThan(LATEST);
    expectPageLost(served, serial);
    await other.getByText(en.ended.torqueOff).waitFor();
    await other.locator('.problems').getByText(en.problems.page.what).waitFor();
    await other.getByRole('button', { name: en.hold.take }).waitFor(); // free after a while
    await looked(other, 'tab-closed');
    await other.getByRole('button', { name: en.hold.take }).click();
    await says(other, en.say.pageLost);
    await wedge(other, serialOf(119));
    await phase(bench, 'warnings');
    await other.keyboard.press('Escape');
    await phase(bench, 'ended');
    await other.getByRole('button', { name: en.settings.open }).click();
    await other.getByRole('button', { name: en.hold.giveBack }).click();
    await bench.nest.until(({ hold }) => hold === 'free', 'a free bench');
    const again = await openPage(browser, served);
    await again.page.locator('#who').fill('operator 18');
    await again.page.locator('#who').press('Enter');
    await take(again);
    await (await withBench(again, served)).leave();
  });

  test('a page that is loaded anew under torque goes on with the test', async () => {
    // Short, but for longer under torque than the bench is patient with a silent page.
    const short = await servedProgram({ pace: 'real', stages: ['idle', 'close'] });
    onTestFinished(short.remove);
    const bench = await atBench(browser, short);
    const { page } = bench;
    bench.excuse(/\/api\//u); // requests that were under way
    const serial = await toPower(bench);
    await page.reload();
    await says(page, en.say.on);
    await kept(page, 'access-loaded-anew');
    const { phase: end } = await phase(bench, 'verdict', 'ended');
    expect(end, JSON.stringify(end)).toMatchObject({ kind: 'verdict', result: { serial } });
    expect(short.entries('record-issued').at(-1)).toMatchObject({ serial });
    await bench.leave();
  });

  test('of two tabs and two browsers one holds the bench, the others see who', async () => {
    const bench = await atBench(browser, served);
    const tab = await bench.tab();
    const other = await openPage(browser, served);
    await other.page.locator('#who').fill('P. Åsberg');
    await other.page.locator('#who').press('Enter');
    for (const page of [tab, other.page]) {
      await says(page, en.say.another.replace('{name}', 'operator 17'));
      await page.getByText(en.hold.another).waitFor();
      expect(await page.locator('.sheet button').count()).toBe(0);
      await wedge(page, serialOf(150));
    }
    await looked(other.page, 'another-holds');
    other.excuse(/\/api\/nest$/u);
    for (const command of [
      { kind: 'scan', text: serialOf(150), language: 'en' },
      { kind: 'start' },
      { kind: 'next' },
    ] as const) {
      const answer = await other.ask(command);
      expect([answer.status, await answer.text()]).toEqual([
        409,
        expect.stringContaining('The nest is held by operator 17.'),
      ]);
    }
    expect(bench.nest.view().phase.kind).toBe('waiting');
    await toWarnings(bench, serialOf(151));
    await other.page.locator('.panel').first().waitFor();
    expect(await other.page.locator('button.keep').count()).toBe(0);
    await looked(other.page, 'another-tests');
    const third = browserOf(served.port);
    const late = await third.post('/api/log-in', { name: 'late', place: 'bench' });
    expect(late.code).toBe('page/held');
    await bench.page.keyboard.press('Escape');
    await phase(bench, 'ended');
    await bench.leave();
    await take(other);
    await says(other.page, en.say.scan);
    await (await withBench(other, served)).leave();
  });

  test('a foreign host name, a missing token and a foreign page change nothing', async () => {
    const { port, address } = served;
    const raw = browserOf(port);
    const hosts = ['evil.example', `evil.example:${String(port)}`, '127.0.0.1:1'];
    for (const host of hosts) {
      for (const path of ['/', '/operator', '/api/start', '/api/nest']) {
        const answer = await raw.ask(path, { headers: { host } });
        expect([answer.status, answer.code], `${host} ${path}`).toEqual([421, 'page/host']);
      }
    }
    const logIn = await raw.post('/api/log-in', { name: 'operator 17', place: 'bench' });
    raw.cookie = logIn.headers['set-cookie']?.[0]?.split(';')[0] ?? '';
    expect(logIn.headers['set-cookie']?.[0]).toMatch(/HttpOnly; SameSite=Strict/u);
    const tab = 'tab-of-nobody';
    for (const path of ['/api/nest/hold', '/api/nest', '/api/nest/alive', '/api/log-out']) {
      const missing = await raw.post(path, { tab, command: { kind: 'start' } });
      expect([missing.status, missing.code], path).toEqual([403, 'page/token']);
    }
    raw.token = (JSON.parse(logIn.text) as { readonly token: string }).token;
    for (const headers of [
      { origin: 'http://evil.example' },
      { origin: address, 'sec-fetch-site': 'cross-site' },
    ]) {
      const foreign = await raw.post('/api/nest/hold', { tab }, headers);
      expect([foreign.status, foreign.code]).toEqual([403, 'page/origin']);
    }
    expect((await raw.post('/api/nest/hold', { tab })).status).toBe(200);
    expect((await raw.post('/api/nest/release', { tab })).status).toBe(200);
    expect((await raw.ask('/api/nest', { headers: { cookie: '' } })).code).toBe('page/session');
  });

  test('a page of another site can neither frame the bench nor read or change anything', async () => {
    const person = await openPage(browser, served, { path: '/api/start' });
    person.excuse(/./u); // everything that follows is to be refused by the browser
    await person.page.route('http://evil.example/', (route) =>
      route.fulfill({ contentType: 'text/html', body: '<!doctype html><title>evil</title>' }),
    );
    await person.page.goto('http://evil.example/');
    const tried = await person.page.evaluate<readonly string[]>(`Promise.all([
      fetch('${served.address}/api/start').then(() => 'read', () => 'refused'),
      fetch('${served.address}/api/log-in', { method: 'POST', body: '{}' }).then(() => 'sent', () => 'refused'),
      new Promise((resolve) => {
        const frame = document.createElement('iframe');
        frame.onload = () => {
          try { resolve(frame.contentDocument === null ? 'refused' : 'framed'); } catch { resolve('refused'); }
        };
        frame.src = '${served.address}/operator';
        document.body.append(frame);
      }),
    ])`);
    expect(tried).toEqual(['refused', 'refused', 'refused']);
    const frame = person.page.frames().find((one) => one.parentFrame() !== null);
    expect(await frame?.locator('#page').count()).toBe(0);
  });

  test('a session that the command line ends, or that was left alone, sends the page back to log-in', async () => {
    const bench = await atBench(browser, served);
    const { page } = bench;
    bench.excuse(/\/api\//u);
    const at = ['--data', served.data, '--keys', served.keys];
    const sessions = new Sessions(sessionsFile(served.data));
    onTestFinished(() => {
      sessions.close();
    });
    const own = (): number => sessions.list()[0]?.number ?? 0;
    const by = ['--by', 'Q. Engineer', '--role', 'quality engineer', '--why', 'end of shift'];
    const told = await stallmark(['people', 'end-session', String(own()), ...at, ...by]);
    expect(told.out, told.err).toContain('has ended');
    await page.locator('#who').waitFor();
    await looked(page, 'session-ended');
    await page.locator('#who').fill('operator 18');
    await page.locator('#who').press('Enter');
    await page.getByRole('button', { name: en.hold.take }).click();
    await says(page, en.say.scan);
    const now = Date.parse(served.entries().at(-1)?.at ?? '');
    sessions.touch(own(), now, now); // as after a quarter of an hour
    await page.locator('#who').waitFor();
    await page.context().close();
  });

  test('the server is killed under torque: the bench makes itself safe, and the page says that it is lost', async () => {
    const first = await servedProgram({ pace: 'real', stages: ['static', 'close'] });
    onTestFinished(first.remove);
    const bench = await atBench(browser, first);
    bench.excuse(CUT);
    const { page } = bench;
    const serial = await toPower(bench);
    first.program.child.kill('SIGKILL');
    await first.program.ended;
    await says(page, en.say.lost);
    await page.getByText(en.power.unknown, { exact: true }).waitFor();
    await looked(page, 'server-killed');
    await expect
      .poll(() => first.entries('attempt-aborted').map((entry) => entry.serial), {
        timeout: 20_000,
      })
      .toEqual([serial]);
    expect(reasonOf(first.entries('attempt-aborted')[0])).toContain(
      'The end of the program stopped the run',
    );
    const again = await first.again();
    onTestFinished(again.end);
    await page.getByText(en.power.off, { exact: true }).waitFor();
    await page.getByRole('button', { name: en.hold.take }).click(); // the session is still there
    await says(page, en.say.scan);
    await page.context().close();
  });

  test('the process that drives the bench is killed under torque: power is unknown until it is back', async () => {
    const own = await servedProgram({ pace: 'real', stages: ['static', 'close'] });
    onTestFinished(own.remove);
    const bench = await atBench(browser, own);
    bench.excuse(/\/api\//u);
    const { page } = bench;
    await page.evaluate(`
      window.seen = [];
      new MutationObserver(() => seen.push(document.querySelector('.power')?.innerText ?? ''))
        .observe(document.querySelector('.operator'), { subtree: true, childList: true, characterData: true, attributes: true })`);
    const serial = await toPower(bench);
    const unknown = bench.nest.until(({ power }) => power === 'unknown', 'unknown power');
    process.kill(childOf(own.program.child.pid), 'SIGKILL');
    expect((await unknown).phase).toMatchObject({ kind: 'ended', how: 'broken off' });
    await bench.nest.until(off, 'another process');
    await says(page, en.say.brokenOff);
    await page.locator('.problems').getByText('ended by itself').waitFor();
    await looked(page, 'nest-killed');
    const shown = await page.evaluate<readonly string[]>('seen');
    expect(shown.map((text) => text.toLowerCase())).toContain(en.power.unknown.toLowerCase());
    expect(own.entries('attempt-aborted')).toEqual([]);
    await toWarnings(bench, serialOf(9)); // what was left open is closed before anything else
    expect(own.entries('attempt-aborted').map((entry) => entry.serial)).toEqual([serial]);
    await bench.leave();
  });
});

/** The only child of the server is the process that drives the bench. */
function childOf(pid: number | undefined): number {
  const told = execFileSync('ps', ['-o', 'pid=,ppid=', '-A'], { encoding: 'utf8' });
  const children = told
    .split('\n')
    .map((line) => line.trim().split(/\s+/u).map(Number))
    .filter(([, parent]) => parent === pid);
  expect(children.length).toBe(1);
  return children[0]?.[0] ?? 0;
}

inBrowser('people with a secret at the operator page', () => {
  let browser: Browser;
  let served: ServedProgram;

  beforeAll(async () => {
    [browser, served] = await Promise.all([
      openBrowser(),
      servedProgram({
        prepare: async ({ data, keys }) => {
          openLedger(ledgerFile(data)).close();
          await people(data, keys, handClock());
        },
      }),
    ]);
    const training = ['--procedure', 'h12-acceptance', '--issue', '3-9', '--as', 'QE-1'];
    const trained = await stallmark(
      [
        ...['people', 'train', 'OP-1', ...training, '--why', 'for the test'],
        ...['--data', served.data, '--keys', served.keys],
      ],
      { STALLMARK_SECRET: SECRETS['QE-1'] },
    );
    expect(trained.status, trained.err).toBe(0);
  });

  afterAll(async () => {
    await browser.close();
    await served.remove();
  });

  async function logIn(page: Page, id: keyof typeof SECRETS, secret: string): Promise<void> {
    await page.locator('#who').fill(id);
    await page.locator('#secret').fill(secret);
    await page.locator('#secret').press('Enter');
  }

  test('a wrong secret is refused, the right one opens the bench to an operator', async () => {
    const person = await openPage(browser, served);
    person.excuse(/\/api\/log-in$/u);
    const { page } = person;
    await logIn(page, 'OP-1', 'wrong');
    await page.getByText(en.logIn.refused).waitFor();
    await page.getByText('After 4 more wrong ones').waitFor();
    expect(await page.locator('#secret').inputValue()).toBe('');
    await looked(page, 'wrong-secret');
    // After a wrong secret an id has to wait for a second before anything is compared again.
    const take = page.getByRole('button', { name: en.hold.take });
    const isIn = async (): Promise<boolean> => {
      await logIn(page, 'OP-1', SECRETS['OP-1']);
      await take.or(page.locator('[role=alert] p')).waitFor();
      return take.isVisible();
    };
    await expect.poll(isIn, { timeout: 20_000, interval: 500 }).toBe(true);
    await take.click();
    await says(page, en.say.scan);
    const bench = await withBench(person, served);
    await toWarnings(bench, serialOf(1));
    await bench.leave();
    expect(served.entries('refused')[0]?.body).toMatchObject({
      ...{ what: 'log-in', person: 'OP-1', reason: 'wrong' },
    });
  });

  test('an operator without training is refused before power', async () => {
    const person = await openPage(browser, served);
    const { page } = person;
    await logIn(page, 'OP-2', SECRETS['OP-2']);
    await take(person);
    await says(page, en.say.scan);
    const bench = await withBench(person, served);
    await wedge(page, serialOf(2));
    await says(page, en.say.notBegun);
    await page.locator('.problems').getByText(en.problems.person.what).first().waitFor();
    await looked(page, 'not-trained');
    await bench.leave();
    expect(served.entries('attempt-begun')).toEqual([]);
  });

  test('an auditor looks at the bench, never holds it, and the trail says who tried', async () => {
    const person = await openPage(browser, served);
    const { page } = person;
    await logIn(page, 'AU-1', SECRETS['AU-1']);
    await says(page, en.say.look);
    await page.getByText(en.hold.mayNot).waitFor();
    expect(await page.locator('.sheet button').count()).toBe(0);
    await looked(page, 'auditor-at-bench');
    await wedge(page, serialOf(3));
    const tried = await person.ask({ kind: 'scan', text: serialOf(3), language: 'en' });
    expect([tried.status, await tried.text()]).toEqual([
      403,
      expect.stringContaining('people/role'),
    ]);
    expect(served.entries('refused').at(-1)).toMatchObject({ by: 'A. Auditor (AU-1)' });
    expect(served.entries().some((entry) => entry.serial === serialOf(3))).toBe(false);
    expect(person.complaints).toEqual([]);
  });
});
