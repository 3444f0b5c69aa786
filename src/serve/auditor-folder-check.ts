import { existsSync } from 'node:fs';
import { setImmediate as turn } from 'node:timers/promises';
import type { Trust } from '../certificate/verify-seal.js';
import {
  anchorOf,
  folderSentence,
  verifyFolder,
  type FolderReport,
  type RecordRow,
} from '../certificate/verify-folder.js';
import { auditSlowly, type Audit } from '../ledger/audit.js';
import type { Entry } from '../ledger/ledger.js';
import { openLedger } from '../ledger/sqlite.js';
import { retiredAt } from '../people/change.js';
import { ledgerFile } from '../run/places.js';
import type { FolderLine, FolderProgressView, FolderView } from './auditor-views.js';

/** Entries that are read at a time. */
const BITE = 250;

/**
 * Verifies every record below a folder, looks for gaps in their numbers, and audits the ledger there.
 * Others get their turn between two records, and between a few entries of the ledger.
 *
 * @throws storage/unreadable, ledger/*.
 */
export async function checkFolder(
  root: string,
  trust: Trust,
  told: (progress: FolderProgressView) => void,
): Promise<FolderView> {
  const file = ledgerFile(root);
  const hasLedger = existsSync(file);
  const entries = hasLedger ? await entriesOf(file, told) : undefined;
  const against =
    entries === undefined
      ? trust
      : { ...trust, ledgerEntries: entries, retiredAt: (id: string) => retiredAt(entries, id) };
  const report = await verifyFolder(root, against, async (done, of) => {
    told({ phase: 'verifying records', done, of });
    await turn();
  });
  if (!hasLedger) {
    const sentence =
      'There is no ledger in this folder: nothing says which records should be here.';
    return folderView(report, [], sentence);
  }
  let done = 0;
  const of = entries?.length ?? 0;
  const audit = await auditSlowly(file, report.records.flatMap(anchorOf), async () => {
    done = Math.min(of, done + BITE);
    told({ phase: 'auditing the ledger', done, of });
    await turn();
  });
  const findings = audit.findings.map(({ what }) => what);
  return folderView(report, findings, ledgerSentence(audit));
}

function folderView(
  report: FolderReport,
  ledgerFindings: readonly string[],
  sentence: string,
): FolderView {
  const { missing, duplicates } = report;
  return {
    ...{ missing, duplicates, ledgerFindings },
    records: report.records.map(folderLine),
    recordsSentence: folderSentence(report),
    ledgerSentence: sentence,
    intact: report.intact && ledgerFindings.length === 0,
  };
}

function folderLine({ folder, identity, state, checks }: RecordRow): FolderLine {
  return {
    ...{ folder, state },
    number: identity?.number ?? '',
    revision: identity?.revision ?? 0,
    serial: identity?.serial ?? '',
    verdict: identity?.verdict ?? '',
    broken: checks.flatMap(({ outcome, sentence }) => (outcome === 'broken' ? [sentence] : [])),
  };
}

async function entriesOf(
  file: string,
  told: (progress: FolderProgressView) => void,
): Promise<readonly Entry[]> {
  const ledger = openLedger(file, { readOnly: true });
  const entries: Entry[] = [];
  const of = ledger.last()?.number ?? 0;
  try {
    for (const entry of ledger.entries()) {
      entries.push(entry);
      if (entries.length % BITE !== 0) continue;
      told({ phase: 'reading the ledger', done: entries.length, of });
      await turn();
    }
    return entries;
  } finally {
    ledger.close();
  }
}

function ledgerSentence({ entries, last, findings }: Audit): string {
  if (findings.length === 0) {
    return `The ledger is unbroken: ${entries} entries, each holding the digest of the one before; the last is ${last.slice(0, 8)} … ${last.slice(-4)}.`;
  }
  return `The ledger is not clean: ${findings.length} ${findings.length === 1 ? 'finding' : 'findings'} in ${entries} entries.`;
}
