import { existsSync } from 'node:fs';
import { join } from 'node:path';
import { StallmarkError } from '../base/error.js';
import type { Trust, Check } from '../certificate/verify-seal.js';
import { verifyRecord } from '../certificate/verify.js';
import { entryDigest, type Entry } from '../ledger/ledger.js';
import type { FoundLine } from '../ledger/search-line.js';
import type { Lookup } from '../ledger/search-query.js';
import { openLedger, type LedgerFile } from '../ledger/sqlite.js';
import { retiredAt } from '../people/change.js';
import { readMove } from '../readiness/item-move.js';
import { textIn } from '../readiness/past-attempts.js';
import { statusOf } from '../readiness/retest.js';
import { openSuspects } from '../readiness/suspects.js';
import { ledgerFile } from '../run/places.js';
import { recordView } from './auditor-record.js';
import type { AttemptView, MoveLine } from './auditor-views.js';

/**
 * Gathers everything about one attempt and verifies its record anew.
 *
 * @param entry - The entry that began or refused it, or issued the revision that is wanted.
 * @throws usage/argument when that entry is of no attempt; ledger/*.
 */
export async function attemptView(
  root: string,
  entry: number,
  lookup: Lookup,
  trust: Trust,
): Promise<AttemptView> {
  const ledger = openLedger(ledgerFile(root), { readOnly: true });
  try {
    const asked = ledger.at(entry);
    const others = asked === undefined ? [] : lookup.of(asked.serial);
    const line = others.find((one) => one.entry === entry);
    if (line === undefined) throw noAttempt(entry);
    const history = ledger.of(line.serial);
    const { state, why, since, counted, allowed } = statusOf(history, 1);
    const item = { state, why, counted, allowed, ...(since === undefined ? {} : { since }) };
    return {
      ...{ line, others, item },
      moves: history.flatMap(moveLine),
      ...suspicion(line, ledger, history),
      kept: keptIn(history, line),
      ...(await recordOf(root, { line, ledger, history, trust })),
    };
  } finally {
    ledger.close();
  }
}

function noAttempt(entry: number): StallmarkError {
  const what = `Entry ${entry} of the ledger neither begins nor refuses an attempt.`;
  return new StallmarkError([{ code: 'usage/argument', what, fix: 'Choose one from the list.' }]);
}

function moveLine(entry: Entry): readonly MoveLine[] {
  if (entry.kind !== 'item-moved') return [];
  const { number, at, by } = entry;
  const move = readMove(entry);
  const words =
    move === undefined
      ? 'a move that no rule allows'
      : `${move.event}: ${move.from} → ${move.to}. ${move.why}`;
  return [{ entry: number, at, by, words }];
}

function suspicion(
  { suspect, ending }: FoundLine,
  ledger: LedgerFile,
  history: readonly Entry[],
): { readonly suspect?: string } {
  const check = suspect === undefined ? undefined : ledger.at(suspect);
  if (check === undefined) return {};
  const found = openSuspects([check, ...history.filter(({ number }) => number > check.number)]);
  const one = found.find((each) => each.entry === ending);
  if (one === undefined) return {};
  return {
    suspect: `Accepted while nothing proved bench ${one.bench}: the check with ${one.item} in entry ${one.failed} did not hold (${one.reason}).`,
  };
}

function keptIn(history: readonly Entry[], line: FoundLine): readonly string[] {
  const end = history.find(({ number }) => number === line.ending);
  const kept = end?.body['kept'];
  return Array.isArray(kept) ? kept.map(String) : [];
}

interface Wanted {
  readonly line: FoundLine;
  readonly ledger: LedgerFile;
  readonly history: readonly Entry[];
  readonly trust: Trust;
}

async function recordOf(
  root: string,
  { line, ledger, history, trust }: Wanted,
): Promise<Pick<AttemptView, 'record' | 'lost'>> {
  const issued = history.find(({ number }) => number === line.ending);
  if (issued?.kind !== 'record-issued') return {};
  const folder = textIn(issued.body, 'folder');
  if (!existsSync(join(root, folder))) {
    return { lost: `${folder} is not there, but entry ${issued.number} issued a record in it.` };
  }
  const report = await verifyRecord(join(root, folder), {
    ...trust,
    ledgerEntries: history,
    retiredAt: (id) => retiredAt(ledger.of(''), id),
  });
  const anchor = report.table?.anchor;
  const links = [
    linkCheck(ledger, issued),
    ...(anchor === undefined ? [] : [anchorCheck(ledger, anchor)]),
  ];
  return { record: recordView(root, folder, report, links) };
}

/** Whether an entry is as it was written and stands between its neighbours. */
function linkCheck(ledger: LedgerFile, entry: Entry): Check {
  const { number } = entry;
  const name = 'ledger: entry';
  const [before, after] = [ledger.at(number - 1), ledger.at(number + 1)];
  if (entryDigest(entry) !== entry.digest) {
    const sentence = `Entry ${number} was changed after it was written: its digest does not match.`;
    return { name, outcome: 'broken', finding: 'ledger/digest', sentence };
  }
  const isBound =
    (number === 1 || before?.digest === entry.previous) &&
    (after === undefined || after.previous === entry.digest);
  if (!isBound) {
    const sentence = `Entry ${number} does not follow from its neighbours: one of them was exchanged or removed.`;
    return { name, outcome: 'broken', finding: 'ledger/chain', sentence };
  }
  const sentence =
    after === undefined
      ? `Entry ${number} follows on ${number - 1} and is the last one so far.`
      : `Entry ${number} stands between ${number - 1} and ${number + 1}, each holding the digest of the one before.`;
  return { name, outcome: 'holds', finding: 'ledger/entry', sentence };
}

/** Whether the ledger still has what the record remembers of it. */
function anchorCheck(
  ledger: LedgerFile,
  { entry, digest }: { readonly entry: number; readonly digest: string },
): Check {
  const name = 'ledger: anchor';
  if (ledger.at(entry)?.digest === digest) {
    const sentence = `The record remembers entry ${entry} with the digest that it has.`;
    return { name, outcome: 'holds', finding: 'ledger/anchor', sentence };
  }
  const sentence = `The record remembers entry ${entry} with another digest than it has, or it is gone: the ledger was written anew, cut off or exchanged.`;
  return { name, outcome: 'broken', finding: 'ledger/rewritten', sentence };
}
