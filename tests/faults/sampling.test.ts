import { mkdirSync, readFileSync } from 'node:fs';
import { join } from 'node:path';
import { afterAll, expect, test } from 'vitest';
import { StallmarkError } from '../../src/base/error.js';
import { simulatedBench } from '../../src/bench/simulated.js';
import { auditLedger } from '../../src/ledger/audit.js';
import type { LedgerFile } from '../../src/ledger/sqlite.js';
import type { SamplingPlan } from '../../src/identity/routing.js';
import type { Approval } from '../../src/procedure/procedure.js';
import type { Routes } from '../../src/procedure/routes.js';
import { moveItem } from '../../src/readiness/item-move.js';
import { statusOf } from '../../src/readiness/retest.js';
import { assemble } from '../../src/run/assemble.js';
import { attemptItem, type AttemptProgress } from '../../src/run/attempt.js';
import type { Parts } from '../../src/run/brief.js';
import { prepare, type Chosen } from '../../src/run/documents.js';
import type { Issued } from '../../src/run/issue.js';
import { listSampling } from '../../src/run/sampling.js';
import { handClock, type HandClock } from '../support/clock.js';
import { temporaryFolder } from '../support/folder.js';
import { madeKeys } from '../support/keys.js';
import { shortDocuments } from '../support/short-documents.js';
import { orderOf } from '../support/order.js';

// Items through whole attempts under a sampling rule: who is a sample, what it is tested to, what is told.

const EXTENDED = 'h12-extended';
const LIMITS = 'AS-H12X';
const serial = (n: number): string => `H12-26-${String(n).padStart(5, '0')}`;

interface Line {
  readonly clock: HandClock;
  readonly documents: Chosen;
  readonly ledger: LedgerFile;
  /** Tests item n; draws by chance where told, and stops before power where told. */
  readonly test: (n: number, how?: How) => Promise<Tested>;
}

interface How {
  readonly draw?: Parts['draw'];
  readonly refuse?: true;
}

interface Tested {
  readonly issued: Issued | undefined;
  readonly codes: readonly string[];
  readonly words: readonly string[];
}

const open: LedgerFile[] = [];
afterAll(() => {
  for (const ledger of open) ledger.close();
});

/** A line with records of its own, whose samples play one stage more than the others. */
async function line(
  rule: SamplingPlan['rule'],
  over: Partial<SamplingPlan['procedure']> = {},
): Promise<Line> {
  const clock = handClock();
  const folder = temporaryFolder();
  const root = join(folder, 'records');
  mkdirSync(root);
  const base = chosen(join(folder, 'base'), ['zero']);
  const more = chosen(join(folder, 'more'), ['zero', 'close']);
  const sampling = {
    rule,
    procedure: { ...more.procedure, id: EXTENDED, issue: 1, ...over },
    limits: { ...more.limits, id: LIMITS, issue: 2, procedure: EXTENDED, procedureIssue: 1 },
  };
  const documents = { ...base, sampling };
  const parts = await assemble({
    ...{ documents, serial: serial(1), root, keys: await madeKeys(), passphrase: undefined },
    ...{ faults: [], pace: 'fast', clock, scoreHere: true },
  });
  open.push(parts.ledger);
  const { station } = documents;
  const test: Line['test'] = (n, how = {}) => {
    const { draw } = how;
    return tested(n, how, documents, {
      ...parts,
      bench: (attempt) =>
        simulatedBench({
          ...{ station, serial: serial(n), attempt, faults: [], clock },
          pace: 'fast',
        }),
      ...(draw === undefined ? {} : { draw }),
    });
  };
  return { clock, documents, ledger: parts.ledger, test };
}

function chosen(folder: string, stages: readonly string[]): Chosen {
  return prepare({ serial: serial(1), ...shortDocuments(folder, stages) });
}

async function tested(
  n: number,
  { refuse }: How,
  documents: Chosen,
  parts: Parts,
): Promise<Tested> {
  const { clock } = parts;
  const words: string[] = [];
  const watch = (progress: AttemptProgress): void => {
    if (progress.kind === 'sample') words.push(progress.words);
  };
  const code = 'bench/outstanding-warnings';
  const nobody = new StallmarkError([{ code, what: 'Nobody answered.', fix: 'Read it.' }]);
  const going = attemptItem(
    {
      ...orderOf({ serial: serial(n), documents, clock }),
      ...(refuse === true ? { acknowledge: () => Promise.reject(nobody) } : {}),
    },
    parts,
  );
  try {
    for (;;) {
      const next = await going.next();
      if (next.done === true) return { issued: next.value, codes: [], words };
      watch(next.value);
    }
  } catch (error) {
    if (!(error instanceof StallmarkError)) throw error;
    return { issued: undefined, codes: error.problems.map((p) => p.code), words };
  }
}

const idOf = ({ issued }: Tested): readonly [string | undefined, string | undefined] => [
  issued?.certificate.procedure.id,
  issued?.certificate.limits.id,
];
const begunOf = (ledger: LedgerFile, n: number) =>
  ledger.of(serial(n)).filter(({ kind }) => kind === 'attempt-begun');

test('every 2nd item is a sample: told, tested to the extended documents, on its record and in the ledger', async () => {
  const { ledger, documents, test: item } = await line({ every: 2 });
  const [first, second, third] = [await item(1), await item(2), await item(3)];
  const own = [documents.procedure.id, documents.limits.id];
  expect([idOf(first), idOf(second), idOf(third)]).toEqual([own, [EXTENDED, LIMITS], own]);
  const words = 'extended procedure, every 2nd';
  expect([first.words, second.words, third.words]).toEqual([[], [words], []]);
  expect(second.issued?.certificate.sample).toBe(words);
  const tableOf = ({ issued }: Tested): string =>
    readFileSync(join(issued?.folder ?? '', 'certificate.csv'), 'utf8');
  expect(tableOf(second)).toMatch(new RegExp(`,sample,[^\\r\\n]*"?${words}`, 'u'));
  expect(tableOf(first)).not.toContain(',sample,');
  expect(begunOf(ledger, 1)[0]?.body['sampling']).toEqual({
    pick: 'none',
    rule: 'every 2nd',
    since: 0,
  });
  expect(begunOf(ledger, 2)[0]?.body).toMatchObject({
    procedure: documents.sampling?.procedure.digest,
    ...{ sampling: { pick: 'every', rule: 'every 2nd', since: 1 }, sample: words },
  });
  expect(auditLedger(ledger.entries()).findings).toEqual([]);
});

test('a sample that is refused and put aside makes the next item one; then the count begins anew', async () => {
  const { ledger, test: item } = await line({ every: 3 });
  await item(1);
  await item(2);
  const put = await item(3, { refuse: true });
  expect([put.codes, put.words]).toEqual([
    ['bench/outstanding-warnings'],
    ['extended procedure, every 3rd'],
  ]);
  const pick = ledger.of(serial(3)).find(({ kind }) => kind === 'note');
  const next = await item(4);
  expect(next.words).toEqual([
    `extended procedure, because the sample ${serial(3)} (entry ${String(pick?.number)}) was not completed`,
  ]);
  expect(idOf(next)).toEqual([EXTENDED, LIMITS]);
  // Item 3 is an item like any other now.
  expect([(await item(3)).words, (await item(5)).words]).toEqual([[], []]);
  expect((await item(6)).words).toEqual(['extended procedure, every 3rd']);
});

test('asking again does not take a draw back, and an item not drawn is not drawn for again', async () => {
  const { ledger, test: item } = await line({ random: 40 });
  const asked: number[] = [];
  const says = (answer: number) => (n: number) => {
    asked.push(n);
    return answer;
  };
  expect((await item(1, { draw: says(0), refuse: true })).words).toEqual([
    'extended procedure, drawn at random, 1 in 40',
  ]);
  const again = await item(1, { draw: says(39) });
  expect(again.words[0]).toContain(`because the sample ${serial(1)}`);
  expect(asked).toEqual([40]);
  expect(ledger.of(serial(1)).filter(({ kind }) => kind === 'note')).toHaveLength(1);
  expect((await item(2, { draw: says(39) })).words).toEqual([]);
  expect(asked).toEqual([40, 40]);
});

test('what stands against the extended procedure refuses, and the sample stays owed', async () => {
  const { ledger, test: item } = await line({ every: 2 }, { ceiling: 400 as never });
  await item(1);
  const refused = await item(2);
  expect([refused.issued, refused.words.length]).toEqual([undefined, 1]);
  expect(refused.codes).toContain('readiness/not-ready');
  expect(begunOf(ledger, 2)).toEqual([]);
  expect((await item(3)).words[0]).toContain(`because the sample ${serial(2)}`);
});

test('an audit sample from stock is tested like its kind, told, and moves no count', async () => {
  const { clock, documents, ledger, test: item } = await line({ every: 2 });
  await item(1);
  const engineer = { by: 'R. Dunmallard', roles: ['quality engineer'] as const };
  const wish = { serial: serial(1), event: 'audit', actor: engineer, why: 'audit 4' } as const;
  expect((await item(1)).codes).toEqual(['serial/attempts']);
  moveItem(ledger, wish, (past) => statusOf(past, 2).state, clock.now());
  const audited = await item(1);
  expect(audited.words).toEqual([
    expect.stringMatching(/^audit sample from stock \(entry \d+, R\. Dunmallard\): audit 4$/u),
  ]);
  expect(audited.issued?.certificate.sample).toBe(audited.words[0]);
  expect(idOf(audited)).toEqual([documents.procedure.id, documents.limits.id]);
  expect(begunOf(ledger, 1)[1]?.body['sampling']).toBeUndefined();
  expect((await item(2)).words).toEqual(['extended procedure, every 2nd']);
});

test('sampling is listed from the ledger for every route that counts now', async () => {
  const { clock, documents, ledger, test: item } = await line({ every: 3 });
  const { procedure, limits, sampling } = documents;
  if (sampling === undefined) throw new Error('no sampling');
  const digest = 'd'.repeat(64);
  const approval: Approval = { by: 'Q', role: 'quality engineer', on: '2026-11-28', digest };
  const where = { file: 'routes.yaml', line: 1, column: 1, length: 1 };
  const issueOf = ({ id, issue }: { readonly id: string; readonly issue: number }) => ({
    id,
    issue,
  });
  const route = {
    ...{ model: 'H12', revision: 'C3', from: 0, where },
    ...{ procedure: issueOf(procedure), limits: issueOf(limits) },
  };
  const extended = { procedure: issueOf(sampling.procedure), limits: issueOf(sampling.limits) };
  const routes: Routes = {
    ...{ id: 'works', title: 'Routes', issue: 1, date: '2026-11-28', file: 'routes.yaml' },
    ...{ digest, approval },
    routes: [
      { ...route, sampling: { every: 3, ...extended, where } },
      { ...route, model: 'H08' },
      { ...route, model: 'H15', from: clock.now() + 1 },
    ],
  };
  const all = {
    procedures: [procedure, sampling.procedure],
    limits: [limits, sampling.limits],
    routes: [routes],
  };
  const listed = () =>
    listSampling(all, { bench: 'TW-1', simulated: true, ledger, now: clock.now() }).map(
      ({ route: name, sampling: found }) => [name, found?.state.since.size, found?.next],
    );
  const other = ['H08 C3', undefined, undefined];
  expect(listed()).toEqual([['H12 C3', 0, 'none'], other]);
  await item(1);
  await item(2);
  expect(listed()).toEqual([['H12 C3', 2, 'due'], other]);
  await item(3, { refuse: true });
  expect(listed()).toEqual([['H12 C3', 2, 'owed'], other]);
  await item(3);
  expect(listed()).toEqual([['H12 C3', 0, 'none'], other]);
});
