import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll, expect, test } from 'vitest';
import { openLedger } from '../../src/ledger/sqlite.js';
import type { Session } from '../../src/people/people.js';
import { assemble } from '../../src/run/assemble.js';
import type { Parts } from '../../src/run/brief.js';
import { prepare } from '../../src/run/documents.js';
import { ledgerFile } from '../../src/run/places.js';
import { NestJob } from '../../src/serve/nest-job.js';
import {
  COUNTDOWN,
  PAGE_PATIENCE,
  type Frame,
  type NestView,
  type Phase,
} from '../../src/serve/nest-view.js';
import { handClock, type HandClock } from '../support/clock.js';
import { shortDocuments } from '../support/short-documents.js';
import { answering } from '../support/answering.js';

const folder = mkdtempSync(join(tmpdir(), 'stallmark-'));
const documents = shortDocuments(join(folder, 'documents'));
const SERIAL = 'H12-26-00017';

const operator: Session = {
  ...{ id: 'operator 17', name: 'operator 17', roles: ['operator'], at: 0 },
  ...{ means: 'stated', training: [], zone: 'UTC' },
};
const other: Session = { ...operator, id: 'operator 18', name: 'operator 18' };

const opened: { readonly close: () => void }[] = [];
afterAll(() => {
  for (const ledger of opened) ledger.close();
  rmSync(folder, { recursive: true, force: true });
});

interface Scene {
  readonly job: NestJob;
  readonly clock: HandClock;
  readonly views: NestView[];
  readonly frames: Frame[];
  readonly root: string;
  /** Every use of power, in order. */
  readonly energized: string[];
  /** ms of the clock at which the bench said that it is safe, each time. */
  readonly safeAt: number[];
  /** Whether the page still gives signs of life. */
  isThere: boolean;
  phase(): Phase | undefined;
}

let scenes = 0;

async function scene(pace: 'fast' | 'real' = 'fast'): Promise<Scene> {
  const root = join(folder, `records-${(scenes += 1)}`);
  const clock = handClock();
  const chosen = prepare({ serial: SERIAL, ...documents });
  const assembled = await assemble({
    ...{ documents: chosen, serial: SERIAL, root, keys: join(folder, 'keys'), pace, clock },
    ...{ passphrase: undefined, faults: [], scoreHere: true },
  });
  opened.push(assembled.ledger);
  const energized: string[] = [];
  const parts: Parts = {
    ...assembled,
    bench: async (attempt) => {
      const bench = await assembled.bench(attempt);
      return answering(bench, {
        energize: (...asked) => {
          energized.push('on');
          return bench.energize(...asked);
        },
        makeSafe: async (how) => {
          await bench.makeSafe(how);
          made.safeAt.push(clock.monotonic());
        },
      });
    },
  };
  const views: NestView[] = [];
  const frames: Frame[] = [];
  let alive = 0;
  let view = {} as NestView;
  const made: Scene = {
    ...{ clock, views, frames, root, energized, safeAt: [], isThere: true },
    job: new NestJob({
      ...{ serial: SERIAL, session: operator, documents: chosen, parts, clock },
      show: (change) => {
        view = { ...view, ...change };
        views.push(view);
      },
      frame: (frame) => {
        frames.push(frame);
      },
      silence: () => {
        if (made.isThere) alive = clock.monotonic();
        return clock.monotonic() - alive;
      },
    }),
    phase: () => views.at(-1)?.phase,
  };
  return made;
}

/** Lets time go on until something is so. */
async function until(s: Scene, isSo: () => boolean): Promise<void> {
  for (let turn = 0; turn < 100_000 && !isSo(); turn += 1) {
    await s.clock.advance(2);
    await new Promise((resolve) => setImmediate(resolve));
  }
  expect(isSo(), JSON.stringify(s.phase())).toBe(true);
}

const acknowledge = (hazard: 'crushing' | 'sudden-torque', heldFor = 2000, language = 'de') =>
  ({ kind: 'acknowledge', hazard, heldFor, language }) as const;

test('an item goes from its scan over both warnings, start and countdown to its verdict', async () => {
  const s = await scene();
  const run = s.job.run();
  await until(s, () => s.phase()?.kind === 'warnings');
  expect(s.views.at(-1)?.item).toMatchObject({ serial: SERIAL, attempt: 1, attemptsAllowed: 2 });
  expect(s.job.answer({ kind: 'start' }, operator)[0]?.code).toBe('page/not-now');
  expect(s.job.answer(acknowledge('sudden-torque'), operator)).toEqual([]);
  expect(s.phase()?.kind).toBe('warnings');
  expect(s.energized).toEqual([]);
  expect(s.job.answer(acknowledge('crushing'), operator)).toEqual([]);
  await until(s, () => s.phase()?.kind === 'start');
  expect(s.job.isBegun).toBe(false);
  expect(s.job.answer({ kind: 'start' }, operator)).toEqual([]);
  await until(s, () => s.phase()?.kind === 'countdown');
  const counted = s.phase();
  expect(counted?.kind === 'countdown' && counted.at - s.clock.now()).toBeGreaterThan(0);
  expect(s.energized).toEqual([]);
  await s.clock.advance(COUNTDOWN);
  await until(s, () => s.phase()?.kind === 'verdict');
  await s.clock.advance(200);
  await run;
  expect(s.energized).toEqual(['on']);
  expect(s.views.at(-1)).toMatchObject({
    power: 'off',
    phase: { kind: 'verdict', result: { word: 'ACCEPT', serial: SERIAL, causes: [] } },
  });
  const { length } = s.views.at(-1)?.item?.stages ?? [];
  expect(new Set(s.frames.map(({ stage }) => stage)).size).toBe(length);
  const entries = openLedger(ledgerFile(s.root), { readOnly: true });
  const begun = entries.of(SERIAL).find(({ kind }) => kind === 'attempt-begun');
  entries.close();
  expect(JSON.stringify(begun?.body)).toContain('"means":"held button"');
  expect(JSON.stringify(begun?.body)).toContain('"language":"de"');
});

test.each([
  ['released too early', acknowledge('crushing', 1999), 'bench/outstanding-warnings'],
  ['not a length of time', acknowledge('crushing', NaN), 'bench/outstanding-warnings'],
  ['in a language without text', acknowledge('crushing', 2000, 'tlh'), 'procedure/warning'],
])('a reply %s is none, and nothing is energized', async (_, reply, code) => {
  const s = await scene();
  const run = s.job.run();
  await until(s, () => s.phase()?.kind === 'warnings');
  expect(s.job.answer(reply, operator)[0]?.code).toBe(code);
  expect(s.job.answer(acknowledge('sudden-torque'), operator)).toEqual([]);
  expect(s.phase()?.kind).toBe('warnings');
  s.job.stop('operator 17');
  await until(s, () => s.phase()?.kind === 'ended');
  await s.clock.advance(200);
  await run;
  expect(s.phase()).toMatchObject({ how: 'stopped' });
  expect(s.energized).toEqual([]);
});

test('another person cannot answer for the one who scanned', async () => {
  const s = await scene();
  const run = s.job.run();
  await until(s, () => s.phase()?.kind === 'warnings');
  expect(s.job.answer(acknowledge('crushing'), other)[0]?.code).toBe('page/held');
  s.job.stop('operator 17');
  await until(s, () => s.phase()?.kind === 'ended');
  await s.clock.advance(200);
  await run;
});

test('acknowledgements lapse after a minute: nothing is counted, nothing energized', async () => {
  const s = await scene();
  const run = s.job.run();
  await until(s, () => s.phase()?.kind === 'warnings');
  s.job.answer(acknowledge('crushing'), operator);
  s.job.answer(acknowledge('sudden-torque'), operator);
  await until(s, () => s.phase()?.kind === 'start');
  await s.clock.advance(60_000);
  await until(s, () => s.phase()?.kind === 'ended');
  await s.clock.advance(200);
  await run;
  expect(s.phase()).toMatchObject({
    how: 'refused',
    problems: [{ code: 'bench/outstanding-warnings' }],
  });
  expect(s.job.isBegun).toBe(false);
  expect(s.energized).toEqual([]);
});

async function energized(s: Scene): Promise<{ readonly run: Promise<void> }> {
  const run = s.job.run();
  await until(s, () => s.phase()?.kind === 'warnings');
  s.job.answer(acknowledge('crushing'), operator);
  s.job.answer(acknowledge('sudden-torque'), operator);
  await until(s, () => s.phase()?.kind === 'start');
  s.job.answer({ kind: 'start' }, operator);
  await until(s, () => s.views.at(-1)?.power === 'on');
  return { run };
}

test('a page that is gone while power is on ends in zero torque, and the ledger says why', async () => {
  const s = await scene('real');
  const { run } = await energized(s);
  s.isThere = false;
  const from = s.clock.monotonic();
  await until(s, () => s.phase()?.kind === 'ended');
  // Looked for each 100 ms; a block of 20 ms is finished; ramp in 200 ms, and 100 ms for the shaft.
  const [safe = Infinity] = s.safeAt.filter((at) => at > from);
  expect(safe - from).toBeLessThanOrEqual(PAGE_PATIENCE + 100 + 20 + 300 + 20);
  await s.clock.advance(200);
  await run;
  expect(s.views.at(-1)).toMatchObject({
    power: 'off',
    phase: { how: 'page lost', problems: [{ code: 'run/page-lost' }] },
  });
  const ledger = openLedger(ledgerFile(s.root), { readOnly: true });
  const end = ledger.of(SERIAL).at(-1);
  ledger.close();
  expect(end).toMatchObject({ kind: 'attempt-aborted' });
  expect(JSON.stringify(end?.body)).toContain('no sign of life');
});

test('the stop during the countdown keeps the power off', async () => {
  const s = await scene();
  const run = s.job.run();
  await until(s, () => s.phase()?.kind === 'warnings');
  s.job.answer(acknowledge('crushing'), operator);
  s.job.answer(acknowledge('sudden-torque'), operator);
  await until(s, () => s.phase()?.kind === 'start');
  s.job.answer({ kind: 'start' }, operator);
  await until(s, () => s.phase()?.kind === 'countdown');
  s.job.stop('operator 17');
  await until(s, () => s.phase()?.kind === 'ended');
  await s.clock.advance(COUNTDOWN);
  await run;
  expect(s.phase()).toMatchObject({ how: 'stopped' });
  expect(s.energized).toEqual([]);
});
