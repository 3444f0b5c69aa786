import type { Gate } from '../capture/gate.js';
import { lastZero, type RunZero } from '../readiness/zero-drift.js';
import { zeroDriftGate } from '../scoring/gate-zero-drift.js';
import type { Finished } from './issue.js';

/** The unloaded zero of a run with its temperature; undefined when the run ended before it was read. */
export function zeroOf({
  order,
  parts,
  brief,
  closed,
}: Pick<Finished, 'order' | 'parts' | 'brief' | 'closed'>): RunZero | undefined {
  if (closed.zero === undefined) return undefined;
  return {
    bench: order.documents.station.id,
    simulated: parts.seal.purpose === 'simulation',
    torque: closed.zero,
    ambient: brief.environment.ambient,
  };
}

/** Compares the zero of a run with that of the last one, where the description of the bench limits it. */
export function zeroDriftGates(
  finished: Pick<Finished, 'order' | 'parts' | 'brief' | 'closed'>,
): readonly Gate[] {
  const policy = finished.order.documents.station.checks?.zeroDrift;
  const zero = zeroOf(finished);
  if (policy === undefined || zero === undefined) return [];
  const last = lastZero(finished.parts.ledger.newestFirst(), zero);
  return last === undefined ? [] : [zeroDriftGate(last, zero, policy.limit)];
}
