import { dayAt, daysBetween, type Zone } from '../base/calendar.js';
import { readInstant } from '../base/clock.js';
import type { Problem } from '../base/error.js';
import { second } from '../base/units.js';
import { confirmsClock, type Entry, type Ledger } from '../ledger/ledger.js';
import type { ReferenceItem, ReferenceRegister } from '../procedure/reference-items.js';
import { isSimulated, type ReferencePolicy, type Station } from '../procedure/station.js';
import type { Check, CheckState } from './readiness.js';
import { readReferenceEntry, type ReferenceChecked } from './reference-entry.js';

/** What checks with reference items are judged by. */
export interface ReferenceSituation {
  /** Absent when none lies beside the bench description. */
  readonly register: ReferenceRegister | undefined;
  readonly station: Pick<Station, 'id' | 'kind' | 'zone' | 'checks'>;
  /** Code of the model that is to be tested. */
  readonly model: string;
  readonly ledger: Pick<Ledger, 'of' | 'newestFirst'>;
  /** ms since the Unix epoch. */
  readonly now: number;
}

/** Where a bench with a register states no policy. Source: common practice, no source. */
const DEFAULT_POLICY: ReferencePolicy = { within: second(8 * 3600), items: 200, required: true };
/** Share of its validity from which on people are told that a check will be due. */
const SOON = 7 / 8;
/** Days before the values of an item expire from which on people are told. */
const EXPIRES_SOON = 30;

/**
 * Judges the checks with every reference item of a model on a bench: ok, due soon, overdue, failed or
 * not run; of other models those that failed.
 *
 * Time is judged by the order of the ledger as well as by the clock: every attempt since the last
 * check counts whatever the clock says, and after a step back of the clock nobody can tell the age of
 * a check any more, so that it is overdue. Where the bench does not require checks, what is missing
 * does not refuse; what failed always does.
 *
 * @returns Nothing for a bench that has no register and requires no checks.
 */
export function referenceChecks(s: ReferenceSituation): readonly Check[] {
  const { register, station } = s;
  const items = itemsOf(register, s.model);
  const stated = station.checks?.reference;
  const missing = missingCheck(s, stated?.required === true);
  const policy = stated ?? DEFAULT_POLICY;
  const others = register?.items.filter((item) => item.model !== s.model) ?? [];
  const checked = (item: ReferenceItem): Check => {
    const check = judge(item, trailOf(item.serial, policy.items, s), policy, s);
    return policy.required || check.state === 'failed' ? check : { ...check, blocks: false };
  };
  return [
    ...missing,
    ...items.map(checked),
    // What an item of another model proved wrong is the bench.
    ...others.map(checked).filter(({ state }) => state === 'failed'),
  ];
}

/** Reference items of a model. */
export function itemsOf(
  register: ReferenceRegister | undefined,
  model: string,
): readonly ReferenceItem[] {
  return register?.items.filter((item) => item.model === model) ?? [];
}

/** A bench that requires checks needs something to be checked with. */
function missingCheck(s: ReferenceSituation, required: boolean): readonly Check[] {
  if (!required || itemsOf(s.register, s.model).some(({ kind }) => kind === 'good')) return [];
  const found =
    s.register === undefined
      ? 'the bench requires checks with reference items, but no register of them lies beside its description'
      : `${s.register.file} has no good reference item of model ${s.model}`;
  return [{ name: 'reference items', state: 'not run', found, clear: 'quality engineer' }];
}

/** What the ledger tells about one item since its last check on this bench. */
interface Trail {
  readonly last: ReferenceChecked;
  /** Attempts begun on this bench since; no more are counted than are allowed. */
  readonly attempts: number;
  /** Whether somebody vouched for a clock that had gone back since. */
  readonly isSetBack: boolean;
}

/** Follows the ledger back to the last check with an item, or until too many attempts lie between. */
function trailOf(
  serial: string,
  most: number,
  { ledger, station }: ReferenceSituation,
): Trail | undefined {
  const last = ledger
    .of(serial)
    .flatMap((entry) => readReferenceEntry(entry) ?? [])
    .findLast((checked) => checked.item === serial && isOfBench(checked, station));
  if (last === undefined) return undefined;
  const ended = new Set<string>();
  let attempts = 0;
  let isSetBack = false;
  for (const entry of ledger.newestFirst()) {
    if (entry.number <= last.entry || attempts >= most) break;
    const key = JSON.stringify([entry.serial, entry.attempt]);
    if (ENDINGS.includes(entry.kind)) ended.add(key);
    // The attempt in progress was allowed to begin and does not count against itself.
    if (isBegunOn(entry, station.id) && ended.delete(key)) attempts += 1;
    if (confirmsClock(entry)) isSetBack = true;
  }
  return { last, attempts, isSetBack };
}

const ENDINGS: readonly Entry['kind'][] = ['record-issued', 'attempt-aborted'];

const isBegunOn = ({ kind, body }: Entry, bench: string): boolean =>
  kind === 'attempt-begun' && body['bench'] === bench;

/** Whether a check was one on this bench; on a simulated one it proves nothing of a real one. */
export function isOfBench(
  checked: Pick<ReferenceChecked, 'bench' | 'simulated'>,
  bench: Pick<Station, 'id' | 'kind'>,
): boolean {
  return checked.bench === bench.id && checked.simulated === isSimulated(bench);
}

const checkName = (serial: string): string => `reference item ${serial}`;

interface Judged {
  readonly state: CheckState;
  readonly found: string;
  readonly clear: Check['clear'];
}

function judge(
  item: ReferenceItem,
  trail: Trail | undefined,
  policy: ReferencePolicy,
  s: ReferenceSituation,
): Check {
  const age = trail === undefined ? undefined : (s.now - readInstant(trail.last.at)) / 1000;
  const name = checkName(item.serial);
  const dates = datesOf(item, s.now, s.station.zone);
  const judged =
    trail === undefined || age === undefined
      ? (dates ?? notRun(`never checked on ${s.station.id} in this ledger`))
      : (failure(trail) ?? dates ?? validity(item, { ...trail, age }, policy));
  const soon = judged.state === 'ok' ? expiresSoon(item, s.now, s.station.zone) : undefined;
  return { name, ...(soon ?? judged), ...(age === undefined || age < 0 ? {} : { age }) };
}

const notRun = (found: string): Judged => ({ state: 'not run', found, clear: 'operator' });
const overdue = (found: string): Judged => ({ state: 'overdue', found, clear: 'operator' });

function datesOf({ assigned }: ReferenceItem, now: number, zone: Zone): Judged | undefined {
  const today = dayAt(now, zone);
  const clear = 'quality engineer';
  if (assigned.date > today) {
    const found = `its values are of ${assigned.date}, in the future; today is ${today}`;
    return { state: 'overdue', found, clear };
  }
  if (today <= assigned.expires) return undefined;
  const found = `its values expired on ${assigned.expires}; today is ${today}`;
  return { state: 'overdue', found, clear };
}

function expiresSoon({ assigned }: ReferenceItem, now: number, zone: Zone): Judged | undefined {
  const days = daysBetween(dayAt(now, zone), assigned.expires);
  if (days >= EXPIRES_SOON) return undefined;
  const found = `its values expire on ${assigned.expires}`;
  return { state: 'due soon', found, clear: 'quality engineer' };
}

function failure({ last }: Trail): Judged | undefined {
  if (last.ok) return undefined;
  const found = `entry ${last.entry} of ${last.at}: ${last.reason}`;
  return { state: 'failed', found, clear: 'quality engineer' };
}

function validity(
  item: ReferenceItem,
  { last, attempts, isSetBack, age }: Trail & { readonly age: number },
  policy: ReferencePolicy,
): Judged {
  const since = `checked ${hours(age)} and ${attempts} of ${policy.items} attempts ago, allowed ${hours(policy.within)}`;
  if (isSetBack) return overdue(`the clock was set back since entry ${last.entry} of ${last.at}`);
  if (!(age >= 0)) return overdue(`checked ${last.at}, which is still to come by this clock`);
  if (last.assigned !== item.assigned.date) {
    return notRun(`its values were assigned anew on ${item.assigned.date}, after the last check`);
  }
  if (age >= policy.within || attempts >= policy.items) return overdue(since);
  const isSoon = age >= SOON * policy.within || attempts >= SOON * policy.items;
  return { state: isSoon ? 'due soon' : 'ok', found: since, clear: 'operator' };
}

const hours = (seconds: number): string => `${(seconds / 3600).toFixed(1)} h`;

/** Says on a record which checks were missing where the bench does not require them. */
export function checkDeviations(checks: readonly Check[]): readonly string[] {
  return checks
    .filter(({ state, blocks }) => blocks === false && state !== 'ok' && state !== 'due soon')
    .map(({ name, state, found }) => `Check "${name}" ${state}: ${found}.`);
}

/** Refuses a reference item that was scanned as a product. */
export function referenceProblems(
  serial: string,
  register: ReferenceRegister | undefined,
): readonly Problem[] {
  const item = register?.items.find((one) => one.serial === serial);
  if (item === undefined) return [];
  const what = `"${serial}" is a reference item (${item.what}), no product.`;
  const fix = `Scan a product, or check the bench with it: stallmark reference check ${serial}.`;
  return [{ code: 'reference/serial', what, fix }];
}
