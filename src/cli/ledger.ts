import { EXIT } from '../base/codes.js';
import { systemClock } from '../base/clock.js';
import { StallmarkError, throwIfAny } from '../base/error.js';
import { auditFile } from '../ledger/audit.js';
import { confirmClock, type Entry } from '../ledger/ledger.js';
import { openLedger } from '../ledger/sqlite.js';
import { roleProblems } from '../people/session.js';
import { nearRowsOf } from '../readiness/near-limits.js';
import { ledgerFile } from '../run/places.js';
import type { Terminal } from './terminal.js';
import { actorFor, type ActorOptions } from './who.js';

export interface LedgerOptions {
  readonly data: string;
  readonly json?: true;
}

export interface ClockOptions extends ActorOptions {
  readonly data: string;
  readonly why: string;
}

/** Enters that a named person vouches for the clock; the step back stays visible for good. */
export async function confirmLedgerClock(options: ClockOptions, to: Terminal): Promise<number> {
  const file = ledgerFile(options.data);
  openLedger(file, { readOnly: true }).close(); // a ledger that is not there is not made for this
  const ledger = openLedger(file);
  try {
    const actor = await actorFor({ role: 'quality engineer', ...options }, ledger, to);
    throwIfAny(roleProblems(actor, ['quality engineer'], 'vouch for the clock'));
    const entry = confirmClock(ledger, actor.by, options.why, systemClock.now());
    to.out(`Entry ${String(entry.number)}: ${actor.by} vouches for ${entry.at}.`);
    return EXIT.conforming;
  } finally {
    ledger.close();
  }
}

/** Reads the ledger; none of the three calls can change it. */
export function readLedger(
  call: 'list' | 'show' | 'audit',
  serial: string | undefined,
  options: LedgerOptions,
  to: Terminal,
): number {
  if (call === 'audit') return audit(options, to);
  const ledger = openLedger(ledgerFile(options.data), { readOnly: true });
  try {
    const entries = serial === undefined ? [...ledger.entries()] : ledger.of(serial);
    if (serial !== undefined && entries.length === 0) {
      const what = `The ledger in "${options.data}" has no entry of serial "${serial}".`;
      const fix = 'List the serials with: stallmark ledger list.';
      throw new StallmarkError([{ code: 'usage/argument', what, fix }]);
    }
    if (options.json === true) to.out(JSON.stringify(entries, null, 2));
    else if (call === 'list') to.out(listing(entries));
    else for (const entry of entries) to.out(detail(entry));
    return 0;
  } finally {
    ledger.close();
  }
}

/** One line an attempt: when it was begun, what became of it. */
function listing(entries: readonly Entry[]): string {
  const rows = entries
    .filter((e) => e.kind === 'attempt-begun')
    .map((begun) => {
      const end = entries.find(
        (e) =>
          e.number > begun.number &&
          (e.kind === 'record-issued' || e.kind === 'attempt-aborted') &&
          e.serial === begun.serial &&
          e.attempt === begun.attempt,
      );
      return [
        begun.at.slice(0, 19) + 'Z',
        begun.serial,
        `attempt ${String(begun.attempt)}`,
        told(begun, 'certificate'),
        outcomeOf(end),
        told(end, 'reason'),
      ];
    });
  if (rows.length === 0) return 'No attempt is entered yet.';
  const widths = [0, 1, 2, 3, 4].map((i) => Math.max(...rows.map((row) => row[i]?.length ?? 0)));
  return rows
    .map((row) =>
      row
        .map((cell, i) => cell.padEnd(widths[i] ?? 0))
        .join('  ')
        .trimEnd(),
    )
    .join('\n');
}

/** A text in the body of an entry; empty when it holds none of this name. */
function told(entry: Entry | undefined, name: string): string {
  const value = entry?.body[name];
  return typeof value === 'string' ? value : '';
}

function outcomeOf(end: Entry | undefined): string {
  if (end === undefined) return 'not ended';
  return end.kind === 'record-issued' ? told(end, 'verdict') : 'aborted';
}

function detail(entry: Entry): string {
  const head = `${String(entry.number).padStart(6)}  ${entry.at}  ${entry.kind}  ${entry.serial}  attempt ${String(entry.attempt)}  by ${entry.by}`;
  const body = JSON.stringify(entry.body, null, 2).replaceAll('\n', '\n        ');
  const near = (nearRowsOf(entry) ?? []).map(
    ({ label, used }) =>
      `        △ near limit: ${label}, ${(100 * used).toFixed(0)} % of the tolerance used\n`,
  );
  return `${head}\n${near.join('')}        ${body}\n        after ${entry.previous}\n        digest ${entry.digest}`;
}

function audit(options: LedgerOptions, to: Terminal): number {
  const found = auditFile(ledgerFile(options.data));
  if (options.json === true) to.out(JSON.stringify(found, null, 2));
  else {
    for (const { name, what } of found.findings) to.out(`✗ ${name}: ${what}`);
    const clean =
      found.findings.length === 0 ? 'clean' : `${String(found.findings.length)} findings`;
    to.out(`${String(found.entries)} entries, ${clean}; last digest ${found.last}`);
  }
  return found.findings.length === 0 ? EXIT.conforming : EXIT.storage;
}
