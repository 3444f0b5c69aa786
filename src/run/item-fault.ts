import { StallmarkError } from '../base/error.js';
import type { Bench } from '../bench/bench.js';
import type { Procedure } from '../procedure/procedure.js';
import { interlockCheck } from '../readiness/readiness.js';

/** A fault that the item reported of itself while it was tested, and what else speaks for it. */
export interface ItemFault {
  /** One sentence: what the item did. */
  readonly what: string;
  /** One sentence: what was seen on channels that the item has no hand in. */
  readonly evidence: string;
}

/**
 * Says whether an error that broke a run off is the item's own: its device reported a fault, while
 * the safety lines and the supply, both read without it, give no other cause.
 *
 * Asked after the bench was made safe. Whatever cannot be read speaks against the stand or the link,
 * not against the item: then the attempt is aborted and nothing is concluded.
 *
 * @returns Undefined when the cause may be another.
 */
export async function itemFaultBehind(
  error: unknown,
  bench: Bench,
  { supply }: Pick<Procedure, 'supply'>,
): Promise<ItemFault | undefined> {
  if (!(error instanceof StallmarkError)) return undefined;
  const [{ code, what }] = error.problems;
  if (code !== 'bench/device-fault') return undefined;
  try {
    const lines = interlockCheck(await bench.interlocks());
    const { supply: volts } = await bench.environment();
    const isFed = volts >= supply.from && volts <= supply.to;
    if (lines.state !== 'ok' || !isFed) return undefined;
    const evidence = `Read apart from the item: ${lines.found}; supply ${volts.toFixed(1)} V, allowed ${String(supply.from)} … ${String(supply.to)} V.`;
    return { what, evidence };
  } catch (second) {
    if (second instanceof StallmarkError) return undefined; // the first error is told as it is
    throw second;
  }
}
