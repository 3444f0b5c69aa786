import type { Problem } from '../base/error.js';
import { isoInstant, readInstant } from '../base/clock.js';
import type { LabelledModel } from '../identity/identity.js';
import { serialProblems } from '../identity/serial.js';
import type { Entry } from '../ledger/ledger.js';
import type { RetestRule } from '../procedure/procedure.js';
import { claimProblems, type Claimant } from './claim.js';
import { stateAfter, TRANSITIONS, type ItemState } from './disposition.js';
import { readMove } from './item-move.js';
import { endOf, pastAttempts, textIn, type PastAttempt } from './past-attempts.js';
import { quarantineProblems } from './quarantine.js';
import { isDoublesNote } from './reconcile.js';

/** Number of the next attempt of a serial. Every attempt that was begun counts, however it ended. */
export function nextAttempt(history: readonly Entry[]): number {
  return history.filter((e) => e.kind === 'attempt-begun').length + 1;
}

/** Where an item is, as its entries tell. Kept nowhere else. */
export interface ItemStatus {
  readonly state: ItemState;
  /** One sentence: what led there. */
  readonly why: string;
  /** Instant since which it is so, ISO 8601 UTC; absent for an item without entries. */
  readonly since?: string;
  readonly attempts: readonly PastAttempt[];
  /** Attempts begun since an engineer last released the item, or since it was made. */
  readonly counted: number;
  /** Attempts allowed by then without a disposition. */
  readonly allowed: number;
}

interface Standing {
  readonly state: ItemState;
  readonly why: string;
  readonly since?: string;
  readonly counted: number;
  readonly allowed: number;
}

/**
 * Derives the state of an item from the ledger entries of its serial.
 *
 * The attempts allowed are those stated by the entry that began the last one, so that a later issue of
 * the procedure takes no item out of quarantine. What cannot be read is in quarantine.
 *
 * @param history - Entries of one serial, oldest first; entries of other kinds change nothing.
 * @param attempts - Attempts allowed without a disposition where the entries do not say, ≥ 1.
 */
export function statusOf(history: readonly Entry[], attempts: number): ItemStatus {
  const past = pastAttempts(history);
  const start: Standing = {
    state: 'awaiting',
    why: 'It was never tested.',
    counted: 0,
    allowed: attempts,
  };
  const standing = history.reduce((before, entry) => after(before, entry, past), start);
  return { ...standing, attempts: past };
}

function after(before: Standing, entry: Entry, past: readonly PastAttempt[]): Standing {
  const { kind, at: since, attempt, by } = entry;
  if (kind === 'attempt-begun') {
    const begun = past.find((one) => one.entry === entry.number);
    return {
      state: 'in test',
      why: `Attempt ${attempt} was begun at ${begun?.bench ?? ''} by ${by} and has not ended.`,
      since,
      counted: before.counted + 1,
      allowed: begun?.allowed ?? before.allowed,
    };
  }
  if (kind === 'item-moved') return afterMove(before, entry);
  if (isDoublesNote(entry)) {
    const why = 'It was tested at two benches that did not know of each other.';
    return { ...before, state: 'quarantined', why, since };
  }
  return afterEnd(before, entry, past);
}

function afterEnd(before: Standing, entry: Entry, past: readonly PastAttempt[]): Standing {
  const ended = endOf(entry);
  if (ended === undefined) return before;
  const state = stateAfter(ended.end, before.counted >= before.allowed);
  const { attempt, body, at: since } = entry;
  const bench = past.find((one) => one.attempt === attempt)?.bench ?? '';
  const record = entry.kind === 'record-issued' ? `, record ${textIn(body, 'certificate')}` : '';
  const reason = ended.reason === '' ? '' : `: ${ended.reason}`;
  const limit =
    state === 'quarantined'
      ? ` It had ${before.counted} of ${before.allowed} attempts allowed without a disposition.`
      : '';
  const why = `Attempt ${attempt} at ${bench} ended ${ended.word} on ${since.slice(0, 10)}${record}${reason}${/[.!]$/u.test(reason) ? '' : '.'}${limit}`;
  return { ...before, state, why, since };
}

function afterMove(before: Standing, entry: Entry): Standing {
  const { number, at: since, by } = entry;
  const move = readMove(entry);
  if (move?.from !== before.state) {
    const why = `Entry ${number} moves it in a way that no rule allows from "${before.state}".`;
    return { ...before, state: 'quarantined', why, since };
  }
  // A release by an engineer, and a rework on record, give the attempts of the procedure anew.
  const counted = move.to === 'released for retest' ? 0 : before.counted;
  return { ...before, state: move.to, counted, why: `${by}: ${move.why}`, since };
}

/** The next attempt and the last one allowed: what a certificate states as "attempt 2 of 3 allowed". */
export interface Allowance {
  readonly attempt: number;
  readonly of: number;
}

/**
 * Reckons which attempt the next one is, of how many.
 *
 * @param history - Entries of the serial before the attempt begins.
 * @param attempts - Attempts the procedure allows without a disposition.
 */
export function allowance(history: readonly Entry[], attempts: number): Allowance {
  const { attempts: past, counted } = statusOf(history, attempts);
  return { attempt: past.length + 1, of: past.length - counted + attempts };
}

/** An allowance in the words of the certificate. */
export function allowanceWords({ attempt, of }: Allowance): string {
  return `attempt ${attempt} of ${of} allowed`;
}

/** What decides whether an attempt of an item may begin. */
export interface Attempting extends Claimant {
  readonly serial: string;
  readonly model: LabelledModel;
  /** Lot on the label, where it names one. */
  readonly lot?: string;
  /** Attempts the procedure allows without a disposition, ≥ 1. */
  readonly attempts: number;
  /** What attempts after the first have to keep to; nothing when left out. */
  readonly retest?: RetestRule;
  /** Entries of the serial, oldest first. */
  readonly history: readonly Entry[];
  /** Entries without a serial, oldest first: they hold the quarantines. */
  readonly general: Iterable<Entry>;
  /** ms since the Unix epoch. */
  readonly now: number;
}

/**
 * Everything that stands against another attempt of an item: a serial written otherwise, its state, the
 * rule of the procedure for retests, a claim of another bench, a quarantine.
 *
 * An accepted item is not tested into a second certificate, a rejected or undecided one waits for a
 * quality engineer, and one whose measurement was invalid or broken off may be tried again up to the
 * number of attempts. All attempts stay in the ledger, so that the best of several cannot be chosen.
 */
export function attemptProblems(a: Attempting): readonly Problem[] {
  const { serial, model, history } = a;
  const status = statusOf(history, a.attempts);
  return [
    ...writtenOtherwise(serial),
    ...serialProblems(serial, model),
    ...stateProblems(status),
    ...retestProblems(status, a),
    ...(status.state === 'in test' ? [] : claimProblems(history, a, a.now)),
    ...quarantineProblems(
      { serial, model: model.code, lot: a.lot, attempts: status.attempts },
      a.general,
    ),
  ];
}

/** One text, one serial: another form of the same letters would begin a count of its own. */
function writtenOtherwise(serial: string): readonly Problem[] {
  if (serial === serial.normalize('NFC')) return [];
  const what = `The serial "${serial}" is written in letters and marks apart (not in form NFC).`;
  return [{ code: 'serial/grammar', what, fix: 'Scan the label; it is read in the right form.' }];
}

function stateProblems({ state, why }: ItemStatus): readonly Problem[] {
  if (TRANSITIONS[state].begin !== undefined) return [];
  const what = `This item may not be tested now, it is ${state}. ${why}`;
  const fix =
    state === 'in test'
      ? 'Let the attempt end; when its bench has lost power, start a test there, which ends it.'
      : 'Set the item aside and ask a quality engineer for a disposition.';
  return [{ code: 'serial/attempts', what, fix }];
}

/** The rule for retests, where the item may be tested at all; it spares no attempt, also after a release. */
function retestProblems(status: ItemStatus, a: Attempting): readonly Problem[] {
  const last = status.attempts.at(-1);
  if (a.retest === undefined || last?.ended === undefined) return [];
  if (TRANSITIONS[status.state].begin === undefined) return [];
  const { coolDown, bench } = a.retest;
  const { attempt, ended } = last;
  const problems: Problem[] = [];
  const from = readInstant(ended.at) + 1000 * coolDown;
  if (a.now < from) {
    const what = `Attempt ${attempt} ended at ${isoInstant(readInstant(ended.at))} and it is ${isoInstant(a.now)}, but ${String(coolDown / 60)} min must lie between two attempts.`;
    // Instants are told in whole seconds: never before the wait is over.
    const fix = `Let the item cool down until ${isoInstant(from + 999)}.`;
    problems.push({ code: 'serial/cool-down', what, fix });
  }
  const isThere = last.bench === a.bench;
  if (bench !== 'any' && isThere !== (bench === 'same')) {
    const what = `Attempt ${attempt} was at ${last.bench} and this is ${a.bench}, but a retest takes ${bench === 'same' ? 'the same bench' : 'another bench'}.`;
    const where = bench === 'same' ? `at ${last.bench}` : `at any bench but ${last.bench}`;
    problems.push({ code: 'serial/retest-bench', what, fix: `Test the item ${where}.` });
  }
  return problems;
}
