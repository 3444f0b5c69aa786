/**
 * The bench page measured: `npm run evidence:page`.
 *
 * Start of `serve`, sizes of the pages, time until each can be used in chromium, search in a ledger of
 * 100,000 attempts through HTTP, frames that reach the page under torque, memory. Needs the built program
 * and /usr/bin/chromium.
 */
import { existsSync, mkdtempSync, readdirSync, readFileSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { gzipSync } from 'node:zlib';
import type { Browser } from 'playwright-core';
import { systemClock } from '../../src/base/clock.js';
import { openLedger } from '../../src/ledger/sqlite.js';
import { indexFile, ledgerFile } from '../../src/run/places.js';
import { openBrowser } from '../support/browser.js';
import { makeLongLedger } from '../support/long-ledger.js';
import { start, type Running } from '../support/program.js';
import {
  follow,
  servedProgram,
  type Heard,
  type ServedProgram,
} from '../support/served-program.js';
import { SHORT_STAGES } from '../support/short-documents.js';
import { shippedDocuments } from '../support/simulated-run.js';
import { begin, pageAt, untilItWorks } from './at-page.js';
import { headOf, publish, quantileOf, table } from './report.js';

const ms = (value: number): string => value.toFixed(value < 20 ? 1 : 0);
const sortedOf = (values: readonly number[]): readonly number[] =>
  [...values].sort((a, b) => a - b);
const median = (values: readonly number[]): number => quantileOf(sortedOf(values), 0.5);
const greatest = (values: readonly number[]): number => Math.max(...values);
const judged = (value: number, aim: number, unit: string): string =>
  value <= aim ? 'met' : `missed by ${ms(value - aim)} ${unit}`;

// ————— start —————

const STARTS = 10;

/** A started program and how it is reached. */
interface Started {
  readonly program: Running;
  readonly address: string;
  /** ms from the start of the process to the line that says it serves. */
  readonly took: number;
}

async function started(data: string): Promise<Started> {
  const from = performance.now();
  const program = start(['serve', '--port', '0', '--data', data, '--keys', join(data, 'keys')]);
  let said = '';
  program.child.stdout?.on('data', (bytes: Buffer) => {
    said += bytes.toString();
  });
  await program.says('Stallmark serves http://');
  const took = performance.now() - from;
  return { program, took, address: /http:\/\/\S+/u.exec(said)?.[0] ?? '' };
}

/** Starts it on an empty folder of records and ends it. */
async function startTime(): Promise<number> {
  const data = mkdtempSync(join(tmpdir(), 'stallmark-start-'));
  const { program, took } = await started(data);
  program.child.kill('SIGINT');
  await program.ended;
  rmSync(data, { recursive: true });
  return took;
}

// ————— sizes —————

const ASSETS = fileURLToPath(new URL('../../dist/page/assets/', import.meta.url));
const INDEX = fileURLToPath(new URL('../../dist/page/index.html', import.meta.url));
const PAGES = ['operator', 'quality', 'auditor'] as const;
type PageName = (typeof PAGES)[number];

interface Sizes {
  readonly page: PageName;
  /** gzip bytes. */
  readonly initial: number;
  readonly later: number;
  readonly laterFiles: readonly string[];
}

const gzipped = (file: string): number =>
  gzipSync(readFileSync(file === 'index.html' ? INDEX : join(ASSETS, file))).length;

/** A script and everything that it imports before it runs. */
function withImports(file: string, known = new Set<string>()): ReadonlySet<string> {
  if (known.has(file)) return known;
  known.add(file);
  if (!file.endsWith('.js')) return known;
  const text = readFileSync(join(ASSETS, file), 'utf8');
  for (const [, name = ''] of text.matchAll(/(?:from|import)\s*["'`]\.\/([\w.-]+)["'`]/gu)) {
    withImports(name, known);
  }
  return known;
}

/** What a script fetches only when it comes to it. */
const fetchedBy = (file: string): readonly string[] =>
  [
    ...readFileSync(join(ASSETS, file), 'utf8').matchAll(
      /import\(\s*["'`]\.\/([\w.-]+)["'`]\s*\)/gu,
    ),
  ].flatMap(([, name]) => name ?? []);

function sizesOf(page: PageName): Sizes {
  const html = readFileSync(INDEX, 'utf8');
  const entries = [...html.matchAll(/assets\/([\w.-]+)/gu)].flatMap(([, name]) => name ?? []);
  const own = readdirSync(ASSETS).filter((name) => name.startsWith(`${page}-page-`));
  const initial = new Set([
    'index.html',
    ...[...entries, ...own].flatMap((f) => [...withImports(f)]),
  ]);
  const later = new Set(
    own
      .filter((name) => name.endsWith('.js'))
      .flatMap(fetchedBy)
      .flatMap((name) => [...withImports(name)])
      .filter((name) => !initial.has(name)),
  );
  const sum = (files: ReadonlySet<string>): number =>
    [...files].reduce((bytes, file) => bytes + gzipped(file), 0);
  return { page, initial: sum(initial), later: sum(later), laterFiles: [...later] };
}

// ————— time until a page can be used —————

const OPENINGS = 10;

/** Runs in the browser before the page does: notes when the two moments come. */
const WATCH = `
  const seen = {};
  window.moments = seen;
  const look = () => {
    if (seen.ask === undefined && document.activeElement?.id === 'who') seen.ask = performance.now();
    const page = document.querySelector('.operator:not(.connecting), .q-panel, .a-list');
    if (page !== null && seen.shown === undefined) seen.shown = performance.now();
    if (seen.shown === undefined) requestAnimationFrame(look);
  };
  requestAnimationFrame(look);
  addEventListener('keydown', (event) => { if (event.key === 'Enter') seen.entered = performance.now(); });
`;

/** Runs in the browser: whether a moment has come. */
const isSeen = (name: string): boolean => name in (Reflect.get(globalThis, 'moments') as object);

interface Opening {
  /** ms from the start of the navigation until the field of the log-in has the focus. */
  readonly asks: number;
  /** ms from Enter in the log-in until the page is there. */
  readonly shows: number;
  /** Files of the page that were fetched until then. */
  readonly fetched: readonly string[];
}

async function opening(browser: Browser, served: ServedProgram, page: PageName): Promise<Opening> {
  const context = await browser.newContext({ viewport: { width: 1280, height: 800 } });
  try {
    await context.addInitScript(WATCH);
    const tab = await context.newPage();
    const fetched: string[] = [];
    tab.on('request', (sent) => {
      const name = /\/assets\/([\w.-]+)$/u.exec(sent.url())?.[1];
      if (name !== undefined) fetched.push(name);
    });
    await tab.goto(`${served.address}/${page}`);
    await tab.waitForFunction(isSeen, 'ask');
    await tab.locator('#who').fill('R. Dunmallard');
    await tab.locator('#who').press('Enter');
    await tab.waitForFunction(isSeen, 'shown');
    const { ask, entered, shown } =
      await tab.evaluate<Readonly<Record<string, number>>>('window.moments');
    return { asks: ask ?? NaN, shows: (shown ?? NaN) - (entered ?? NaN), fetched };
  } finally {
    await context.close();
  }
}

async function openings(
  browser: Browser,
  served: ServedProgram,
  page: PageName,
): Promise<readonly Opening[]> {
  const all: Opening[] = [];
  for (let i = 0; i < OPENINGS; i += 1) all.push(await opening(browser, served, page));
  return all;
}

// ————— frames —————

/** Runs in the browser before the page does: notes when each frame reaches it. */
const COUNT = `
  window.frames_ = [];
  const add = EventSource.prototype.addEventListener;
  EventSource.prototype.addEventListener = function (name, listener, ...more) {
    if (name !== 'frame') return add.call(this, name, listener, ...more);
    return add.call(this, name, (event) => {
      const { stage, take } = JSON.parse(event.data);
      window.frames_.push([stage, take, performance.now()]);
      listener(event);
    }, ...more);
  };
`;

interface TakeFrames {
  readonly frames: number;
  /** s between the first and the last. */
  readonly lasts: number;
  /** ms; the longest between two. */
  readonly gap: number;
}

/** Tests an item at real pace with the page open, and gives what reached it, take by take. */
async function framesOf(browser: Browser): Promise<{
  readonly takes: readonly TakeFrames[];
  readonly memory: readonly Memory[];
}> {
  const stages = [...SHORT_STAGES.slice(0, -1), 'triangle', 'smoothing', 'close'];
  const served = await servedProgram({ pace: 'real', stages });
  const idle = memoryOf(served.program);
  const who = { name: 'M. Ostrander', script: COUNT };
  const page = await pageAt(browser, served.address, '/operator', who);
  try {
    await page.locator('.operator:not(.connecting)').waitFor();
    const [cookie] = await page.context().cookies();
    const nest = follow(served, `${cookie?.name ?? ''}=${cookie?.value ?? ''}`);
    await nest.until(({ checkedAt }) => checkedAt > 0, 'readiness');
    await begin(page, 'H12-26-04711');
    await nest.until(({ power }) => power === 'on', 'power');
    const during = memoryOf(served.program);
    const over = ({ phase }: Heard): boolean => phase.kind === 'verdict' || phase.kind === 'ended';
    const { phase } = await nest.until(over, 'the end');
    nest.end();
    if (phase.kind !== 'verdict') throw new Error(`no verdict: ${JSON.stringify(phase)}`);
    const all = await page.evaluate<Reached>('window.frames_');
    return { takes: takesOf(all), memory: [idle, during, memoryOf(served.program)] };
  } finally {
    await page.context().close();
    await served.remove();
  }
}

type Reached = readonly (readonly [stage: number, take: number, at: number])[];

/** s: takes that last less say nothing about a rate. */
const SHORTEST = 0.5;

function takesOf(all: Reached): readonly TakeFrames[] {
  const byTake = new Map<string, number[]>();
  for (const [stage, take, at] of all) {
    const name = `${String(stage)} ${String(take)}`;
    byTake.set(name, [...(byTake.get(name) ?? []), at]);
  }
  return [...byTake.values()].flatMap((times) => {
    const [first = 0] = times;
    const lasts = ((times.at(-1) ?? 0) - first) / 1000;
    const gap = greatest(times.slice(1).map((at, i) => at - (times[i] ?? at)));
    return lasts < SHORTEST ? [] : [{ frames: times.length, lasts, gap }];
  });
}

// ————— memory —————

interface Memory {
  /** MB resident: the server with its threads, and the process that owns the bench. */
  readonly server: number;
  readonly nest: number;
}

function memoryOf({ child }: Running): Memory {
  const pid = child.pid ?? 0;
  const children = readFileSync(`/proc/${pid}/task/${pid}/children`, 'utf8').trim().split(' ');
  const resident = (of: string): number =>
    Number(/VmRSS:\s+(\d+)/u.exec(readFileSync(`/proc/${of}/status`, 'utf8'))?.[1] ?? NaN) / 1024;
  const nest = children.filter((one) => one !== '').map(resident);
  return { server: resident(String(pid)), nest: nest.reduce((a, b) => a + b, 0) };
}

// ————— search —————

const ATTEMPTS = 100_000;
const LONG = join('/tmp', `stallmark-search-${ATTEMPTS}`);

const QUERIES: readonly (readonly [name: string, query: string])[] = [
  ['newest', ''],
  ['part of a serial', 'text=0471'],
  ['whole record number', 'text=TW1-2026-050000'],
  ['a day', 'from=2025-03-04&to=2025-03-04'],
  ['REJECT of an operator', 'verdict=REJECT&operator=K.+Lindqvar'],
  ['broken off', 'state=broken+off'],
  ['nothing found', 'text=ZZZ'],
  ['last page', 'page=2000'],
];
const ASKED = 40;

interface Searches {
  readonly start: number;
  readonly cold: number;
  readonly continued: number;
  readonly queries: readonly {
    readonly name: string;
    readonly times: readonly number[];
    readonly total: number;
  }[];
  readonly memory: Memory;
}

async function searches(): Promise<Searches> {
  if (!existsSync(ledgerFile(LONG))) makeLongLedger(LONG, ATTEMPTS);
  const { program, took, address } = await started(LONG);
  try {
    const cookie = await loggedIn(address);
    for (const end of ['', '-wal', '-shm']) rmSync(indexFile(LONG) + end, { force: true });
    const cold = await timed(address, cookie, '');
    enterOne();
    const continued = await timed(address, cookie, '');
    const queries = [];
    for (const [name, query] of QUERIES) {
      const times: number[] = [];
      let total = 0;
      for (let i = 0; i < ASKED; i += 1) {
        const found = await timed(address, cookie, query);
        times.push(found.took);
        total = found.total;
      }
      queries.push({ name, times, total });
    }
    const memory = memoryOf(program);
    return { start: took, cold: cold.took, continued: continued.took, queries, memory };
  } finally {
    program.child.kill('SIGINT');
    await program.ended;
  }
}

async function loggedIn(address: string): Promise<string> {
  const answer = await fetch(`${address}/api/log-in`, {
    method: 'POST',
    headers: { origin: address, 'content-type': 'application/json' },
    body: JSON.stringify({ name: 'A. Auditor', place: 'desk' }),
  });
  return answer.headers.get('set-cookie')?.split(';')[0] ?? '';
}

/** An attempt begins, so that the index must go on. */
function enterOne(): void {
  const ledger = openLedger(ledgerFile(LONG));
  const body = { attemptsAllowed: 2, bench: 'TW-1', certificate: '', simulated: true };
  const entry = { kind: 'attempt-begun', serial: 'H12-26-99999', attempt: 1 } as const;
  ledger.append({ ...entry, by: 'M. Ostrander', body }, systemClock.now());
  ledger.close();
}

/** One search through HTTP, asked again until the index is made, as the page does. */
async function timed(
  address: string,
  cookie: string,
  query: string,
): Promise<{ readonly took: number; readonly total: number }> {
  const from = performance.now();
  for (;;) {
    const answer = await fetch(`${address}/api/read/find?${query}`, { headers: { cookie } });
    const told = (await answer.json()) as {
      readonly kind: string;
      readonly answer?: { readonly total: number };
    };
    if (!answer.ok) throw new Error(JSON.stringify(told));
    if (told.kind === 'making') continue;
    return { took: performance.now() - from, total: told.answer?.total ?? NaN };
  }
}

// ————— report —————

const starts: number[] = [];
for (let i = 0; i < STARTS; i += 1) starts.push(await startTime());
const sizes = PAGES.map(sizesOf);
const browser = await openBrowser();
const served = await servedProgram();
const opened = new Map<PageName, readonly Opening[]>();
for (const page of PAGES) opened.set(page, await openings(browser, served, page));
await served.remove();
const { takes, memory } = await untilItWorks(() => framesOf(browser));
await browser.close();
const found = await searches();

const unknown = [...opened].flatMap(([page, all]) => {
  const own = sizes.find((one) => one.page === page);
  const stray = all
    .flatMap(({ fetched }) => fetched)
    .filter((name) => /-page-/u.test(name) && !name.startsWith(page));
  return own === undefined ? [page] : stray;
});
if (unknown.length > 0) throw new Error(`a page fetched files of another: ${unknown.join(', ')}`);

const openedOf = (page: PageName): readonly Opening[] => opened.get(page) ?? [];
const asks = openedOf('operator').map((one) => one.asks);
const shows = openedOf('operator').map((one) => one.shows);
const rates = takes.map(({ frames, lasts }) => (frames - 1) / lasts);
const slowest = found.queries.map(({ times }) => greatest(times));
const kB = (bytes: number): string => (bytes / 1000).toFixed(1);
const [idle, during, after] = memory;
const memoryLine = (name: string, one: Memory | undefined): readonly string[] => [
  name,
  ms(one?.server ?? NaN),
  ms(one?.nest ?? NaN),
];

publish(
  'page',
  `${headOf(
    {
      title: 'The bench page: start, size, time to use, search, frames, memory',
      command: 'npm run evidence:page',
      runs: [
        `${STARTS} starts, ${OPENINGS} openings of each page with empty caches, ${ASKED} searches a query, one item at real pace`,
        'Chromium without screen and graphics processor, server and browser on the same two cores',
      ],
    },
    shippedDocuments(),
  )}
## Conclusions

- Start until it listens: median ${ms(median(starts))} ms, longest ${ms(greatest(starts))} ms of ${STARTS}. Aim 1000 ms: ${judged(greatest(starts), 1000, 'ms')}.
- Size of a page, gzip, everything that is fetched before it can be used: ${sizes.map(({ page, initial }) => `${page} ${kB(initial)} kB`).join(', ')}. Aim 150 kB each: ${judged(greatest(sizes.map(({ initial }) => initial / 1000)), 150, 'kB')}.
- Operator page, from navigation until the log-in can be typed into: median ${ms(median(asks))} ms, longest ${ms(greatest(asks))} ms. Aim 1000 ms: ${judged(greatest(asks), 1000, 'ms')}.
- Operator page, from Enter in the log-in until it is shown: median ${ms(median(shows))} ms, longest ${ms(greatest(shows))} ms. Aim 1000 ms: ${judged(greatest(shows), 1000, 'ms')}.
- Search in ${ATTEMPTS} attempts through HTTP, index at hand: longest of all ${ms(greatest(slowest))} ms. Aim 200 ms: ${judged(greatest(slowest), 200, 'ms')}.
- The first search after one more attempt: ${ms(found.continued)} ms. Aim 200 ms: ${judged(found.continued, 200, 'ms')}. Index made anew, once: ${ms(found.cold)} ms. Aim 200 ms: ${judged(found.cold, 200, 'ms')}.
- Frames that reach the page under torque: least ${Math.min(...rates).toFixed(1)} a second in a take, median ${median(rates).toFixed(1)}. Aim at least 20: ${Math.min(...rates) >= 20 ? 'met' : 'missed'}.

## Start of serve

ms from the start of the process to the line that says it serves; the shipped documents, an empty folder of records each time.

${table(
  starts.map((_, i) => String(i + 1)),
  [starts.map(ms)],
)}

With ${ATTEMPTS} attempts in the ledger: ${ms(found.start)} ms.

## Size

kB gzip of the built files. The server hands them out as they are, not compressed: they travel over loopback.

${table(
  ['page', 'initial', 'later', 'files fetched later'],
  sizes.map(({ page, initial, later, laterFiles }) => [
    page,
    kB(initial),
    kB(later),
    laterFiles.join(', '),
  ]),
)}

## Time until a page can be used

ms; a new browser context each time, so that nothing is cached.

${table(
  ['page', 'log-in asks: median', 'longest', 'shown after log-in: median', 'longest'],
  PAGES.map((page) => {
    const [asked, shown] = [openedOf(page).map((o) => o.asks), openedOf(page).map((o) => o.shows)];
    return [page, ...[median(asked), greatest(asked), median(shown), greatest(shown)].map(ms)];
  }),
)}

## Search in ${ATTEMPTS} attempts

ms from the request to the whole answer.

${table(
  ['query', 'median', 'longest', 'found'],
  found.queries.map(({ name, times, total }) => [
    name,
    ms(median(times)),
    ms(greatest(times)),
    String(total),
  ]),
)}

## Frames

One item at real pace, takes that last ${SHORTEST} s or more. A frame carries the least and greatest value of each millisecond since the last.

${table(
  ['take', 'frames', 's', 'a second', 'longest gap, ms'],
  takes.map(({ frames, lasts, gap }, i) => [
    String(i + 1),
    String(frames),
    lasts.toFixed(1),
    ((frames - 1) / lasts).toFixed(1),
    ms(gap),
  ]),
)}

## Memory

MB resident. The server has two threads, for reading and for writing; the bench has a process of its own.

${table(
  ['when', 'server', 'process of the bench'],
  [
    memoryLine('listening, nobody there', idle),
    memoryLine('under torque', during),
    memoryLine('after the verdict', after),
    memoryLine(`after the searches in ${ATTEMPTS} attempts`, found.memory),
  ],
)}
`,
);
