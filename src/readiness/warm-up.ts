import type { RegisteredInstrument } from '../procedure/station.js';
import type { Check } from './readiness.js';

/** What of the register the warm-up is judged by. */
export type WarmedInstrument = Pick<RegisteredInstrument, 'id' | 'what' | 'warmUp'>;

/**
 * Judges for each instrument with a warm-up time whether it had power for so long.
 *
 * The bench counts, not this program: starting the program anew neither warms nor cools anything, and
 * an interruption of the power begins the count again. A bench that does not know is cold. Nobody can
 * vouch for a warm instrument in place of the bench.
 *
 * @param poweredFor - s for which the instruments had power without a break, as the bench says
 * (`Environment.poweredFor`); undefined where it does not know.
 * @returns One check for each instrument that has a warm-up time.
 */
export function warmUpChecks(
  instruments: readonly WarmedInstrument[],
  poweredFor: number | undefined,
): readonly Check[] {
  return instruments.flatMap(({ id, what, warmUp }) =>
    warmUp === undefined ? [] : [checkOf(`warm-up of ${what} ${id}`, warmUp, poweredFor)],
  );
}

const minutes = (seconds: number): string => `${(seconds / 60).toFixed(1)} min`;

function checkOf(name: string, warmUp: number, poweredFor: number | undefined): Check {
  if (poweredFor === undefined || !(poweredFor >= 0)) {
    const found = `the bench does not know for how long it has had power, which counts as cold; ${minutes(warmUp)} are needed`;
    return { name, state: 'not run', found, clear: 'maintenance' };
  }
  const had = `it has had power for ${minutes(poweredFor)}`;
  const isWarm = poweredFor >= warmUp;
  return {
    name,
    state: isWarm ? 'ok' : 'failed',
    found: isWarm
      ? `${had}, ${minutes(warmUp)} are needed`
      : `${had} of ${minutes(warmUp)}: ready in ${minutes(warmUp - poweredFor)} if nobody turns it off`,
    clear: 'operator',
    age: poweredFor,
  };
}
