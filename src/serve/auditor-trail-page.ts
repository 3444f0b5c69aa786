import { checkReviews } from '../certificate/verify-signature.js';
import type { Trust } from '../certificate/verify-seal.js';
import type { Entry } from '../ledger/ledger.js';
import type { Lookup } from '../ledger/search-query.js';
import { openLedger, type LedgerFile } from '../ledger/sqlite.js';
import { retiredAt } from '../people/change.js';
import { TRAIL_KINDS, trailOf, type TrailRow, type TrailWish } from '../people/trail.js';
import { ledgerFile } from '../run/places.js';
import type { ReviewLine, TrailPage } from './auditor-views.js';

/** Rows of one page, and entries that are read for it at most. */
const ROWS = 200;
const MOST = 3000;

/**
 * Reads a part of the audit trail, by the numbers that the index tells: however many attempts stand
 * between, they are not read.
 *
 * @param before - Number of an entry: only older ones.
 */
export async function trailPage(
  root: string,
  wish: TrailWish,
  before: number | undefined,
  lookup: Lookup,
  trust: Trust,
): Promise<TrailPage> {
  const kinds = wish.kind === undefined ? TRAIL_KINDS : [wish.kind];
  const numbers = lookup
    .others({ ...wish, kinds })
    .filter((number) => before === undefined || number < before);
  const ledger = openLedger(ledgerFile(root), { readOnly: true });
  try {
    const rows: TrailRow[] = [];
    let read = 0;
    while (read < numbers.length && read < MOST && rows.length < ROWS) {
      rows.push(...trailOf(entriesAt(ledger, numbers.slice(read, read + 1)), wish));
      read += 1;
    }
    const last = numbers[read - 1];
    return {
      rows,
      ...(read < numbers.length && last !== undefined ? { before: last } : {}),
      entries: lookup.last().number,
      reviews: await reviewsIn(ledger, lookup, trust),
    };
  } finally {
    ledger.close();
  }
}

const entriesAt = (ledger: LedgerFile, numbers: readonly number[]): readonly Entry[] =>
  numbers.flatMap((number) => ledger.at(number) ?? []);

/** Reviews of the ledger, each held against the entry that it ends with. */
async function reviewsIn(
  ledger: LedgerFile,
  lookup: Lookup,
  trust: Trust,
): Promise<readonly ReviewLine[]> {
  const signed = entriesAt(ledger, lookup.others({ kinds: ['signed'] }).toReversed());
  const reviews = signed.filter(({ body }) => body['what'] === 'ledger');
  const ends = reviews.flatMap(({ body }) =>
    typeof body['to'] === 'number' ? [ledger.at(body['to'])] : [],
  );
  const known = new Set(reviews.map(({ number }) => number));
  const others = ends.filter((entry) => entry !== undefined && !known.has(entry.number));
  const entries = [...reviews, ...others.filter((entry) => entry !== undefined)];
  let people: readonly Entry[] | undefined;
  const found = await checkReviews(entries, trust, (id) => {
    people ??= entriesAt(ledger, lookup.others({ kinds: ['changed'] }).toReversed());
    return retiredAt(people, id);
  });
  return found.map(({ entry, from, to, person, checks }) => ({
    ...{ entry, from, to, person },
    broken: checks.flatMap(({ outcome, sentence }) => (outcome === 'broken' ? [sentence] : [])),
  }));
}
