import { isDay } from '../base/calendar.js';
import { EXIT } from '../base/codes.js';
import { systemClock } from '../base/clock.js';
import { StallmarkError } from '../base/error.js';
import { rootsIn } from '../certificate/trusted-roots.js';
import { checkReviews, type ReviewReport } from '../certificate/verify-signature.js';
import type { Entry } from '../ledger/ledger.js';
import { openLedger } from '../ledger/sqlite.js';
import { retiredAt } from '../people/change.js';
import { personNamed } from '../people/register.js';
import {
  TRAIL_KINDS,
  trailOf,
  type TrailKind,
  type TrailRow,
  type TrailWish,
} from '../people/trail.js';
import { defaultKeys, ledgerFile } from '../run/places.js';
import type { Terminal } from './terminal.js';

export interface TrailOptions {
  readonly data: string;
  readonly keys?: string;
  readonly from?: string;
  readonly to?: string;
  readonly person?: string;
  readonly serial?: string;
  readonly kind?: string;
  readonly json?: true;
}

/**
 * Prints the audit trail, and how far it was reviewed by whom.
 *
 * @returns 0, or the status of nonconforming when the signature of a review does not hold.
 */
export async function trail(options: TrailOptions, to: Terminal): Promise<number> {
  const keys = options.keys ?? defaultKeys();
  const wish = wishOf(options, keys);
  const entries = entriesOf(options.data);
  const rows = trailOf(entries, wish);
  const people = entries.filter(({ serial }) => serial === '');
  const trust = { roots: rootsIn(keys), now: systemClock.now() };
  const reviews = await checkReviews(entries, trust, (id) => retiredAt(people, id));
  if (options.json === true) to.out(JSON.stringify({ rows, reviews }, null, 2));
  else print(rows, reviews, entries, to);
  return reviews.every(({ intact }) => intact) ? EXIT.conforming : EXIT.nonconforming;
}

function wishOf(options: TrailOptions, keys: string): TrailWish {
  const { from, to, person, serial } = options;
  for (const [name, given] of [
    ['from', from],
    ['to', to],
  ] as const) {
    if (given === undefined || isDay(given) || /^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ$/u.test(given))
      continue;
    const what = `--${name} is "${given}", but should be a day or an instant in UTC.`;
    const fix = 'Write 2026-11-25 or 2026-11-25T14:00:00Z.';
    throw new StallmarkError([{ code: 'usage/argument', what, fix }]);
  }
  return {
    ...(from === undefined ? {} : { from }),
    ...(to === undefined ? {} : { to }),
    ...(person === undefined ? {} : { person: personNamed(person, keys) }),
    ...(serial === undefined ? {} : { serial }),
    ...(options.kind === undefined ? {} : { kind: kindOf(options.kind) }),
  };
}

function kindOf(text: string): TrailKind {
  const kind = TRAIL_KINDS.find((known) => known === text);
  if (kind !== undefined) return kind;
  const what = `--kind is "${text}".`;
  const fix = `Give one of: ${TRAIL_KINDS.join(', ')}.`;
  throw new StallmarkError([{ code: 'usage/argument', what, fix }]);
}

function entriesOf(data: string): readonly Entry[] {
  const ledger = openLedger(ledgerFile(data), { readOnly: true });
  try {
    return [...ledger.entries()];
  } finally {
    ledger.close();
  }
}

function print(
  rows: readonly TrailRow[],
  reviews: readonly ReviewReport[],
  entries: readonly Entry[],
  to: Terminal,
): void {
  for (const row of rows) to.out(lineOf(row));
  to.out(`${rows.length} lines out of ${entries.length} entries; times are UTC.`);
  for (const { entry, from, to: end, person, checks, intact } of reviews) {
    const mark = intact ? '✓' : '✗';
    to.out(`${mark} Entry ${entry}: ${person} reviewed entries ${from} to ${end}.`);
    const broken = checks.filter(({ outcome }) => outcome === 'broken');
    for (const { sentence } of broken) to.out(`    ✗ ${sentence}`);
  }
  const end = Math.max(0, ...reviews.filter(({ intact }) => intact).map((review) => review.to));
  const last = entries.at(-1)?.number ?? 0;
  if (end < last) to.out(`– Entries ${end + 1} to ${last} are not reviewed.`);
}

function lineOf({ entry, at, by, what, from, to, why }: TrailRow): string {
  const change = from === '' && to === '' ? '' : `  ${from === '' ? '(nothing)' : from} → ${to}`;
  const reason = why === '' ? '' : `  Why: ${why}`;
  return `${String(entry).padStart(6)}  ${at}  ${by}  ${what}${change}${reason}`;
}
