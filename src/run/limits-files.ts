import { basename } from 'node:path';
import { StallmarkError } from '../base/error.js';
import type { Limits } from '../procedure/limits.js';
import { displayName, type Documents } from './documents.js';

/** A file of limits with its text. */
export interface LimitsFile {
  readonly limits: Limits;
  readonly text: string;
  /** A route leads items to it now, or it was named. */
  readonly isInForce: boolean;
}

/**
 * Gives the limits among documents, those in force first.
 *
 * @param named - The only file that counts, where one is named.
 * @param now - ms since the Unix epoch: the instant whose routes count.
 */
export function limitsFiles(
  documents: Pick<Documents, 'limits' | 'routes' | 'texts'>,
  named: string | undefined,
  now: number,
): readonly LimitsFile[] {
  const only = named === undefined ? undefined : displayName(named);
  // A file that is named and lies in a shipped folder is read twice.
  const once = [...new Map(documents.limits.map((limits) => [limits.file, limits])).values()];
  const files = once
    .filter(({ file }) => only === undefined || file === only)
    .map((limits) => ({
      limits,
      text: documents.texts.get(limits.file) ?? '',
      isInForce: only !== undefined || isRouted(limits, documents, now),
    }));
  const inForce = files.filter((file) => file.isInForce);
  return [...inForce, ...files.filter((file) => !file.isInForce)];
}

function isRouted(limits: Limits, { routes }: Pick<Documents, 'routes'>, now: number): boolean {
  return routes
    .flatMap((one) => one.routes)
    .some(
      (route) =>
        route.limits.id === limits.id &&
        route.limits.issue === limits.issue &&
        route.from <= now &&
        now < (route.until ?? Infinity),
    );
}

/**
 * Finds the limits that a text would take the place of: those of its name, in force rather than not.
 *
 * @throws document/mismatch when there are none.
 */
export function effectiveLimits(files: readonly LimitsFile[], id: string): LimitsFile {
  const found = files.find(({ limits }) => limits.id === id);
  if (found !== undefined) return found;
  const known = files.map(({ limits }) => `${limits.id} (${basename(limits.file)})`).join(', ');
  const what = `There are no limits "${id}" to compare with; there are: ${known === '' ? 'none' : known}.`;
  const fix = 'Name the file to compare with by --against.';
  throw new StallmarkError([{ code: 'document/mismatch', what, fix }]);
}
