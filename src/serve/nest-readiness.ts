import type { Clock } from '../base/clock.js';
import { StallmarkError, type Problem } from '../base/error.js';
import { isSimulated } from '../procedure/station.js';
import { readinessProblems, type Check } from '../readiness/readiness.js';
import { assemble } from '../run/assemble.js';
import type { Choice } from '../run/documents.js';
import { listReadiness, prepareReadiness } from '../run/readiness-list.js';
import type { NestView } from './nest-view.js';
import type { Site } from './site.js';

/** The documents that the server was told to use, where it was. */
export function documentsOf({ procedure, limits, bench }: Site): Omit<Choice, 'serial'> {
  return {
    ...(procedure === undefined ? {} : { procedure }),
    ...(limits === undefined ? {} : { limits }),
    ...(bench === undefined ? {} : { bench }),
  };
}

/**
 * Asks the bench whether it may test now; applies no power. What keeps the question from being asked,
 * e.g. a document that is not approved, is a check that failed.
 */
export async function readinessOf(site: Site, clock: Clock): Promise<Partial<NestView>> {
  try {
    return await asked(site, clock);
  } catch (error) {
    if (!(error instanceof StallmarkError)) throw error;
    return readyView(error.problems.map(checkOf), clock.now());
  }
}

const checkOf = ({ code, what, fix }: Problem): Check => ({
  ...{ name: 'bench and documents', state: 'failed', code },
  found: `${what} ${fix}`,
  clear: 'quality engineer',
});

async function asked(site: Site, clock: Clock): Promise<Partial<NestView>> {
  const documents = prepareReadiness(documentsOf(site));
  const { root, keys, pace } = site;
  const passphrase = process.env['STALLMARK_PASSPHRASE'];
  const asking = { documents, serial: '', root, keys, passphrase, faults: [], pace, clock };
  const parts = await assemble(asking);
  try {
    const { id: bench, nest } = documents.station;
    const simulated = isSimulated(documents.station);
    const checks = await listReadiness(documents, parts); // the bench was made safe
    return { bench, nest, simulated, power: 'off', ...readyView(checks, clock.now()) };
  } finally {
    parts.ledger.close();
  }
}

/** A readiness list as a page is shown it. */
export function readyView(
  checks: readonly Check[],
  now: number,
): Pick<NestView, 'checks' | 'mayTest' | 'checkedAt'> {
  return { checks, mayTest: readinessProblems(checks).length === 0, checkedAt: now };
}
