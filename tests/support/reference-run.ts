import { simulatedBench } from '../../src/bench/simulated.js';
import type { FaultName } from '../../src/bench/fault.js';
import { readFaults } from '../../src/bench/fault.js';
import { openLedger, type LedgerFile } from '../../src/ledger/sqlite.js';
import type { Parts } from '../../src/run/brief.js';
import { openScorer } from '../../src/run/open-scorer.js';
import { ledgerFile } from '../../src/run/places.js';
import { prepareReference, type ReferenceDocuments } from '../../src/run/reference-documents.js';
import { checkReference, type ReferenceOrder } from '../../src/run/reference.js';
import type { ReferenceChecked } from '../../src/readiness/reference-entry.js';
import type { HandClock } from './clock.js';
import { SELF_TESTED } from './empty-ledger.js';

/** A folder of records in which reference items are checked on the simulated bench, but for the seal. */
/** An instant at which the shipped routes lead to documents; the clock of a check may read another. */
const ROUTED = Date.parse('2026-11-28T14:00:00Z');

export interface CheckedPlace {
  readonly root: string;
  readonly ledger: LedgerFile;
  readonly clock: HandClock;
}

export function checkedPlace(root: string, clock: HandClock): CheckedPlace {
  return { root, clock, ledger: openLedger(ledgerFile(root)) };
}

/** How a check differs from that of the shipped item. */
export interface Differences {
  /** Faults of the stand, besides those that the item carries. */
  readonly faults?: readonly FaultName[];
  /** Faults of the item in place of those of the register. */
  readonly carries?: readonly FaultName[];
  readonly alter?: (documents: ReferenceDocuments) => ReferenceDocuments;
}

/** Checks the simulated bench with a shipped reference item through the true program. */
export async function checkWith(
  serial: string,
  place: CheckedPlace,
  { faults = [], carries, alter = (d) => d }: Differences = {},
): Promise<ReferenceChecked> {
  const { clock, ledger, root } = place;
  const documents = alter(prepareReference({ serial, now: ROUTED }));
  const { station, item } = documents;
  const all = [...readFaults(carries ?? item.simulate), ...faults];
  const parts: Parts = {
    bench: (attempt) =>
      simulatedBench({ station, serial, attempt, faults: all, clock, pace: 'fast' }),
    ...{ ledger, root, clock },
    seal: { purpose: 'simulation', until: clock.now() + 1e11 } as Parts['seal'],
    scorer: openScorer,
    selfTest: SELF_TESTED,
  };
  const order: ReferenceOrder = {
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
  const check = checkReference(order, parts);
  for (;;) {
    const next = await check.next();
    if (next.done === true) return next.value;
  }
}
