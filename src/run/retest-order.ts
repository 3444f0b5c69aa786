import { StallmarkError, throwIfAny } from '../base/error.js';
import { isNonEmpty } from '../base/numbers.js';
import type { Bench } from '../bench/bench.js';
import { releaseOf } from '../readiness/release.js';
import type { Order, Parts } from './brief.js';
import { firmwareProblems, judgePartial, type PartialRetest } from './partial-retest.js';

/**
 * What the release of an item orders for its next attempt. Nobody at the bench chooses it.
 *
 * @returns Undefined when every stage is to be played.
 * @throws every reason why a partial retest that was released cannot be made now; nothing is begun then.
 */
export async function retestOf(
  { serial, documents }: Order,
  { ledger, root, seal, clock }: Parts,
): Promise<PartialRetest | undefined> {
  const history = ledger.of(serial);
  const release = releaseOf(history);
  if (release?.scope.kind !== 'stages') return undefined;
  const before = history.filter(({ number }) => number <= release.entry);
  const ask = { serial, scope: release.scope, history: before, replaced: [] };
  const judged = await judgePartial(ask, {
    ...{ documents, ledger, root },
    roots: [seal.certificates[1]],
    simulated: seal.purpose === 'simulation',
    now: clock.now(),
  });
  if (judged.kind === 'partial') return judged.retest;
  if (!isNonEmpty(judged.problems)) throw new Error('a partial retest was refused for no reason');
  throw new StallmarkError(judged.problems);
}

/**
 * Holds the firmware of the item in the nest against that of the record from which rows are carried.
 * Whether it is the item that was scanned, readiness asks.
 */
export async function confirmSame(
  bench: Bench,
  { serial }: Order,
  retest: PartialRetest | undefined,
): Promise<void> {
  if (retest === undefined) return;
  const identity = await bench.identify();
  if (identity.serial === serial) throwIfAny(firmwareProblems(retest, identity.firmwareDigest));
}
