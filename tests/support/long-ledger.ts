import { mkdirSync } from 'node:fs';
import Database from 'better-sqlite3';
import { ledgerOn } from '../../src/ledger/sqlite.js';
import { ledgerFile } from '../../src/run/places.js';
import { lcg } from './lcg.js';

const DIGEST = 'c40e77b1d2a94f60c40e77b1d2a94f60c40e77b1d2a94f60c40e77b1d2a952d8';
const FILES = [
  'SHA256SUMS',
  'capture.parquet',
  'certificate.csv',
  'certificate.csv.p7s',
  'certificate.pdf',
  'log.jsonl',
];
const OPERATORS = ['M. Ostrander', 'K. Lindqvar', 'T. Brackenmoor'];
/** ms since the Unix epoch: when the first attempt begins. */
export const START = Date.parse('2025-01-02T06:00:00.000Z');

/** Makes a ledger of many attempts: one every two minutes, bodies as long as real ones. */
export function makeLongLedger(root: string, attempts: number): void {
  mkdirSync(root, { recursive: true });
  const database = new Database(ledgerFile(root));
  const ledger = ledgerOn(database, ledgerFile(root));
  const random = lcg(7);
  database.exec('BEGIN');
  for (let n = 0; n < attempts; n += 1) {
    enterAttempt(ledger, n, random);
    if (n % 5000 === 4999) database.exec('COMMIT; BEGIN');
  }
  database.exec('COMMIT');
  ledger.close();
}

/** Enters the n-th attempt, counted from 0; `random` decides how it ends. */
export function enterAttempt(
  ledger: ReturnType<typeof ledgerOn>,
  n: number,
  random: () => number,
): void {
  const now = START + 120_000 * n;
  const serial = `H12-26-${String(n).padStart(6, '0')}`;
  const by = OPERATORS[n % 3] ?? '';
  const certificate = `TW1-2026-${String(n + 1).padStart(6, '0')}`;
  const until = new Date(now + 600_000).toISOString();
  ledger.append(
    {
      kind: 'item-claimed',
      serial,
      attempt: 0,
      by,
      body: { bench: 'TW-1', nest: 1, simulated: true, until },
    },
    now,
  );
  const acknowledgements = ['crushing', 'sudden-torque'].map((hazard) => ({
    ...{ hazard, by, at: until, attempt: 1, language: 'en', serial, textIssue: 2 },
    means: 'button kept pressed',
  }));
  const begun = {
    acknowledgements,
    attemptsAllowed: 2,
    bench: 'TW-1',
    benchDescription: DIGEST,
    certificate,
    limits: DIGEST,
    procedure: DIGEST,
    simulated: true,
  };
  ledger.append({ kind: 'attempt-begun', serial, attempt: 1, by, body: begun }, now);
  const luck = random();
  if (luck < 0.01) {
    const body = {
      certificate,
      kept: [`unissued/${certificate}`],
      reason: 'run/stopped: The operator stopped the run.',
    };
    ledger.append({ kind: 'attempt-aborted', serial, attempt: 1, by, body }, now + 60_000);
    return;
  }
  const verdict = luck < 0.93 ? 'ACCEPT' : luck < 0.97 ? 'REJECT' : 'HOLD';
  const body = {
    ...{ certificate, folder: `2026/${serial}/01`, revision: 0, simulated: true, verdict },
    files: Object.fromEntries(FILES.map((name) => [name, DIGEST])),
    outcome: verdict === 'ACCEPT' ? 'conforming' : 'nonconforming',
    reason: 'All 43 characteristics conform to AS-H12 issue 10.',
  };
  ledger.append({ kind: 'record-issued', serial, attempt: 1, by, body }, now + 60_000);
}
