import { StallmarkError, unreachable } from '../base/error.js';
import { confirmsClock, entryDigest, FIRST_PREVIOUS, type Entry } from './ledger.js';
import { openLedger, type LedgerFile } from './sqlite.js';
import { readNumber } from './numbering.js';

/** What can be wrong with a ledger; each has its own sentence. */
export type FindingName =
  /** Pages, columns or the rules of the table are not as this program writes them. */
  | 'unreadable'
  /** An entry number is skipped: an entry was removed. */
  | 'gap'
  /** An entry does not have the digest it carries: it was changed. */
  | 'digest'
  /** An entry does not name the digest of the one before: one of them was exchanged. */
  | 'chain'
  /** An entry is earlier than the one before and nobody confirmed the clock. */
  | 'clock'
  /** An attempt was begun and has neither record nor reason. */
  | 'interrupted'
  /** A record or an abort without the attempt it ends, or a second one. */
  | 'unbegun'
  | 'ended-twice'
  /** Certificate numbers that are skipped, given twice, or not the one that was reserved. */
  | 'number-gap'
  | 'number-twice'
  | 'number-differs'
  /** A certificate names an entry that is not there any more: the end was cut off, or an old copy restored. */
  | 'cut-off'
  /** A certificate names another digest for an entry: the ledger was written anew. */
  | 'rewritten';

export interface Finding {
  readonly name: FindingName;
  /** Number of the entry it was found at. */
  readonly entry: number;
  /** One sentence. */
  readonly what: string;
}

/** An entry as a sealed certificate remembers it. */
export interface Anchor {
  readonly entry: number;
  readonly digest: string;
  /** Number of the certificate, for the sentence. */
  readonly from: string;
}

export interface Audit {
  readonly entries: number;
  /** Digest of the last entry: write it down elsewhere and a cut end will show. */
  readonly last: string;
  /** Empty when the ledger is clean. */
  readonly findings: readonly Finding[];
}

/**
 * Holds every entry against the one before, and the whole against what certificates remember of it.
 *
 * Somebody who can write the file can compute digests too: a changed last entry, a cut end or a
 * ledger written anew shows only against `anchors`.
 *
 * @param entries - Oldest first, as the ledger yields them.
 * @param anchors - Entry and digest out of certificates that verify.
 */
export function auditLedger(entries: Iterable<Entry>, anchors: readonly Anchor[] = []): Audit {
  const steps = auditSteps(entries, anchors);
  for (;;) {
    const step = steps.next();
    if (step.done === true) return step.value;
  }
}

/** Entries that are audited at a time by `auditSteps`. */
const BITE = 250;

/** The same in bites, so that others get their turn between two of them. */
export function* auditSteps(
  entries: Iterable<Entry>,
  anchors: readonly Anchor[] = [],
): Generator<undefined, Audit> {
  const findings: Finding[] = [];
  const attempts = new Attempts();
  const remembered = anchorsByEntry(anchors);
  let last: Entry | undefined;
  let count = 0;
  try {
    for (const entry of entries) {
      findings.push(...linkFindings(entry, last), ...attempts.follow(entry));
      findings.push(...anchorFindings(entry, remembered.get(entry.number) ?? []));
      last = entry;
      count += 1;
      if (count % BITE === 0) yield undefined;
    }
    findings.push(...attempts.open());
    const end = last?.number ?? 0;
    findings.push(...anchors.filter(({ entry }) => entry > end).map((a) => cutOff(a, end)));
  } catch (error) {
    if (!(error instanceof StallmarkError)) throw error;
    const entry = (last?.number ?? 0) + 1;
    findings.push(...error.problems.map(({ what }) => found('unreadable', entry, what)));
  }
  return { entries: count, last: last?.digest ?? FIRST_PREVIOUS, findings };
}

function anchorsByEntry(anchors: readonly Anchor[]): ReadonlyMap<number, readonly Anchor[]> {
  const found = new Map<number, Anchor[]>();
  for (const anchor of anchors) {
    found.set(anchor.entry, [...(found.get(anchor.entry) ?? []), anchor]);
  }
  return found;
}

/**
 * Audits a ledger file without changing it: the database itself, then its entries.
 *
 * @throws storage/unreadable, storage/unwritable, ledger/busy when the file cannot be opened at all.
 */
export function auditFile(file: string, anchors: readonly Anchor[] = []): Audit {
  const ledger = openLedger(file, { readOnly: true });
  try {
    return withFaults(auditLedger(ledger.entries(), anchors), ledger);
  } finally {
    ledger.close();
  }
}

/** Audits a ledger file as `auditFile` does, but lets others have their turn. */
export async function auditSlowly(
  file: string,
  anchors: readonly Anchor[],
  turn: () => Promise<void>,
): Promise<Audit> {
  const ledger = openLedger(file, { readOnly: true });
  try {
    const steps = auditSteps(ledger.entries(), anchors);
    for (;;) {
      const step = steps.next();
      if (step.done === true) return withFaults(step.value, ledger);
      await turn();
    }
  } finally {
    ledger.close();
  }
}

function withFaults(audit: Audit, ledger: LedgerFile): Audit {
  const faults = ledger.fileFaults().map((what) => found('unreadable', 0, what));
  return { ...audit, findings: [...faults, ...audit.findings] };
}

function found(name: FindingName, entry: number, what: string): Finding {
  return { name, entry, what };
}

function linkFindings(entry: Entry, last: Entry | undefined): readonly Finding[] {
  const findings: Finding[] = [];
  const { number } = entry;
  const expected = (last?.number ?? 0) + 1;
  if (number !== expected) {
    const missing = number - expected === 1 ? `${expected} is` : `${expected} to ${number - 1} are`;
    findings.push(found('gap', number, `Entry ${missing} missing: removed after being written.`));
  } else if (entry.previous !== (last?.digest ?? FIRST_PREVIOUS)) {
    const what = `Entry ${number} follows a digest that entry ${number - 1} does not have: one of the two was exchanged.`;
    findings.push(found('chain', number, what));
  }
  if (entryDigest(entry) !== entry.digest) {
    const what = `Entry ${number} was changed after it was written: its digest does not match.`;
    findings.push(found('digest', number, what));
  }
  if (last !== undefined && entry.at < last.at && !confirmsClock(entry)) {
    const what = `Entry ${number} of ${entry.at} is earlier than entry ${last.number} of ${last.at}, and nobody confirmed the clock.`;
    findings.push(found('clock', number, what));
  }
  return findings;
}

function anchorFindings(entry: Entry, anchors: readonly Anchor[]): readonly Finding[] {
  return anchors
    .filter((anchor) => anchor.digest !== entry.digest)
    .map(({ from }) => {
      const what = `Certificate ${from} remembers entry ${entry.number} with another digest: the ledger was written anew.`;
      return found('rewritten', entry.number, what);
    });
}

function cutOff(anchor: Anchor, end: number): Finding {
  const what = `Certificate ${anchor.from} remembers entry ${anchor.entry}, but the ledger ends at entry ${end}: its end was cut off or an old copy was restored.`;
  return found('cut-off', anchor.entry, what);
}

/** Follows attempts from their beginning to their end, and the numbers that they reserve. */
class Attempts {
  readonly #begun = new Map<string, { readonly entry: Entry; ended: boolean }>();
  readonly #counters = new Map<string, number>();

  follow(entry: Entry): readonly Finding[] {
    switch (entry.kind) {
      case 'attempt-begun':
        return this.#begin(entry);
      case 'attempt-aborted':
      case 'record-issued':
        return this.#end(entry);
      case 'note':
      case 'item-moved':
      case 'item-claimed':
      case 'bench-checked':
      case 'signed':
      case 'changed':
      case 'refused':
        return [];
      default:
        return unreachable(entry.kind);
    }
  }

  open(): readonly Finding[] {
    return [...this.#begun.values()]
      .filter(({ ended }) => !ended)
      .map(({ entry }) => {
        const what = `${attemptName(entry)} was begun at ${entry.at} and never ended: interrupted, or still going on.`;
        return found('interrupted', entry.number, what);
      });
  }

  #begin(entry: Entry): readonly Finding[] {
    this.#begun.set(keyOf(entry), { entry, ended: false });
    const number = readNumber(entry.body['certificate']);
    if (number === undefined) return [];
    const counter = `${number.prefix} ${number.year}`;
    const last = this.#counters.get(counter) ?? 0;
    this.#counters.set(counter, Math.max(last, number.count));
    const text = reservedBy(entry);
    if (number.count <= last) {
      return [found('number-twice', entry.number, `Number ${text} was given twice.`)];
    }
    if (number.count === last + 1) return [];
    const what = `Number ${text} is reserved, but the last of its kind was ${last}: those between are not in this ledger.`;
    return [found('number-gap', entry.number, what)];
  }

  #end(entry: Entry): readonly Finding[] {
    const attempt = this.#begun.get(keyOf(entry));
    if (attempt === undefined) {
      const what = `${attemptName(entry)} ended in entry ${entry.number} but was never begun.`;
      return [found('unbegun', entry.number, what)];
    }
    const findings: Finding[] = [];
    if (attempt.ended) {
      const what = `${attemptName(entry)} ended a second time in entry ${entry.number}.`;
      findings.push(found('ended-twice', entry.number, what));
    }
    attempt.ended = true;
    const reserved = reservedBy(attempt.entry);
    const used = reservedBy(entry);
    if (used !== reserved) {
      const what = `${attemptName(entry)} reserved number ${reserved} and ended with ${used}.`;
      findings.push(found('number-differs', entry.number, what));
    }
    return findings;
  }
}

const keyOf = (entry: Entry): string => JSON.stringify([entry.serial, entry.attempt]);

function reservedBy({ body }: Entry): string {
  return typeof body['certificate'] === 'string' ? body['certificate'] : '(none)';
}

const attemptName = (entry: Entry): string => `Attempt ${entry.attempt} of "${entry.serial}"`;
