import { isoInstant, readInstant } from '../base/clock.js';
import { throwIfAny, type Problem } from '../base/error.js';
import type { Entry, Ledger } from '../ledger/ledger.js';
import { pastAttempts, textIn } from './past-attempts.js';

/** ms for which a claim keeps other benches off: from the scan to the power, warnings read. */
export const LEASE = 10 * 60_000;

/** A place at which one item lies. */
export interface Claimant {
  readonly bench: string;
  readonly nest: number;
}

/** A claim that neither an attempt nor its bench has ended. */
export interface Claim extends Claimant {
  readonly entry: number;
  readonly by: string;
  /** ms since the Unix epoch. */
  readonly until: number;
}

/**
 * Finds the claim that stands open on an item, live or expired. It is spent when an attempt begins or
 * ends, and when it is given back.
 *
 * @param history - Entries of one serial, oldest first.
 */
export function openClaim(history: readonly Entry[]): Claim | undefined {
  let open: Claim | undefined;
  for (const entry of history) {
    if (entry.kind === 'item-claimed') open = readClaim(entry);
    else if (SPENDING.includes(entry.kind)) open = undefined;
  }
  return open;
}

const SPENDING: readonly Entry['kind'][] = ['attempt-begun', 'attempt-aborted', 'record-issued'];

/** Undefined when it was given back. An unreadable end lets it last as long as any. */
function readClaim({ number, at, by, body }: Entry): Claim | undefined {
  if (body['released'] === true) return undefined;
  const until = readInstant(textIn(body, 'until'));
  const nest = typeof body['nest'] === 'number' ? body['nest'] : 0;
  return {
    ...{ bench: textIn(body, 'bench'), nest, entry: number, by },
    until: Number.isFinite(until) ? until : readInstant(at) + LEASE,
  };
}

const isSame = (one: Claimant, other: Claimant): boolean =>
  one.bench === other.bench && one.nest === other.nest;

const placeOf = ({ bench, nest }: Claimant): string => `${bench}, nest ${String(nest)}`;

/**
 * Says what keeps a bench from taking an item: an attempt that goes on, or the live claim of another.
 * Its own claim may be taken up again, as after a loss of power.
 *
 * @param history - Entries of one serial, oldest first.
 * @param now - ms since the Unix epoch.
 */
export function claimProblems(
  history: readonly Entry[],
  claimant: Claimant,
  now: number,
): readonly Problem[] {
  const running = pastAttempts(history).find(({ ended }) => ended === undefined);
  if (running !== undefined) {
    const what = `Attempt ${running.attempt} of ${running.serial} goes on at ${running.bench} since ${running.begun}.`;
    const fix = 'Let it end; when its bench has lost power, start a test there, which ends it.';
    return [{ code: 'serial/claimed', what, fix }];
  }
  const open = openClaim(history);
  if (open === undefined || isSame(open, claimant) || now >= open.until) return [];
  const what = `The item is claimed by ${placeOf(open)} (${open.by}) until ${isoInstant(open.until)}.`;
  const fix = `Test it there, have it given back there, or wait until then.`;
  return [{ code: 'serial/claimed', what, fix }];
}

/** Who claims which item. */
export interface Claiming extends Claimant {
  readonly serial: string;
  readonly by: string;
  readonly simulated: boolean;
}

/** Entries of a claim belong to the item; the attempt is not begun. */
const NO_ATTEMPT = 0;

/**
 * Enters that a bench takes an item, judged while no other program can append: of two benches at once
 * one wins and the other is refused. A claim that it follows is stated in the entry.
 *
 * @param now - ms since the Unix epoch.
 * @param lease - ms.
 * @throws serial/claimed; as `Ledger.append`.
 */
export function claimItem(ledger: Ledger, claim: Claiming, now: number, lease = LEASE): Entry {
  const { serial, bench, nest, by, simulated } = claim;
  return ledger.append(() => {
    const history = ledger.of(serial);
    throwIfAny(claimProblems(history, claim, now));
    const open = openClaim(history);
    const body = {
      ...{ bench, nest, simulated, until: isoInstant(now + lease) },
      ...(open === undefined ? {} : follows(open, claim)),
    };
    return { kind: 'item-claimed', serial, attempt: NO_ATTEMPT, by, body };
  }, now);
}

/** What is said of the claim before: taken up again by its bench, or expired at another one. */
function follows(open: Claim, claim: Claimant): Entry['body'] {
  if (isSame(open, claim)) return { resumes: open.entry };
  const { entry, bench, nest, until } = open;
  return { expired: { entry, bench, nest, until: isoInstant(until) } };
}

/**
 * Enters that a bench gives an item back before an attempt. Does nothing when it holds no claim.
 *
 * @param now - ms since the Unix epoch.
 */
export function releaseClaim(ledger: Ledger, claim: Claiming, now: number): Entry | undefined {
  const { serial, bench, nest, by, simulated } = claim;
  const open = openClaim(ledger.of(serial));
  if (open === undefined || !isSame(open, claim)) return undefined;
  const body = { bench, nest, simulated, until: isoInstant(now), released: true };
  return ledger.append({ kind: 'item-claimed', serial, attempt: NO_ATTEMPT, by, body }, now);
}
