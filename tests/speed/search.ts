/**
 * Measures how long a search takes in a ledger of 100,000 attempts: making the index, continuing it
 * by one attempt, and searches. `npx tsx tests/speed/search.ts [attempts]`
 */
import { existsSync, rmSync, statSync } from 'node:fs';
import { join } from 'node:path';
import Database from 'better-sqlite3';
import type { LineWish } from '../../src/ledger/search-line.js';
import { ledgerOn } from '../../src/ledger/sqlite.js';
import { indexFile, ledgerFile } from '../../src/run/places.js';
import { searchRecords } from '../../src/run/search-records.js';
import { enterAttempt, makeLongLedger, START } from '../support/long-ledger.js';

const ATTEMPTS = Number(process.argv[2] ?? 100_000);
const root = join('/tmp', `stallmark-search-${ATTEMPTS}`);

async function timed<T>(work: () => Promise<T>): Promise<readonly [ms: number, T]> {
  const start = performance.now();
  const answer = await work();
  return [performance.now() - start, answer];
}

const WISHES: readonly (readonly [string, LineWish])[] = [
  ['newest', {}],
  ['part of a serial', { text: '0471' }],
  ['whole record number', { text: 'TW1-2026-050000' }],
  ['a day', { from: '2025-03-04', to: '2025-03-04' }],
  ['REJECT of an operator', { verdict: 'REJECT', operator: 'K. Lindqvar' }],
  ['broken off', { state: 'broken off' }],
  ['suspect (none)', { state: 'suspect' }],
  ['nothing found', { text: 'ZZZ' }],
];

const ask = (wish: LineWish, from = 0) =>
  searchRecords(root, (lookup) => lookup.find(wish, from, 50));

if (!existsSync(ledgerFile(root))) makeLongLedger(root, ATTEMPTS);
for (const end of ['', '-wal', '-shm']) rmSync(indexFile(root) + end, { force: true });
const size = (file: string): string => `${(statSync(file).size / 1e6).toFixed(0)} MB`;
let longest = 0;
let before = performance.now();
const watch = setInterval(() => {
  const now = performance.now();
  longest = Math.max(longest, now - before);
  before = now;
}, 1);
const [cold] = await timed(() => ask({}));
clearInterval(watch);
console.log(
  `${ATTEMPTS} attempts, ledger ${size(ledgerFile(root))}, index ${size(indexFile(root))}`,
);
console.log(
  `index made anew: ${cold.toFixed(0)} ms; others waited at most ${longest.toFixed(0)} ms`,
);
const database = new Database(ledgerFile(root));
const ledger = ledgerOn(database, ledgerFile(root));
const entry = ledger.last();
const count = Math.round(((Date.parse(entry?.at ?? '') || START) - START) / 120_000) + 1;
enterAttempt(ledger, count, () => 0.5);
const [open] = await timed(() => ask({}));
ledger.close();
enterAgain(count + 1);
const [resting] = await timed(() => ask({}));
console.log(
  `continued by one attempt: ${open.toFixed(1)} ms while the ledger is open elsewhere, ${resting.toFixed(1)} ms at rest`,
);
for (const [name, wish] of WISHES) {
  const times: number[] = [];
  let total = 0;
  for (let i = 0; i < 40; i += 1) {
    const [ms, found] = await timed(() => ask(wish));
    times.push(ms);
    total = found.total;
  }
  times.sort((a, b) => a - b);
  console.log(
    `${name.padEnd(24)} p50 ${times[20]?.toFixed(1).padStart(6) ?? ''} ms   max ${times.at(-1)?.toFixed(1).padStart(6) ?? ''} ms   ${total} found`,
  );
}
const [deep] = await timed(() => ask({}, ATTEMPTS - 100));
console.log(`last page: ${deep.toFixed(1)} ms`);
const [choices] = await timed(() => searchRecords(root, (lookup) => lookup.choices()));
console.log(`what there is to choose from: ${choices.toFixed(1)} ms`);

function enterAgain(n: number): void {
  const again = new Database(ledgerFile(root));
  const opened = ledgerOn(again, ledgerFile(root));
  enterAttempt(opened, n, () => 0.5);
  opened.close();
}
