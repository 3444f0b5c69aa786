import { StallmarkError, withSecond } from '../base/error.js';
import { releaseClaim, type Claiming } from '../readiness/claim.js';
import type { Asking, Parts } from './brief.js';

/** Attempt number of an entry that belongs to no attempt. */
const NO_ATTEMPT = 0;

/** The claim of a bench on the item that an order is for. */
export function claimOf({ serial, operator, documents }: Asking, parts: Parts): Claiming {
  const { id: bench, nest } = documents.station;
  return { serial, bench, nest, by: operator, simulated: parts.seal.purpose === 'simulation' };
}

/**
 * Enters that a start was refused before power, with every reason, so that the audit trail tells it,
 * and gives the item back. Not an attempt: nothing counts against the item.
 *
 * @throws StallmarkError with the reasons of both when the refusal cannot be entered either; a
 * second failure must not hide the first.
 */
export function enterRefusal(error: unknown, order: Asking, parts: Parts): void {
  if (!(error instanceof StallmarkError)) return;
  const { procedure, station } = order.documents;
  const isOther = error.problems.some(({ code }) => code === 'bench/wrong-item');
  const body = {
    what: isOther ? 'wrong item at bench' : 'start',
    purpose: procedure.purpose,
    bench: station.id,
    simulated: parts.seal.purpose === 'simulation',
    problems: error.problems.map(({ code, what }) => ({ code, what })),
  };
  const entry = { kind: 'refused', serial: order.serial, attempt: NO_ATTEMPT, body } as const;
  try {
    const now = parts.clock.now();
    parts.ledger.append({ ...entry, by: order.operator }, now);
    releaseClaim(parts.ledger, claimOf(order, parts), now);
  } catch (second) {
    throw withSecond(error, second);
  }
}

/** Does what may refuse a start; a refusal is entered before it is thrown on. */
export async function refusing<T>(order: Asking, parts: Parts, work: () => Promise<T>): Promise<T> {
  try {
    return await work();
  } catch (error) {
    enterRefusal(error, order, parts);
    throw error;
  }
}
