import { EXIT } from '../base/codes.js';
import { throwIfAny } from '../base/error.js';
import { DEFAULT_FOLDERS, readDocuments } from '../run/documents.js';
import { preparePlots, writePlots } from '../run/plots.js';
import { rescored } from '../run/rescored.js';
import { storedRecord, type Wanted } from '../run/stored-record.js';
import type { Terminal } from './terminal.js';

/** Options of `plots`. */
export interface PlotsOptions {
  readonly out: string;
  readonly data: string;
  readonly procedure?: string;
  readonly bench?: string;
  readonly json?: true;
}

/**
 * Draws every reading of a record again from its stored samples, one SVG a reading.
 *
 * @param which - Number of the record, or a serial, which means its last record.
 * @returns 0, or 1 when a value did not come out as on the record and was not drawn.
 */
export async function drawPlots(
  which: string,
  options: PlotsOptions,
  to: Terminal,
): Promise<number> {
  const stored = storedRecord(options.data, wantedBy(which));
  throwIfAny(preparePlots(options.out));
  const named = [options.procedure, options.bench].filter((path) => path !== undefined);
  const again = await rescored(stored, readDocuments([...DEFAULT_FOLDERS, ...named]));
  const { withheld, notes } = again;
  const files = await writePlots(again, options.out);
  if (options.json === true) to.out(JSON.stringify({ files, withheld, notes }, null, 2));
  else {
    for (const note of notes) to.err(note);
    for (const { sentence } of withheld) to.err(sentence);
    for (const file of files) to.out(file);
    to.out(`${String(files.length)} plots of ${again.certificate.number}.`);
  }
  return withheld.length === 0 ? EXIT.conforming : EXIT.nonconforming;
}

/** Numbers of records hold a year between hyphens and six digits at their end; serials do not. */
const wantedBy = (which: string): Wanted =>
  /-\d{4}-\d{6}$/u.test(which) ? { number: which } : { serial: which };
