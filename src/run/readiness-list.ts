import { throwIfAny } from '../base/error.js';
import { isNote } from '../base/report.js';
import { checkApproval } from '../procedure/approval.js';
import { fitted } from '../procedure/fitting.js';
import { readinessChecks, type Check } from '../readiness/readiness.js';
import { CHARACTERISTICS, GATES } from '../scoring/catalogue.js';
import { situationOf, type Asking, type Parts } from './brief.js';
import { DEFAULT_FOLDERS, displayName, one, readDocuments, type Choice } from './documents.js';
import { checkStages } from './plan.js';
import { registerBeside } from './reference-register.js';

/** No attempt: nothing is begun and nothing is energized. */
const NO_ATTEMPT = 0;

/**
 * Chooses procedure and bench to ask about before any item is scanned, held against each other and
 * approved as for a run.
 *
 * @throws document/mismatch when there are several and none is named, and every problem of the files.
 */
export function prepareReadiness(choice: Pick<Choice, 'procedure' | 'bench'>): Asking['documents'] {
  const named = [choice.procedure, choice.bench].filter((path) => path !== undefined);
  const all = readDocuments(named.length === 2 ? named : [...DEFAULT_FOLDERS, ...named]);
  throwIfAny(all.problems);
  const { procedure: file, bench } = choice;
  const procedures = all.procedures.filter((p) =>
    file === undefined ? p.purpose === 'acceptance' : p.file === displayName(file),
  );
  const stations = all.stations.filter((s) => bench === undefined || s.file === displayName(bench));
  const procedure = one(procedures, 'document/mismatch', 'procedure');
  const station = one(stations, 'document/mismatch', 'bench description');
  const references = registerBeside(station);
  throwIfAny([
    ...checkApproval(procedure),
    ...(references === undefined ? [] : checkApproval(references)),
    ...checkStages(
      { procedure, station },
      { characteristics: CHARACTERISTICS, gates: GATES },
    ).filter((p) => !isNote(p)),
  ]);
  return {
    procedure: fitted(procedure, station),
    station,
    ...(references === undefined ? {} : { references }),
  };
}

/**
 * Asks the bench, the disk and the ledger whether this bench may test now: the list that every run
 * is held to before power. Applies no power.
 */
export async function listReadiness(
  documents: Asking['documents'],
  parts: Parts,
): Promise<readonly Check[]> {
  const bench = await parts.bench(NO_ATTEMPT);
  try {
    return readinessChecks(await situationOf(bench, { documents }, parts));
  } finally {
    await bench.makeSafe('off');
    await bench.close();
  }
}
