import { isMainThread } from 'node:worker_threads';
import { systemClock, type Clock } from '../base/clock.js';
import { readFaults } from '../bench/fault.js';
import { simulatedBench } from '../bench/simulated.js';
import { ensureSimulationKeys, openSeal } from '../certificate/keys.js';
import { preparePdf } from '../certificate/pdf.js';
import { prepareSealing } from '../certificate/sign.js';
import { openLedger, type LedgerFile } from '../ledger/sqlite.js';
import { readRegister } from '../people/register.js';
import type { Parts } from './brief.js';
import type { Chosen } from './documents.js';
import { ledgerFile } from './places.js';
import { openScorer } from './open-scorer.js';
import { selfTest, selfTestCheck } from './self-test.js';
import { workerScorer } from './scoring-worker.js';

/** How the parts of an attempt are to be chosen. */
export interface Configuration {
  readonly documents: Pick<Chosen, 'station'>;
  readonly serial: string;
  /** Folder of the records. */
  readonly root: string;
  /** Folder of the keys. */
  readonly keys: string;
  readonly passphrase: string | undefined;
  readonly faults: readonly string[];
  readonly pace: 'fast' | 'real';
  readonly watch?: (line: string) => void;
  readonly clock?: Clock;
  /** Score in this thread instead of one of its own, e.g. where this program is not built. */
  readonly scoreHere?: boolean;
}

/**
 * Chooses bench, ledger, seal, clock and scorer. The only place that does.
 *
 * The seal is opened before anything else: a record that cannot be sealed is not begun.
 *
 * @throws usage/argument for an unknown fault or severity, keys/*, storage/*, ledger/*.
 */
export async function assemble(
  configuration: Configuration,
): Promise<Parts & { readonly ledger: LedgerFile }> {
  const { documents, serial, root, pace, watch } = configuration;
  const { station } = documents;
  const clock = configuration.clock ?? systemClock;
  const faults = readFaults(configuration.faults);
  await ensureSimulationKeys(configuration.keys, station.maker.name, clock.now());
  const seal = await openSeal(
    configuration.keys,
    'simulation',
    configuration.passphrase,
    clock.now(),
  );
  const register = readRegister(configuration.keys);
  await Promise.all([preparePdf(), prepareSealing()]);
  const inThread = configuration.scoreHere === true || !isMainThread;
  return {
    bench: (attempt) => simulatedBench({ station, serial, attempt, faults, clock, pace }),
    ledger: openLedger(ledgerFile(root)),
    root,
    ...(register === undefined ? {} : { register }),
    seal,
    clock,
    selfTest: selfTestCheck(selfTest()),
    scorer: inThread ? openScorer : workerScorer,
    ...(watch === undefined ? {} : { watch }),
  };
}
