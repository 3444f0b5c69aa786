import { StallmarkError } from '../base/error.js';
import type { Bench } from '../bench/bench.js';
import { itemFaultOf, type Apart } from '../decision/attribution.js';
import type { ItemFault } from '../decision/decision.js';
import type { Procedure } from '../procedure/procedure.js';
import { interlockCheck } from '../readiness/readiness.js';

/** Errors that may be the item's own doing; every other one is not asked about. */
const ASKED: readonly string[] = ['bench/device-fault', 'bench/unreachable'];

/**
 * Says whether an error that broke a run off is the item's own, from what can be read apart from the
 * item. Asked after the bench was made safe. Whatever cannot be read speaks against stand or link,
 * not against the item: then the attempt is aborted and nothing is concluded.
 *
 * @returns Undefined when the cause may be another.
 */
export async function itemFaultBehind(
  error: unknown,
  bench: Bench,
  procedure: Pick<Procedure, 'supply'>,
): Promise<ItemFault | undefined> {
  if (!(error instanceof StallmarkError)) return undefined;
  const [{ code, what }] = error.problems;
  if (!ASKED.includes(code)) return undefined;
  const apart = await readApart(bench, procedure);
  return itemFaultOf({ gates: [], broke: { code, what }, apart });
}

async function readApart(
  bench: Bench,
  { supply }: Pick<Procedure, 'supply'>,
): Promise<readonly Apart[]> {
  const apart: Apart[] = [];
  const lines = await answered(() => bench.interlocks());
  if (lines !== undefined) {
    const { state, found } = interlockCheck(lines);
    apart.push({ channel: 'safety-lines', clears: state === 'ok', found });
  }
  const environment = await answered(() => bench.environment());
  if (environment !== undefined) {
    const { supply: volts } = environment;
    const found = `supply ${volts.toFixed(1)} V, allowed ${String(supply.from)} … ${String(supply.to)} V`;
    apart.push({
      channel: 'supply',
      clears: volts >= supply.from && volts <= supply.to,
      found,
    });
  }
  if ((await answered(() => bench.identify())) === undefined) {
    apart.push({ channel: 'silence', clears: true, found: 'the device gives no answer' });
  }
  return apart;
}

/** What the bench answers; undefined when it does not, which is told by the error that came first. */
async function answered<T>(ask: () => Promise<T>): Promise<T | undefined> {
  try {
    return await ask();
  } catch (error) {
    if (error instanceof StallmarkError) return undefined;
    throw error;
  }
}
