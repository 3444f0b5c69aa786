import { isSimulated } from '../procedure/station.js';
import { systemClock } from '../base/clock.js';
import { EXIT } from '../base/codes.js';
import { throwIfAny } from '../base/error.js';
import { openLedger } from '../ledger/sqlite.js';
import { samplingWords, type Issue } from '../procedure/routes.js';
import { DEFAULT_FOLDERS, displayName, one, readDocuments } from '../run/documents.js';
import { ledgerFile } from '../run/places.js';
import { listSampling, type RouteSampling } from '../run/sampling.js';
import { columns } from './columns.js';
import type { Terminal } from './terminal.js';

/** Options of `sampling`, as the argument parser hands them over. */
export interface SamplingOptions {
  readonly bench?: string;
  readonly data: string;
  readonly json?: true;
}

/** Shows for each route that counts now which items are samples, and whether the next one is. */
export function sampling(options: SamplingOptions, to: Terminal): number {
  const { bench: file } = options;
  const all = readDocuments([...DEFAULT_FOLDERS, ...(file === undefined ? [] : [file])]);
  throwIfAny(all.problems);
  const stations = new Map(all.stations.map((station) => [station.file, station]));
  const station = one(
    [...stations.values()].filter((s) => file === undefined || s.file === displayName(file)),
    'document/mismatch',
    'bench description',
  );
  const place = { bench: station.id, simulated: isSimulated(station) };
  const ledger = openLedger(ledgerFile(options.data), { readOnly: true });
  try {
    const rows = listSampling(all, { ...place, ledger, now: systemClock.now() });
    if (options.json === true) {
      to.out(JSON.stringify({ ...place, routes: rows.map(facts) }, null, 2));
    } else for (const line of samplingTable(rows)) to.out(line);
    return EXIT.conforming;
  } finally {
    ledger.close();
  }
}

function facts({ route, sampling: found }: RouteSampling): object {
  if (found === undefined) return { route, sampling: null };
  const { state, ...rule } = found;
  const { since, owed = null, last = null } = state;
  return { route, sampling: { ...rule, since: since.size, owed, last } };
}

/** Draws where samples stand as a table for people. */
export function samplingTable(rows: readonly RouteSampling[]): readonly string[] {
  const heading = ['route', 'samples', 'tested to', 'since the last', 'next item'];
  return columns([heading, ...rows.map(rowOf)], [3]);
}

function rowOf({ route, sampling: found }: RouteSampling): readonly string[] {
  if (found === undefined) return [route, 'none', '', '', 'as every item'];
  const { procedure, limits, state, next } = found;
  const owed = `${state.owed?.serial ?? ''}, entry ${String(state.owed?.entry ?? 0)}`;
  const told = {
    owed: `a sample, forced: the sample ${owed}, was not completed`,
    due: 'a sample, by the count',
    'by chance': 'a sample only when it is drawn',
    none: 'as every item',
  }[next];
  const documents = `${shown(procedure)}, ${shown(limits)}`;
  return [route, samplingWords(found), documents, String(state.since.size), told];
}

const shown = ({ id, issue }: Issue): string => `${id} issue ${String(issue)}`;
