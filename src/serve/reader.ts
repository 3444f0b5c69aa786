import { isMainThread, Worker } from 'node:worker_threads';
import { StallmarkError, throwIfAny } from '../base/error.js';
import type { Role } from '../people/people.js';
import { roleProblems } from '../people/session.js';
import { plainSite } from './nest-link.js';
import type { Given, Reading } from './reading.js';
import type { LoggedSite, Site } from './site.js';
import { askedHere, Thread, type Asker } from './thread.js';

/** What a page asks to read, and for whom. */
export interface ReadQuestion {
  readonly name: string;
  readonly given: Given;
  readonly by: string;
  readonly roles: readonly Role[];
}

/** Readings by name, as the table holds them. */
export type Readings = Readonly<Record<string, Reading<unknown, unknown>>>;

/** Questions that may wait for the reader. */
const MOST = 32;

/** ms for one answer; a folder with many records takes minutes to verify. */
const PATIENCE = 300_000;

/**
 * What answers readings, in a thread of its own; answers are JSON texts.
 *
 * @param readHere - Read in this thread, e.g. where this program is not built.
 */
export function openReader(site: LoggedSite, readHere = false): Asker<ReadQuestion> {
  if (readHere || !isMainThread) {
    return askedHere(async (question) => readingAnswer(await table(), site, question));
  }
  const script = new URL('./reader-thread.js', import.meta.url);
  return new Thread({
    name: 'reader',
    start: () => new Worker(script, { workerData: plainSite(site) }),
    most: MOST,
    patience: PATIENCE,
    log: site.log,
  });
}

/** The table is large and loaded only where it is read from. */
export async function table(): Promise<Readings> {
  const { READINGS } = await import('./readings.js');
  return READINGS;
}

/**
 * Answers one question from the table: the role first, then the arguments, then the reading.
 *
 * @returns JSON text.
 * @throws page/unknown, people/role, usage/argument, what the reading throws.
 */
export async function readingAnswer(
  readings: Readings,
  site: Site,
  { name, given, by, roles }: ReadQuestion,
): Promise<string> {
  const reading = Object.hasOwn(readings, name) ? readings[name] : undefined;
  if (reading === undefined) throw unknownName('reading', name);
  throwIfAny(roleProblems({ by, roles }, reading.roles, `read ${name}`));
  const answer = await reading.read(reading.args(given), site);
  return JSON.stringify(answer ?? null);
}

/** Nothing of this kind has this name. */
export function unknownName(kind: 'reading' | 'change' | 'file', name: string): StallmarkError {
  const what = `There is no ${kind} "${name.slice(0, 100)}".`;
  const fix = 'Load the page anew: it may be older than the server.';
  return new StallmarkError([{ code: 'page/unknown', what, fix }]);
}
