import { expect, test } from 'vitest';
import { isoInstant } from '../../src/base/clock.js';
import { StallmarkError } from '../../src/base/error.js';
import type { FaultName } from '../../src/bench/fault.js';
import { simulatedBench } from '../../src/bench/simulated.js';
import { trueValues } from '../../src/bench/truth.js';
import { openLedger } from '../../src/ledger/sqlite.js';
import type { Asking, Parts } from '../../src/run/brief.js';
import { prepareStand } from '../../src/run/documents.js';
import { openScorer } from '../../src/run/open-scorer.js';
import { ledgerFile } from '../../src/run/places.js';
import { measureStand, type StandMeasured } from '../../src/run/stand.js';
import { handClock } from '../support/clock.js';
import { temporaryFolder } from '../support/folder.js';
import { SELF_TESTED } from '../support/empty-ledger.js';

const clock = handClock();

/** Measures the stand with one simulated item in it; everything but the seal is the true program. */
async function measured(
  serial: string,
  faults: readonly FaultName[] = [],
): Promise<{ readonly found: StandMeasured; readonly notes: readonly unknown[] }> {
  const documents = prepareStand({ serial });
  const root = temporaryFolder();
  const ledger = openLedger(ledgerFile(root));
  const { station } = documents;
  const parts: Parts = {
    bench: (attempt) => simulatedBench({ station, serial, attempt, faults, clock, pace: 'fast' }),
    ledger,
    root,
    seal: { purpose: 'simulation', until: clock.now() + 1e10 } as Parts['seal'],
    clock,
    scorer: openScorer,
    selfTest: SELF_TESTED,
  };
  const order: Asking = {
    serial,
    operator: 'op 17',
    documents,
    acknowledge: (warning, task) =>
      Promise.resolve({
        hazard: warning.hazard,
        by: 'op 17',
        at: clock.now(),
        serial: task.serial,
        attempt: task.attempt,
        language: 'en',
        textIssue: warning.issue,
        means: 'command-line option, simulated bench',
      }),
    arrange: (instruction) => Promise.reject(new Error(`nobody answers: ${instruction}`)),
    stop: new AbortController().signal,
  };
  try {
    const run = measureStand(order, parts);
    for (;;) {
      const next = await run.next();
      if (next.done === true) {
        return { found: next.value, notes: [...ledger.entries()].map((entry) => entry.body) };
      }
    }
  } finally {
    ledger.close();
  }
}

for (const serial of ['H12-26-00001', 'H12-26-00002', 'H12-26-00003']) {
  test(`the stand with ${serial} is found within what is stated of it, and entered in the ledger`, async () => {
    const { found, notes } = await measured(serial);
    const { now } = found;
    const { station } = prepareStand({ serial });
    const truth = trueValues({ station, serial, attempt: 0, faults: [] });
    const off = {
      resonance: now.resonance - truth.resonance,
      damping: now.damping - truth.damping,
      compliance: now.compliance - truth.compliance,
      torqueDelay: now.torqueDelay - truth.torqueDelay,
      currentDelay: now.currentDelay - truth.currentDelay,
    };
    for (const [name, error] of Object.entries(off)) {
      const U = now.uncertainty[name as keyof typeof off];
      expect(Math.abs(error), name).toBeLessThanOrEqual(U);
    }
    expect(now).toMatchObject({ version: 13, by: 'op 17' });
    expect(now.characterized).toBe(`${isoInstant(clock.now()).slice(0, 19)}Z`);
    expect(found.drifts).toEqual([]);
    expect(notes).toMatchObject([
      { what: 'stand measurement begun', simulated: true },
      { what: 'stand measured', former: 12, simulated: true },
    ]);
  });
}

test('a torque channel that became 0.2 ms later is told as drift', async () => {
  const { found } = await measured('H12-26-00001', ['late-transducer']);
  expect(found.drifts).toHaveLength(1);
  expect(found.drifts[0]).toMatch(/torque channel moved by 0\.200 ms/u);
});

test('a loose coupling is told as drift with what to look for, or cannot be measured at all', async () => {
  const told = await measured('H12-26-00001', ['loose-coupling']).then(
    ({ found }) => found.drifts.join(),
    (error: unknown) => String(error),
  );
  expect(told).toMatch(/look for loose bolts|does not pass a resonance/u);
});

const SPOILT = [
  ['hand-on-wheel', /quiet zero|steady hand/u],
  ['reversed-polarity', /polarity/u],
] as const;

for (const [fault, why] of SPOILT) {
  test(`with ${fault} nothing is concluded, and the reason is told`, async () => {
    const failed: unknown = await measured('H12-26-00001', [fault]).then(
      () => undefined,
      (error: unknown) => error,
    );
    if (!(failed instanceof StallmarkError)) throw new Error('the stand was measured');
    expect(failed.problems[0].code).toBe('readiness/not-ready');
    expect(failed.problems[0].what).toMatch(why);
  });
}
