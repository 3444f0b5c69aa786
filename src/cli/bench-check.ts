import { throwIfAny } from '../base/error.js';
import { enterIntermediate } from '../readiness/intermediate-check.js';
import { DEFAULT_FOLDERS, displayName, one, readDocuments } from '../run/documents.js';
import { entering, now, type ItemOptions } from './item.js';
import type { Terminal } from './terminal.js';
import type { ActorOptions } from './who.js';

/** Options of `bench check`. */
export interface BenchCheckOptions extends ItemOptions, ActorOptions {
  readonly why: string;
  /** It was found not to hold. */
  readonly off?: true;
  readonly bench?: string;
}

/** Enters that a person checked an instrument between two calibrations. */
export function benchCheck(
  instrument: string,
  options: BenchCheckOptions,
  to: Terminal,
): Promise<number> {
  const { bench: file, why, off } = options;
  const all = readDocuments([...DEFAULT_FOLDERS, ...(file === undefined ? [] : [file])]);
  throwIfAny(all.problems);
  const stations = new Map(all.stations.map((station) => [station.file, station]));
  const station = one(
    [...stations.values()].filter((s) => file === undefined || s.file === displayName(file)),
    'document/mismatch',
    'bench description',
  );
  return entering(options, to, (ledger, actor) =>
    enterIntermediate(ledger, { station, instrument, ok: off !== true, why, actor }, now()),
  );
}
