import { isMainThread } from 'node:worker_threads';
import { systemClock, type Clock } from '../base/clock.js';
import type { Bench } from '../bench/bench.js';
import { readFaults } from '../bench/fault.js';
import { simulatedBench } from '../bench/simulated.js';
import { StallmarkError } from '../base/error.js';
import { isSimulated, type Station } from '../procedure/station.js';
import type { LinkedStation, Nested } from '../rig/open-rig.js';
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
  refuseFaults(station, configuration.faults);
  await ensureSimulationKeys(configuration.keys, station.maker.name, clock.now());
  const seal = await sealOf(configuration, clock);
  const register = readRegister(configuration.keys);
  await Promise.all([preparePdf(), prepareSealing()]);
  const inThread = configuration.scoreHere === true || !isMainThread;
  return {
    bench: (attempt) =>
      isLinked(station)
        ? linked(station, { serial, attempt }, clock)
        : simulatedBench({ station, serial, attempt, faults, clock, pace }),
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

/** Records of hardware are sealed by the bench, all others by the simulation. */
function sealOf(
  { documents, keys, passphrase }: Configuration,
  clock: Clock,
): Promise<Parts['seal']> {
  return isSimulated(documents.station)
    ? openSeal(keys, 'simulation', passphrase, clock.now())
    : openSeal(keys, 'bench', passphrase, clock.now());
}

function isLinked(station: Station): station is LinkedStation {
  return station.links !== undefined;
}

/** Loaded only where there are links: serial devices and sockets cost time at every start. */
async function linked(station: LinkedStation, nested: Nested, clock: Clock): Promise<Bench> {
  const { openRig } = await import('../rig/open-rig.js');
  return openRig(station, nested, clock);
}

/** @throws usage/argument: only the plant of this program can be given a fault from here. */
function refuseFaults({ id, kind }: Station, faults: readonly string[]): void {
  if (kind === 'simulated' || faults.length === 0) return;
  const what = `The fault ${faults.join(', ')} was asked for on bench "${id}" of kind "${kind}".`;
  const fix = 'Leave out --fault; an emulator is given its faults when it is started.';
  throw new StallmarkError([{ code: 'usage/argument', what, fix }]);
}
