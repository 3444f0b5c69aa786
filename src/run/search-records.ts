import { existsSync } from 'node:fs';
import { StallmarkError } from '../base/error.js';
import type { Lookup } from '../ledger/search-query.js';
import type { Searching } from '../ledger/search-line.js';
import { search, searchFor, type Searched } from '../ledger/search.js';
import { followEntry } from '../readiness/attempt-index.js';
import { indexFile, ledgerFile } from './places.js';

/**
 * Looks something up in the index of the ledger of a folder, continued to its end.
 *
 * @throws storage/unreadable when there is no ledger; ledger/*.
 */
export function searchRecords<T>(
  root: string,
  ask: (lookup: Lookup) => T | Promise<T>,
): Promise<T> {
  return search(searchedIn(root), ask);
}

/** Entries that one question takes over at most: about a tenth of a second. */
const MOST = 1000;

/** The same for a thread that others wait for: an index that is far behind is made in pieces. */
export function searchBriefly<T>(
  root: string,
  ask: (lookup: Lookup) => T | Promise<T>,
): Promise<Searching<T>> {
  return searchFor(searchedIn(root), ask, MOST);
}

function searchedIn(root: string): Searched {
  const ledger = ledgerFile(root);
  if (existsSync(ledger)) return { ledger, index: indexFile(root), follow: followEntry };
  const what = `There is no ledger in "${root}".`;
  const fix = 'Name the folder of the records with --data, or test an item first.';
  throw new StallmarkError([{ code: 'storage/unreadable', what, fix }]);
}
