import { mkdirSync, readdirSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, test } from 'vitest';
import { StallmarkError } from '../../src/base/error.js';
import type { Bench } from '../../src/bench/bench.js';
import type { Acknowledgement, Task } from '../../src/bench/permit.js';
import { simulatedBench, type SimulatedBench } from '../../src/bench/simulated.js';
import { auditFile } from '../../src/ledger/audit.js';
import { openLedger } from '../../src/ledger/sqlite.js';
import { recover } from '../../src/ledger/store.js';
import type { Warning } from '../../src/procedure/procedure.js';
import { assemble } from '../../src/run/assemble.js';
import { attemptItem, type AttemptProgress } from '../../src/run/attempt.js';
import type { Order } from '../../src/run/brief.js';
import { prepare, type Chosen } from '../../src/run/documents.js';
import { ledgerFile } from '../../src/run/places.js';
import { openClaim } from '../../src/readiness/claim.js';
import { handClock } from '../support/clock.js';
import { faultyBench } from '../support/faulty-bench.js';
import { temporaryFolder } from '../support/folder.js';
import { madeKeys } from '../support/keys.js';
import { shortDocuments } from '../support/short-documents.js';

const SERIAL = 'H12-26-00001';
const clock = handClock();

/** One energized hold and the closing zero, 200 ms each: every kind of operation, quickly. */
function tinyDocuments(folder: string): Chosen {
  const shorter = (text: string): string => text.replace(/duration: [234] s/gu, 'duration: 200 ms');
  const documents = shortDocuments(folder, ['idle', 'close'], shorter);
  return prepare({ serial: SERIAL, ...documents });
}

interface Tried {
  readonly root: string;
  readonly inner: SimulatedBench;
  readonly operations: number;
  readonly error: unknown;
  readonly progress: readonly AttemptProgress[];
  /** Whether the ledger says that a record was issued; a link may still fail after that. */
  readonly issued: boolean;
}

/** Runs one attempt on a bench that `wrap` puts faults into, and keeps whatever comes of it. */
async function attempt(
  wrap: (inner: SimulatedBench) => { readonly bench: Bench; readonly operations: () => number },
  watch: (progress: AttemptProgress, inner: SimulatedBench) => void = () => undefined,
): Promise<Tried> {
  const folder = temporaryFolder();
  const root = join(folder, 'records');
  mkdirSync(root);
  const documents = tinyDocuments(folder);
  const keys = await madeKeys();
  const parts = await assemble({
    documents,
    serial: SERIAL,
    root,
    keys,
    passphrase: undefined,
    faults: [],
    pace: 'fast',
    clock,
    scoreHere: true,
  });
  const { station } = documents;
  const inner = simulatedBench({
    station,
    serial: SERIAL,
    attempt: 1,
    faults: [],
    clock,
    pace: 'fast',
  });
  const { bench, operations } = wrap(inner);
  const progress: AttemptProgress[] = [];
  let error: unknown;
  let issued = false;
  try {
    const run = attemptItem(order(documents), { ...parts, bench: () => bench });
    for (let next = await run.next(); next.done !== true; next = await run.next()) {
      progress.push(next.value);
      watch(next.value, inner);
    }
  } catch (caught) {
    error = caught;
  } finally {
    issued = parts.ledger.of(SERIAL).some((e) => e.kind === 'record-issued');
    parts.ledger.close();
  }
  return { root, inner, operations: operations(), error, progress, issued };
}

function order(documents: Chosen): Order {
  const acknowledge = (warning: Warning, task: Task): Promise<Acknowledgement> =>
    Promise.resolve({
      hazard: warning.hazard,
      by: 'op 17',
      at: clock.now(),
      serial: task.serial,
      attempt: task.attempt,
      language: 'en',
      textIssue: warning.issue,
      means: 'command-line option, simulated bench',
    });
  return {
    serial: SERIAL,
    operator: 'op 17',
    documents,
    acknowledge,
    arrange: (instruction) => Promise.reject(new Error(`nobody to ${instruction}`)),
    stop: new AbortController().signal,
  };
}

/** A certificate exists exactly when the ledger says it was issued, and the ledger is clean. */
function expectWhole(root: string, issued: boolean): void {
  const ledger = openLedger(ledgerFile(root));
  recover(root, ledger, clock.now());
  const entries = [...ledger.entries()];
  ledger.close();
  expect(auditFile(ledgerFile(root)).findings).toEqual([]);
  const files = readdirSync(root, { recursive: true, encoding: 'utf8' });
  const certificates = files.filter(
    (f) => f.endsWith('certificate.pdf') && !f.startsWith('unissued'),
  );
  expect(certificates).toHaveLength(issued ? 1 : 0);
  expect(entries.filter((e) => e.kind === 'record-issued')).toHaveLength(issued ? 1 : 0);
  const begun = entries.filter((e) => e.kind === 'attempt-begun').length;
  const ended = entries.filter(({ kind }) => ENDS.includes(kind)).length;
  expect(ended).toBe(begun);
  // Whatever was refused is told, and the item is free for any bench.
  const told = entries.filter(({ kind }) => kind === 'refused').length;
  expect(begun + told).toBe(1);
  expect(openClaim(entries)).toBeUndefined();
}

const ENDS: readonly string[] = ['record-issued', 'attempt-aborted'];

function expectOff(inner: SimulatedBench): void {
  expect(Math.abs(inner.control.shaftTorque())).toBeLessThan(0.25); // 2 % of the ceiling
}

const whole = (inner: SimulatedBench): { bench: Bench; operations: () => number } =>
  faultyBench(inner, Infinity, 'once');

let operations = 0;
test('without a fault the attempt is recorded, and the bench is off', async () => {
  const tried = await attempt(whole);
  expect(tried.error).toBeUndefined();
  expectOff(tried.inner);
  expectWhole(tried.root, true);
  operations = tried.operations;
  expect(operations).toBeGreaterThan(30);
});

describe('the link fails at one operation after the other', () => {
  for (const how of ['once', 'for good'] as const) {
    test(`${how}: off, ledger clean, no certificate without its entry`, async () => {
      expect(operations).toBeGreaterThan(0);
      let recorded = 0;
      for (let k = 1; k <= operations; k += 1) {
        const tried = await attempt((inner) => faultyBench(inner, k, how));
        const { issued } = tried;
        recorded += issued ? 1 : 0;
        if (!issued) expect(tried.error, `operation ${k}`).toBeInstanceOf(StallmarkError);
        if (how === 'once') expectOff(tried.inner);
        expectWhole(tried.root, issued);
      }
      expect(recorded).toBeLessThan(operations / 2);
    });
  }
});

test('the guard opens while energized: power off at once, aborted, nothing issued', async () => {
  const tried = await attempt(whole, (progress, inner) => {
    if (progress.kind === 'power' && progress.on) inner.control.interlocks({ guard: 'open' });
  });
  expect(tried.error).toMatchObject({
    problems: [
      { code: 'bench/interlock', what: 'Bench "TW-1" lost its torque to the safety controller.' },
      { code: 'bench/interlock', what: 'The guard is open.' },
    ],
  });
  expectOff(tried.inner);
  expectWhole(tried.root, false);
});

test('torque that nobody commanded while the item is held at zero: power off, aborted', async () => {
  const tried = await attempt(whole, (progress, inner) => {
    if (progress.kind === 'power' && progress.on) inner.control.uncommanded(1);
  });
  expect(tried.error).toMatchObject({ problems: [{ code: 'bench/ceiling' }] });
  expectOff(tried.inner);
  expectWhole(tried.root, false);
});

test('the guard is open from the start: nothing is begun', async () => {
  const tried = await attempt((inner) => {
    inner.control.interlocks({ guard: 'open' });
    return whole(inner);
  });
  expect(tried.error).toMatchObject({ problems: [{ code: 'readiness/not-ready' }] });
  expect(tried.progress.some((p) => p.kind === 'permitted')).toBe(false);
  expectWhole(tried.root, false);
});

test('the guard opens between the warnings and the moment of energizing: readiness is asked again', async () => {
  const tried = await attempt(whole, (progress, inner) => {
    if (progress.kind === 'permitted') inner.control.interlocks({ guard: 'open' });
  });
  expect(tried.error).toMatchObject({ problems: [{ code: 'readiness/not-ready' }] });
  expect(tried.progress.some((p) => p.kind === 'power')).toBe(false);
  expectWhole(tried.root, false);
});

test('a watcher that walks away leaves the bench off and the attempt aborted', async () => {
  const folder = temporaryFolder();
  const root = join(folder, 'records');
  mkdirSync(root);
  const documents = tinyDocuments(folder);
  const parts = await assemble({
    documents,
    serial: SERIAL,
    root,
    keys: await madeKeys(),
    passphrase: undefined,
    faults: [],
    pace: 'fast',
    clock,
    scoreHere: true,
  });
  const inner = simulatedBench({
    station: documents.station,
    serial: SERIAL,
    attempt: 1,
    faults: [],
    clock,
    pace: 'fast',
  });
  const modes: string[] = [];
  const bench: Bench = {
    ...faultyBench(inner, Infinity, 'once').bench,
    makeSafe: async (mode) => {
      modes.push(mode);
      await inner.makeSafe(mode);
    },
  };
  let abandoned = 0;
  const scorer: typeof parts.scorer = async (setup) => {
    const made = await parts.scorer(setup);
    const abandon = async (): Promise<void> => {
      abandoned += 1;
      await made.abandon();
    };
    return { ...made, abandon };
  };
  for await (const progress of attemptItem(order(documents), {
    ...parts,
    scorer,
    bench: () => bench,
  })) {
    if (progress.kind === 'power') break;
  }
  expect(modes[0]).toBe('ramp');
  expect(abandoned).toBe(1);
  expect(parts.ledger.of(SERIAL).map((e) => e.kind)).toEqual([
    'item-claimed',
    'attempt-begun',
    'attempt-aborted',
  ]);
  parts.ledger.close();
  expectOff(inner);
  expectWhole(root, false);
});
