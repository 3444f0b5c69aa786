import { accessSync, constants, existsSync, mkdirSync, statSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { StallmarkError, type Problem } from '../base/error.js';
import { SIMULATED_MARK } from '../certificate/certificate.js';
import { plotsOf } from '../certificate/figures.js';
import { openRuler, writeSvg } from '../certificate/svg.js';
import { instant } from '../certificate/words.js';
import type { Issued } from './issue.js';

/**
 * Makes the folder for plots and tells what keeps files from being written there. To be called
 * before power: nobody should learn after a run that its plots have no place.
 *
 * @returns storage/unwritable, or nothing.
 */
export function preparePlots(folder: string): readonly Problem[] {
  const fix = 'Name a folder that you may write to with --plots.';
  try {
    mkdirSync(folder, { recursive: true });
    accessSync(folder, constants.W_OK | constants.X_OK);
    return [];
  } catch (cause) {
    const isFile = existsSync(folder) && !statSync(folder).isDirectory();
    const found = isFile ? 'it is a file, not a folder' : reasonOf(cause);
    const what = `--plots ${folder}: plots cannot be written there: ${found}.`;
    return [{ code: 'storage/unwritable', what, fix }];
  }
}

const reasonOf = (cause: unknown): string =>
  cause instanceof Error ? cause.message : String(cause);

/** What a plot says of the record that it is drawn from. */
export type PlottedRecord = Pick<
  Issued['certificate'],
  'serial' | 'attempt' | 'number' | 'revision' | 'simulated' | 'issued'
>;

/**
 * Writes each reading that has evidence as a plot, `<stage>.<characteristic>.svg`. A plot is no
 * record: it is not sealed, and a plot of that name is replaced.
 *
 * @param folder - As `preparePlots` left it.
 * @returns Paths, in the order of the results.
 * @throws storage/unwritable; the record is there all the same.
 */
export async function writePlots(
  issued: Pick<Issued, 'sources'> & { readonly certificate: PlottedRecord },
  folder: string,
): Promise<readonly string[]> {
  const { certificate, sources } = issued;
  const { serial, attempt, number, revision, simulated, issued: at } = certificate;
  const item = `Item ${serial}, attempt ${attempt}, record ${number} rev ${revision}, ${instant(at)}. The sealed record counts, not this plot.`;
  const mark = simulated ? SIMULATED_MARK : undefined;
  const ruler = await openRuler();
  return plotsOf(sources).map(({ stage, characteristic, words, figure }) => {
    const path = join(folder, `${stage}.${characteristic}.svg`);
    save(path, writeSvg(figure, { lines: [words, item], mark }, ruler));
    return path;
  });
}

function save(path: string, text: string): void {
  try {
    writeFileSync(path, text);
  } catch (cause) {
    const what = `The plot ${path} was not written: ${reasonOf(cause)}.`;
    const fix = 'Make room or name another folder; the record itself is complete and sealed.';
    throw new StallmarkError([{ code: 'storage/unwritable', what, fix }], { cause });
  }
}
