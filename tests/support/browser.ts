import { existsSync, mkdirSync, readFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import {
  chromium,
  type Browser,
  type BrowserContext,
  type CDPSession,
  type Locator,
  type Page,
} from 'playwright-core';
import { describe, expect, onTestFinished } from 'vitest';
import type { NestCommand } from '../../src/serve/nest-view.js';
import type { ServedProgram } from './served-program.js';

const CHROMIUM = '/usr/bin/chromium';

/**
 * A suite that needs a browser: skipped where there is none, but failing there where CI asks for it. A test
 * may be tried again: when this machine stands still for a second, a page counts as lost and torque goes
 * off, as it must.
 */
export function inBrowser(name: string, tests: () => void): void {
  const isMissing = !existsSync(CHROMIUM) && process.env['CI'] === undefined;
  describe.skipIf(isMissing)(`${name}, in ${CHROMIUM}`, { retry: 2 }, tests);
}

/** Starts the browser of this machine, with everything off that would reach for the network. */
export function openBrowser(more: readonly string[] = []): Promise<Browser> {
  return chromium.launch({
    executablePath: CHROMIUM,
    args: [
      ...['--no-sandbox', '--disable-gpu', '--disable-quic', '--no-first-run'],
      ...['--disable-background-networking', '--disable-component-update', '--disable-sync'],
      ...more,
    ],
  });
}

/** Screens that the page is drawn for. */
export const SMALL = { width: 1280, height: 800 } as const;
export const LARGE = { width: 1920, height: 1080 } as const;

/** A browser of one person: own cookies, own storage. */
export interface Person {
  readonly context: BrowserContext;
  readonly page: Page;
  /** Errors of the console, broken policies and requests to other hosts; must stay empty. */
  readonly complaints: readonly string[];
  /** Says which complaints are right in this test: a browser also logs what a server refuses. */
  readonly excuse: (text: RegExp) => void;
  /** Another tab of the same person. */
  readonly tab: () => Promise<Page>;
  /** Asks the nest for something in the name of the open page, past its buttons. */
  readonly ask: (command: NestCommand) => Promise<Response>;
  /**
   * Ends what is on its way, puts a verdict away and gives the nest back, in the name of the open page,
   * which may be gone already; so may the server.
   */
  readonly give: () => Promise<void>;
  readonly cookie: () => Promise<string>;
}

/** How a page is opened. */
export interface PageWish {
  readonly path?: string;
  readonly locale?: string;
  readonly viewport?: { readonly width: number; readonly height: number };
  /** Name of the host in the address, where it is to be another one. */
  readonly host?: string;
}

/** ms after which something that does not come to the page counts as missing. */
const PATIENCE = 20_000;

/** Opens a browser window at a page of the served program; it goes with the running test. */
export async function openPage(
  browser: Browser,
  served: ServedProgram,
  { path = '/operator', locale = 'en-GB', viewport = SMALL, host = '127.0.0.1' }: PageWish = {},
): Promise<Person> {
  const address = `http://${host}:${String(served.port)}`;
  const context = await browser.newContext({ viewport, locale });
  context.setDefaultTimeout(PATIENCE);
  onTestFinished(() => context.close());
  const complaints: string[] = [];
  const known = { tab: '', token: '' };
  const excused: RegExp[] = [];
  context.on('page', (page) => {
    watch(page, address, (text) => {
      if (!excused.some((right) => right.test(text))) complaints.push(text);
    });
    learn(page, known);
  });
  const page = await context.newPage();
  await page.goto(address + path);
  let session = '';
  const cookie = async (): Promise<string> => {
    const cookies = await context.cookies();
    session = cookies.map(({ name, value }) => `${name}=${value}`).join('; ');
    return session;
  };
  const post = (to: string, body: object): Promise<Response> =>
    fetch(served.address + to, {
      method: 'POST',
      headers: {
        ...{ origin: served.address, 'content-type': 'application/json' },
        ...{ 'x-stallmark-token': known.token, cookie: session },
      },
      body: JSON.stringify({ tab: known.tab, ...body }),
    });
  const give = async (): Promise<void> => {
    const { exitCode, signalCode } = served.program.child;
    if (exitCode !== null || signalCode !== null) return;
    const command = (kind: 'stop' | 'next'): Promise<Response> =>
      post('/api/nest', { command: { kind } });
    const isAtRest = async (): Promise<boolean> => !(await command('stop')).ok;
    await expect.poll(isAtRest, { timeout: PATIENCE }).toBe(true);
    await post('/api/nest/hold', {}); // it may have lapsed
    await command('next');
    await post('/api/nest/release', {});
  };
  return {
    ...{ context, page, complaints, cookie },
    excuse: (text) => {
      excused.push(text);
    },
    tab: async () => {
      const other = await context.newPage();
      await other.goto(address + path);
      return other;
    },
    ask: async (command) => {
      await cookie();
      return post('/api/nest', { command });
    },
    give,
  };
}

function watch(page: Page, address: string, complain: (text: string) => void): void {
  page.on('console', (message) => {
    if (message.type() === 'error' || message.type() === 'warning') {
      complain(`console ${message.type()}: ${message.text()} ${message.location().url}`);
    }
  });
  page.on('pageerror', (error) => {
    complain(`error: ${error.message}`);
  });
  page.on('request', (sent) => {
    const url = sent.url();
    if (!url.startsWith(`${address}/`) && !url.startsWith(`blob:${address}/`)) {
      complain(`request to another host: ${url}`);
    }
  });
}

/** Learns by what the first page of a context is known to the server. */
function learn(page: Page, known: { tab: string; token: string }): void {
  page.on('request', (sent) => {
    const tab = /\/api\/nest\?tab=([\w-]+)/u.exec(sent.url())?.[1];
    if (tab !== undefined && known.tab === '') known.tab = tab;
  });
  page.on('response', (answer) => {
    if (!/\/api\/(?:start|log-in)$/u.test(answer.url()) || !answer.ok()) return;
    void answer.json().then(
      (told: { readonly token?: string }) => {
        known.token = told.token ?? known.token;
      },
      () => undefined, // the page went on before its answer could be read
    );
  });
}

/** Logs in by name at a simulated bench where nobody has a secret. */
export async function logInAs(page: Page, name: string): Promise<void> {
  await page.locator('#who').fill(name);
  await page.locator('#who').press('Enter');
  await page.locator('.operator:not(.connecting)').waitFor();
}

/** Waits until the one sentence of the operator page is this. */
export async function says(page: Page, sentence: string): Promise<void> {
  const said = (): Promise<string> => page.locator('.say h1').innerText();
  await expect.poll(said, { timeout: PATIENCE }).toBe(sentence);
}

/** ms between two keys of the scanner. */
const GAP = 4;

/** ms for which each of its keys is down. */
const DOWN = 1;

/**
 * Scans a label as a keyboard-wedge scanner does: keys follow each other within a few ms, whatever has
 * the focus. The times are given with the keys, so that a busy machine makes no slow scanner.
 */
export async function wedge(page: Page, text: string, end = '\r'): Promise<void> {
  const session = await page.context().newCDPSession(page);
  const from = Date.now() / 1000 - 0.001 * GAP * text.length;
  const sent: Promise<unknown>[] = [];
  Array.from(text + end).forEach((character, index) => {
    sent.push(...strokes(session, character, from + 0.001 * GAP * index));
  });
  await Promise.all(sent);
  await session.detach();
}

function strokes(session: CDPSession, character: string, at: number): readonly Promise<unknown>[] {
  const { key, text, code } = keyOf(character);
  const virtual = { windowsVirtualKeyCode: code };
  return [
    session.send('Input.dispatchKeyEvent', {
      ...{ type: text === '' ? 'rawKeyDown' : 'keyDown', key, timestamp: at, ...virtual },
      ...(text === '' ? {} : { text }),
    }),
    session.send('Input.dispatchKeyEvent', {
      ...{ type: 'keyUp', key, timestamp: at + 0.001 * DOWN, ...virtual },
    }),
  ];
}

function keyOf(character: string): {
  readonly key: string;
  readonly text: string;
  readonly code: number;
} {
  if (character === '\r') return { key: 'Enter', text: '\r', code: 13 };
  if (character === '\t') return { key: 'Tab', text: '', code: 9 };
  return { key: character, text: character, code: character.toUpperCase().charCodeAt(0) };
}

/** Keeps a button pressed by pointer until `until` is on the page; a hand lets go then. */
export async function keepPressed(page: Page, button: Locator, until: Locator): Promise<void> {
  await pressDown(page, button);
  await until.waitFor();
  await page.mouse.up();
}

/** Brings the pointer down on the middle of a button, and leaves it there. */
export async function pressDown(page: Page, button: Locator): Promise<void> {
  const box = await button.boundingBox();
  if (box === null) throw new Error('the button is not on the page');
  await page.mouse.move(box.x + box.width / 2, box.y + box.height / 2);
  await page.mouse.down();
}

/** Presses the space bar for as long as a hand does. */
export async function space(page: Page): Promise<void> {
  await page.keyboard.press(' ', { delay: 120 });
}

/** Whether what the locator means has the focus. */
export async function hasFocus(page: Page, wanted: Locator): Promise<boolean> {
  return (await wanted.and(page.locator(':focus')).count()) > 0;
}

/** Goes on by Tab until what the locator means has the focus. */
export async function tabTo(page: Page, wanted: Locator): Promise<void> {
  await wanted.waitFor();
  for (let steps = 0; steps < 40; steps += 1) {
    if (await hasFocus(page, wanted)) return;
    await page.keyboard.press('Tab', { delay: 60 }); // a hand: faster keys are those of a scanner
  }
  throw new Error('Tab never comes to it');
}

const ARTEFACTS = fileURLToPath(new URL('../../.artefacts/', import.meta.url));

/** Keeps a picture of the page with the run. */
export async function kept(page: Page, name: string): Promise<void> {
  mkdirSync(ARTEFACTS, { recursive: true });
  await page.screenshot({ path: join(ARTEFACTS, `${name}.png`) });
}

const AXE = readFileSync(createRequire(import.meta.url).resolve('axe-core/axe.min.js'), 'utf8');

interface AxeFinding {
  readonly id: string;
  readonly impact: string | null;
  readonly help: string;
  readonly nodes: readonly {
    readonly target: readonly string[];
    readonly failureSummary: string;
  }[];
}

/** Serious and critical findings of axe-core on the page as it is now; empty when it is in order. */
export async function findings(page: Page): Promise<readonly string[]> {
  await page.evaluate(AXE); // evaluated from outside: the content policy stays as it is
  const { violations } = await page.evaluate<{ readonly violations: readonly AxeFinding[] }>(
    'axe.run(document, { resultTypes: ["violations"] })',
  );
  return violations
    .filter(({ impact }) => impact === 'serious' || impact === 'critical')
    .flatMap(({ id, help, nodes }) =>
      nodes.map(
        ({ target, failureSummary }) => `${id}: ${help} ${target.join(' ')} ${failureSummary}`,
      ),
    );
}
