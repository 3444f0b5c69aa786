import { mkdirSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll, beforeAll, expect, test } from 'vitest';
import type { FaultName } from '../../src/bench/fault.js';
import { simulatedBench } from '../../src/bench/simulated.js';
import { drawParameters } from '../../src/bench/truth.js';
import type { Entry } from '../../src/ledger/ledger.js';
import { openLedger } from '../../src/ledger/sqlite.js';
import { nearRowsOf } from '../../src/readiness/near-limits.js';
import { readZero } from '../../src/readiness/zero-drift.js';
import { assemble } from '../../src/run/assemble.js';
import { attemptItem } from '../../src/run/attempt.js';
import { prepare, type Chosen } from '../../src/run/documents.js';
import type { Issued } from '../../src/run/issue.js';
import { ledgerFile } from '../../src/run/places.js';
import { handClock } from '../support/clock.js';
import { temporaryFolder } from '../support/folder.js';
import { madeKeys } from '../support/keys.js';
import { shortDocuments } from '../support/short-documents.js';
import { orderOf } from '../support/order.js';

// Items one after the other on one bench that limits how far its zero may move between them. The
// simulated stand clamps each anew: 10 mN·m standard deviation of the zero itself.
const SERIALS = ['H12-26-00001', 'H12-26-00002', 'H12-26-00003'] as const;
const clock = handClock();

/** @param limit - As written in the description of the bench; none is stated if left out. */
function documentsIn(folder: string, serial: string, limit?: string): Chosen {
  const documents = shortDocuments(folder, ['zero', 'idle', 'close']);
  if (limit !== undefined) {
    const text = readFileSync(documents.bench, 'utf8');
    const policy = `checks:\n  zero-drift: { limit: ${limit} }`;
    writeFileSync(documents.bench, text.replace(/^checks:$/mu, policy));
  }
  return prepare({ serial, ...documents });
}

async function tested(
  root: string,
  documents: Chosen,
  serial: string,
  faults: readonly FaultName[] = [],
): Promise<Issued> {
  const parts = await assemble({
    ...{ documents, serial, root, keys: await madeKeys(), passphrase: undefined },
    ...{ faults: [], pace: 'fast', clock, scoreHere: true },
  });
  const { station } = documents;
  const bench = simulatedBench({ station, serial, attempt: 1, faults, clock, pace: 'fast' });
  try {
    const run = attemptItem(orderOf({ serial, documents, clock }), {
      ...parts,
      bench: () => bench,
    });
    for (;;) {
      const next = await run.next();
      if (next.done === true) return next.value;
    }
  } finally {
    parts.ledger.close();
  }
}

interface Run {
  readonly issued: readonly Issued[];
  readonly entries: readonly Entry[];
}

async function inTurn(folder: string, limit?: string): Promise<Run> {
  const root = join(folder, 'records');
  mkdirSync(root);
  const issued: Issued[] = [];
  for (const serial of SERIALS) {
    await clock.advance(600_000);
    issued.push(await tested(root, documentsIn(folder, serial, limit), serial));
  }
  const ledger = openLedger(ledgerFile(root), { readOnly: true });
  const entries = [...ledger.entries()].filter(({ kind }) => kind === 'record-issued');
  ledger.close();
  return { issued, entries };
}

const gateOf = ({ certificate }: Issued): unknown =>
  certificate.decision.gates.find(({ id }) => id === 'zero-drift');

const shared = mkdtempSync(join(tmpdir(), 'stallmark-'));
let free: Run;
beforeAll(async () => {
  free = await inTurn(shared);
}, 60_000);
afterAll(() => {
  rmSync(shared, { recursive: true, force: true });
});

test('each record keeps the zero that was put in, with its temperature', () => {
  expect(free.entries).toHaveLength(SERIALS.length);
  for (const [i, entry] of free.entries.entries()) {
    const serial = SERIALS[i] ?? '';
    const { station } = documentsIn(temporaryFolder(), serial);
    const { stand } = drawParameters({ station, serial, attempt: 1, faults: [] });
    const zero = readZero(entry);
    expect(zero).toMatchObject({ bench: 'TW-1', simulated: true });
    // Noise of the mean of 38,000 samples of 2 mN·m, half a step of the converter, drift over 2 s.
    expect(Math.abs((zero?.torque ?? NaN) - stand.zero)).toBeLessThan(0.0005);
    expect(Math.abs((zero?.ambient ?? NaN) - stand.ambient)).toBeLessThan(0.01);
  }
});

test('without a limit nothing is judged and all are accepted', () => {
  for (const one of free.issued) {
    expect(gateOf(one)).toBeUndefined();
    expect(one.certificate.decision.verdict.word, one.certificate.decision.reason).toBe('ACCEPT');
  }
});

test('each entry says which rows were near their limits, and of which model', () => {
  for (const [i, entry] of free.entries.entries()) {
    const near = free.issued[i]?.certificate.decision.results.filter((r) => r.nearLimit) ?? [];
    expect(entry.body['model']).toBe('H12');
    expect(nearRowsOf(entry)?.map(({ label }) => label)).toEqual(near.map(({ name }) => name));
  }
});

test('a limit that the bench keeps holds from the second item on; the first has none before it', async () => {
  const { issued } = await inTurn(temporaryFolder(), '100 mN·m');
  expect(gateOf(issued[0] as Issued)).toBeUndefined();
  for (const one of issued.slice(1)) {
    expect(gateOf(one)).toMatchObject({ holds: true, blames: 'stand' });
    expect(one.certificate.decision.verdict.word, one.certificate.decision.reason).toBe('ACCEPT');
  }
}, 60_000);

test('an item whose zero moved further is held and points at the stand, and only that one', async () => {
  const zeros = free.entries.map((entry) => readZero(entry)?.torque ?? NaN);
  const moved = zeros.slice(1).map((zero, i) => zero - (zeros[i] ?? NaN));
  const limit = 0.001;
  const isFurther = moved.map((by) => Math.abs(by) > limit);
  expect(isFurther.toSorted()).toEqual([false, true]); // both kinds are among these serials
  const { issued } = await inTurn(temporaryFolder(), '1 mN·m');
  expect(issued[0]?.certificate.decision.verdict.word).toBe('ACCEPT');
  for (const [i, one] of issued.slice(1).entries()) {
    const { verdict, reason, gates } = one.certificate.decision;
    const gate = gates.find(({ id }) => id === 'zero-drift');
    expect(gate?.holds).toBe(isFurther[i] !== true);
    expect(gate?.observed).toBeCloseTo(moved[i] ?? NaN, 9);
    expect(verdict.word, reason).toBe(isFurther[i] === true ? 'HOLD' : 'ACCEPT');
    if (isFurther[i] !== true) continue;
    expect(verdict.outcome).toBe('invalid');
    expect(reason).toContain('points at the stand');
  }
}, 60_000);
