import type { Json } from '../base/canonical.js';
import type { Entry } from '../ledger/ledger.js';
import type { ZeroReading } from '../scoring/gate-zero-drift.js';

/** The unloaded zero of a run, as the entry of its record keeps it. */
export interface RunZero extends ZeroReading {
  readonly bench: string;
  readonly simulated: boolean;
}

/** Part of the body of an entry `record-issued`. */
export function zeroBody({ bench, torque, ambient }: RunZero): { readonly zero: Json } {
  return { zero: { bench, torque_nm: torque, ambient_c: ambient } };
}

/** Reads the zero back; undefined where an entry keeps none, or none that is whole. */
export function readZero({ kind, body }: Entry): RunZero | undefined {
  const { zero } = body;
  if (kind !== 'record-issued' || typeof zero !== 'object' || zero === null) return undefined;
  if (Array.isArray(zero)) return undefined;
  const { bench, torque_nm: torque, ambient_c: ambient } = zero as Readonly<Record<string, Json>>;
  if (typeof bench !== 'string' || typeof torque !== 'number') return undefined;
  if (typeof ambient !== 'number') return undefined;
  // What does not say that it is a product record is taken for a simulated one.
  return { bench, simulated: body['simulated'] !== false, torque, ambient };
}

/**
 * Finds the zero of the last run on a bench that read one, whatever became of the item. A zero that
 * moved is compared once: its run is held, and the next is compared with what it is now.
 *
 * @param entries - Newest first; read back to that run.
 * @returns Undefined when no run on this bench kept a zero yet: then there is nothing to compare.
 */
export function lastZero(
  entries: Iterable<Entry>,
  of: Pick<RunZero, 'bench' | 'simulated'>,
): (RunZero & { readonly at: string }) | undefined {
  for (const entry of entries) {
    const zero = readZero(entry);
    if (zero?.bench === of.bench && zero.simulated === of.simulated) {
      return { ...zero, at: entry.at };
    }
  }
  return undefined;
}
