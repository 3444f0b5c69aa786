import { throwIfAny } from '../base/error.js';
import type { Bench } from '../bench/bench.js';
import type { Acknowledgement, EnergizePermit } from '../bench/permit.js';
import { claimItem } from '../readiness/claim.js';
import { builtInProblems } from '../readiness/quarantine.js';
import { readinessChecks, readinessProblems, type Check } from '../readiness/readiness.js';
import {
  identityProblems,
  permitFor,
  situationOf,
  type Asking,
  type Brief,
  type Parts,
} from './brief.js';
import { operatorProblems } from './operator.js';
import { claimOf, enterRefusal } from './refused.js';

/** What a person may be told before power. */
export interface ReadyProgress {
  readonly kind: 'ready';
  readonly checks: readonly Check[];
}

/**
 * The way to a permit, the same for every use of power: the item in the nest is the one scanned, the
 * person may run this procedure, the bench may test now, and a named person answered every warning.
 *
 * @throws bench/wrong-item, readiness/not-ready, serial/claimed, bench/outstanding-warnings; nothing is
 * energized then, the refusal is in the ledger, and the item is given back.
 */
export async function* makeReady(
  bench: Bench,
  order: Asking,
  parts: Parts,
  attempt: number,
): AsyncGenerator<ReadyProgress, { readonly brief: Brief; readonly permit: EnergizePermit }> {
  try {
    return yield* askedReady(bench, order, parts, attempt);
  } catch (error) {
    enterRefusal(error, order, parts);
    throw error;
  }
}

async function* askedReady(
  bench: Bench,
  order: Asking,
  parts: Parts,
  attempt: number,
): AsyncGenerator<ReadyProgress, { readonly brief: Brief; readonly permit: EnergizePermit }> {
  const { procedure } = order.documents;
  const { serial } = order;
  const { ledger } = parts;
  const task = { bench: bench.id, serial, attempt, procedureDigest: procedure.digest };
  const identity = await bench.identify();
  const { components = [] } = identity;
  throwIfAny(identityProblems(identity, order));
  // Only now: what another item tells of its components is nothing about the one that was scanned.
  throwIfAny(builtInProblems({ serial, model: procedure.model.code, components }, ledger.of('')));
  throwIfAny(operatorProblems(order, parts, parts.clock.now()));
  const situation = await situationOf(bench, order, parts);
  const checks = readinessChecks(situation);
  yield { kind: 'ready', checks };
  throwIfAny(readinessProblems(checks));
  if (procedure.purpose === 'acceptance') {
    claimItem(ledger, claimOf(order, parts), parts.clock.now());
  }
  const acknowledgements: Acknowledgement[] = [];
  for (const warning of procedure.warnings) {
    acknowledgements.push(await order.acknowledge(warning, task));
  }
  await order.start?.();
  const { environment, now: readyAt } = situation;
  const brief = { task, identity, environment, acknowledgements, checks, readyAt };
  return { brief, permit: permitFor(bench, brief, order, parts.clock.now()) };
}

/**
 * Readiness once more, at the moment of energizing.
 *
 * @param readyAt - When the bench was found ready, ms since the Unix epoch: what falls due by the
 * calendar after it lets the item in progress finish.
 */
export async function confirmReady(
  bench: Bench,
  order: Asking,
  parts: Parts,
  readyAt: number,
): Promise<void> {
  const situation = await situationOf(bench, order, parts);
  throwIfAny(readinessProblems(readinessChecks({ ...situation, begunAt: readyAt })));
}
