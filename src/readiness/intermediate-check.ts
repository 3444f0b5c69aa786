import { dayAfter, dayAt, daysBetween, isDay } from '../base/calendar.js';
import { readInstant } from '../base/clock.js';
import { throwIfAny, type Problem } from '../base/error.js';
import { writeInstead } from '../base/report.js';
import type { Decision } from '../decision/decision.js';
import { confirmsClock, type Entry, type Ledger } from '../ledger/ledger.js';
import type { ReferenceRegister } from '../procedure/reference-items.js';
import { isSimulated, type RegisteredInstrument, type Station } from '../procedure/station.js';
import type { Actor } from './disposition.js';
import { calibrationAt } from './equipment.js';
import { textIn } from './past-attempts.js';
import type { Check, CheckState } from './readiness.js';
import { isOfBench } from './reference.js';
import { readReferenceEntry } from './reference-entry.js';

/** A check of an instrument between two calibrations, as a person entered it. */
export interface IntermediateChecked {
  readonly bench: string;
  readonly simulated: boolean;
  /** Its number in the register. */
  readonly instrument: string;
  readonly ok: boolean;
  readonly why: string;
  readonly entry: number;
  /** ISO 8601. */
  readonly at: string;
  readonly by: string;
}

const CHECK = 'intermediate';

/** Reads a check back; undefined for any other entry, and for one that names no instrument. */
export function readIntermediate(entry: Entry): IntermediateChecked | undefined {
  const { kind, body, number, at, by } = entry;
  if (kind !== 'bench-checked' || body['check'] !== CHECK) return undefined;
  const [bench, instrument] = [textIn(body, 'bench'), textIn(body, 'instrument')];
  if (bench === '' || instrument === '') return undefined;
  const simulated = body['simulated'] !== false;
  // What is not said to hold counts as off.
  const ok = body['ok'] === true;
  return { bench, simulated, instrument, ok, why: textIn(body, 'why'), entry: number, at, by };
}

/** Part of the body of an entry `record-issued`: whether the run found the shunt of its bench again. */
export function shuntBody(
  bench: string,
  gates: Decision['gates'],
): { readonly shunt?: { readonly bench: string; readonly holds: boolean } } {
  const shunts = gates.filter(({ id }) => id === 'shunt');
  if (shunts.length === 0) return {};
  return { shunt: { bench, holds: shunts.every(({ holds }) => holds) } };
}

/** What intermediate checks are judged by. */
export interface IntermediateSituation {
  readonly station: Pick<Station, 'id' | 'kind' | 'zone' | 'register' | 'checks'>;
  /** Reference items, where there are any. */
  readonly references: ReferenceRegister | undefined;
  readonly ledger: Pick<Ledger, 'of' | 'newestFirst'>;
  /** ms since the Unix epoch. */
  readonly now: number;
}

/** Share of the interval before its end in which people are told that a check falls due. */
const SOON = 1 / 8;

/**
 * Judges for each instrument that is to be checked between calibrations when that was last done: ok, due
 * soon, overdue or failed. The calibration in force is such a check as well. The last day runs to its end.
 *
 * An instrument that a person found to be off locks the bench until a person finds that it holds, or
 * until a calibration of a later day is in service. After a step back of the clock nobody knows the age of a check
 * before it, which then does not count.
 */
export function intermediateChecks(s: IntermediateSituation): readonly Check[] {
  const isRequired = s.station.checks?.intermediate?.required !== false;
  return s.station.register.flatMap((instrument) => {
    if (instrument.intermediateCheck === undefined) return [];
    const check = judge(instrument, instrument.intermediateCheck, s);
    const isTold = isRequired || check.state === 'failed' || check.state === 'ok';
    return [isTold ? check : { ...check, blocks: false as const }];
  });
}

function judge(instrument: RegisteredInstrument, every: number, s: IntermediateSituation): Check {
  const { zone } = s.station;
  const today = dayAt(s.now, zone);
  const name = `intermediate check of ${instrument.what} ${instrument.id}`;
  const check = (state: CheckState, found: string, day?: string): Check => ({
    ...{ name, state, found, clear: 'maintenance' },
    ...(day === undefined ? {} : { age: 86_400 * daysBetween(day, today) }),
  });
  const calibrated = calibratedDay(instrument, s);
  const entered = enteredOf(instrument.id, s).at(-1);
  if (entered !== undefined && !entered.ok && !(calibrated > dayOf(entered, zone))) {
    return check(
      'failed',
      `entry ${entered.entry} of ${entered.at} by ${entered.by}: ${entered.why}`,
    );
  }
  const done = lastDone(instrument, entered, s);
  const doubt = doubtAbout(done, s);
  const checked = done === undefined || doubt !== undefined ? '' : dayOf(done, zone);
  const day = checked > calibrated ? checked : calibrated;
  const told = doubt ?? done?.told ?? untold(entered);
  if (day === '') return check('not run', `${told}; due every ${every} days`);
  const due = dayAfter(day, every);
  const left = daysBetween(today, due);
  const state = left < 0 ? 'overdue' : left < SOON * every ? 'due soon' : 'ok';
  const since = day === checked ? told : `${told}; calibrated ${calibrated}`;
  return check(state, `${since}; due every ${every} days, by ${due}`, day);
}

/** The day of the calibration in force; '' where none or several are, which is refused for itself. */
function calibratedDay(instrument: RegisteredInstrument, s: IntermediateSituation): string {
  const { zone } = s.station;
  const inForce = calibrationAt(instrument, s.now, zone);
  if (inForce.kind !== 'one') return '';
  const { calibrated } = inForce.calibration;
  return isDay(calibrated) && calibrated <= dayAt(s.now, zone) ? calibrated : '';
}

/** In words, that no check counts; one that was off may lie before a calibration. */
function untold(entered: IntermediateChecked | undefined): string {
  if (entered === undefined) return 'never checked in this ledger';
  return `not checked since it was off in entry ${entered.entry}`;
}

/** Something that counts as a check. */
interface Done {
  readonly entry: number;
  readonly at: string;
  readonly told: string;
}

const dayOf = ({ at }: Pick<Done, 'at'>, zone: string): string => dayAt(readInstant(at), zone);

function enteredOf(
  instrument: string,
  { station, ledger }: IntermediateSituation,
): readonly IntermediateChecked[] {
  return ledger
    .of('')
    .flatMap((entry) => readIntermediate(entry) ?? [])
    .filter((one) => one.instrument === instrument && isOfBench(one, station));
}

/** The last check that held, of those that count for the instrument. */
function lastDone(
  { checkedBy, intermediateCheck = 0 }: RegisteredInstrument,
  entered: IntermediateChecked | undefined,
  s: IntermediateSituation,
): Done | undefined {
  const byPerson = entered?.ok === true ? [doneBy(entered, 'checked')] : [];
  const automatic =
    checkedBy === 'reference'
      ? referencesHeld(s)
      : checkedBy === 'shunt'
        ? shuntFound(s, intermediateCheck)
        : [];
  return [...byPerson, ...automatic].toSorted((a, b) => a.entry - b.entry).at(-1);
}

const doneBy = (
  { entry, at }: { readonly entry: number; readonly at: string },
  how: string,
): Done => ({ entry, at, told: `${how} ${at.slice(0, 10)}, entry ${entry}` });

/** The last check with each good reference item, where it held. */
function referencesHeld({ references, ledger, station }: IntermediateSituation): readonly Done[] {
  const good = references?.items.filter(({ kind }) => kind === 'good') ?? [];
  return good.flatMap(({ serial }) => {
    const held = ledger
      .of(serial)
      .flatMap((entry) => readReferenceEntry(entry) ?? [])
      .findLast((checked) => checked.ok && checked.kind === 'good' && isOfBench(checked, station));
    return held === undefined ? [] : [doneBy(held, `reference item ${serial} held`)];
  });
}

/** The last run on the bench that found the shunt again, within the interval and a day. */
function shuntFound(
  { ledger, station, now }: IntermediateSituation,
  every: number,
): readonly Done[] {
  const oldest = now - 86_400_000 * (every + 1);
  for (const entry of ledger.newestFirst()) {
    if (readInstant(entry.at) < oldest) return [];
    if (isShuntFound(entry, station)) {
      return [doneBy({ entry: entry.number, at: entry.at }, 'shunt found again')];
    }
  }
  return [];
}

function isShuntFound({ kind, body }: Entry, station: IntermediateSituation['station']): boolean {
  const { shunt } = body;
  if (kind !== 'record-issued' || typeof shunt !== 'object' || shunt === null) return false;
  if (Array.isArray(shunt)) return false;
  const { bench, holds } = shunt as { readonly [key: string]: unknown };
  const simulated = body['simulated'] !== false;
  return holds === true && typeof bench === 'string' && isOfBench({ bench, simulated }, station);
}

/** Why the age of a check is not known. */
function doubtAbout(
  done: Done | undefined,
  { ledger, now }: IntermediateSituation,
): string | undefined {
  if (done === undefined) return undefined;
  if (readInstant(done.at) > now) return `${done.told}, which is still to come by this clock`;
  const isSetBack = ledger.of('').some((e) => e.number > done.entry && confirmsClock(e));
  return isSetBack ? `the clock was set back since ${done.told}` : undefined;
}

/** What a person found. */
export interface IntermediateOrder {
  readonly station: Pick<Station, 'id' | 'kind' | 'register'>;
  readonly instrument: string;
  readonly ok: boolean;
  readonly why: string;
  readonly actor: Actor;
}

/**
 * Enters that a person checked an instrument between two calibrations.
 *
 * @param now - ms since the Unix epoch.
 * @throws people/role, usage/argument with everything that is wrong; as `Ledger.append`.
 */
export function enterIntermediate(ledger: Ledger, order: IntermediateOrder, now: number): Entry {
  const { station, instrument, ok, why, actor } = order;
  throwIfAny([...roleProblems(actor), ...whyProblems(why), ...instrumentProblems(order)]);
  const place = { bench: station.id, simulated: isSimulated(station) };
  const body = { check: CHECK, ...place, instrument, ok, why: why.trim() };
  return ledger.append({ kind: 'bench-checked', serial: '', attempt: 0, by: actor.by, body }, now);
}

function roleProblems({ by, roles }: Actor): readonly Problem[] {
  if (roles.includes('maintenance') || roles.includes('quality engineer')) return [];
  const what = `An instrument is checked by maintenance or a quality engineer, but ${by} is: ${roles.join(', ') || 'none'}.`;
  return [{ code: 'people/role', what, fix: 'Have it checked by one of them.' }];
}

function whyProblems(why: string): readonly Problem[] {
  if (why.trim() !== '') return [];
  const what = 'A check of an instrument does not say what was found.';
  return [{ code: 'usage/argument', what, fix: 'State how it was checked and what was found.' }];
}

function instrumentProblems({ station, instrument }: IntermediateOrder): readonly Problem[] {
  const ids = station.register.map(({ id }) => id);
  if (ids.includes(instrument)) return [];
  const what = `${station.id} has no instrument "${instrument}"; it has: ${ids.join(', ')}.`;
  const fix = writeInstead(instrument, ids, 'Give one of them.');
  return [{ code: 'usage/argument', what, fix }];
}
