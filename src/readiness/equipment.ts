import { dayAt, daysBetween, instantKey, isDay, timeKey, type Zone } from '../base/calendar.js';
import type { ErrorCode } from '../base/codes.js';
import { unreachable } from '../base/error.js';
import type { NonEmpty } from '../base/numbers.js';
import type {
  Calibration,
  Instrument,
  RegisteredInstrument,
  Station,
} from '../procedure/station.js';
import type { Check } from './readiness.js';

/** Days before the due date from which people are told. */
const SOON = 30;

/** ms for which an attempt counts as one in progress; longer than any, and shorter than a due date forgotten. */
const IN_PROGRESS = 86_400_000;

/** Which calibration of an instrument counts at an instant: one, none, or, in a wrong register, several. */
export type InForce =
  | { readonly kind: 'one'; readonly calibration: Calibration }
  | { readonly kind: 'none' }
  | { readonly kind: 'several'; readonly calibrations: NonEmpty<Calibration> };

/**
 * Finds the calibration in force at an instant: in service by then, not yet out of service, and not
 * superseded by a later one. Whether it is overdue is another question.
 *
 * @param at - ms since the Unix epoch.
 * @param zone - Where a day begins and ends.
 */
export function calibrationAt(
  { calibrations }: Pick<RegisteredInstrument, 'calibrations'>,
  at: number,
  zone: Zone,
): InForce {
  const now = instantKey(at, zone);
  const begun = calibrations.flatMap((calibration) => {
    const from = timeKey(calibration.inService, zone);
    return from === undefined || from > now ? [] : [{ calibration, from }];
  });
  const [first, ...others] = begun
    .filter(({ calibration: { outOfService }, from }) =>
      outOfService === undefined
        ? !begun.some((other) => other.from > from)
        : (timeKey(outOfService, zone) ?? '') > now,
    )
    .map(({ calibration }) => calibration);
  if (first === undefined) return { kind: 'none' };
  if (others.length > 0) return { kind: 'several', calibrations: [first, ...others] };
  return { kind: 'one', calibration: first };
}

/**
 * Copies every instrument with the calibration in force, as a record keeps it.
 *
 * @param at - ms since the Unix epoch: when the attempt was begun.
 * @throws plain Error when not exactly one calibration is in force: readiness would have refused.
 */
export function equipmentInForce(
  { register, zone }: Pick<Station, 'register' | 'zone'>,
  at: number,
): NonEmpty<Instrument> {
  const [first, ...others] = register;
  return [copyOf(first, at, zone), ...others.map((one) => copyOf(one, at, zone))];
}

function copyOf(instrument: RegisteredInstrument, at: number, zone: Zone): Instrument {
  const inForce = calibrationAt(instrument, at, zone);
  if (inForce.kind !== 'one') {
    throw new Error(`${instrument.id} was used with ${inForce.kind} calibration in force`);
  }
  const { certificate, laboratory, calibrated, due, uncertainty, correction, gain } =
    inForce.calibration;
  const factor = gain === undefined || gain === 1 ? 'none' : `gain ${String(gain)}`;
  const { id, what, serial, quantity, range } = instrument;
  return {
    ...{ id, what, serial, quantity, range, certificate, laboratory, calibrated, uncertainty },
    due: due ?? '',
    correction: correction ?? factor,
  };
}

/**
 * Judges the calibration of every instrument and the presence of a stand model.
 *
 * A date runs to the end of its day in the zone of the bench. A missing or unreadable due date is
 * overdue, not "no limit".
 *
 * @param now - ms since the Unix epoch.
 * @param begunAt - When the attempt in progress was begun, ms since the Unix epoch: its calibrations
 * are judged by that instant, so that a date which passes meanwhile lets it finish. An instant that
 * is still to come, or lies more than a day back, is no attempt in progress and does not count.
 */
export function equipmentChecks(
  station: Pick<Station, 'register' | 'zone' | 'stand'>,
  now: number,
  begunAt?: number,
): readonly Check[] {
  const since = begunAt === undefined ? NaN : now - begunAt;
  const at = begunAt !== undefined && since >= 0 && since <= IN_PROGRESS ? begunAt : now;
  return [
    ...station.register.map((i) => calibrationCheck(i, at, station.zone)),
    standCheck(station.stand.characterized, station.stand.version, now),
  ];
}

/** What stands against an instrument, the first of several telling state and code. */
interface Objection {
  readonly state: 'overdue' | 'failed';
  readonly code: ErrorCode;
  readonly what: string;
}

function calibrationCheck(instrument: RegisteredInstrument, at: number, zone: Zone): Check {
  const today = dayAt(at, zone);
  const inForce = calibrationAt(instrument, at, zone);
  const objections = [
    ...inForceObjections(instrument, inForce, today),
    ...futureObjections(instrument, today),
  ];
  const [first] = objections;
  const { due, calibrated } = inForce.kind === 'one' ? inForce.calibration : {};
  const isSoon = due !== undefined && isDay(due) && daysBetween(today, due) < SOON;
  const age = calibrated !== undefined && isDay(calibrated) ? daysBetween(calibrated, today) : -1;
  return {
    name: `calibration of ${instrument.what} ${instrument.id}`,
    state: first?.state ?? (isSoon ? 'due soon' : 'ok'),
    found: [foundIn(inForce), ...objections.map(({ what }) => what)]
      .filter((text) => text !== '')
      .join(': '),
    clear: 'maintenance',
    ...(first === undefined ? {} : { code: first.code }),
    ...(age < 0 ? {} : { age: age * 86_400 }),
  };
}

function foundIn(inForce: InForce): string {
  if (inForce.kind !== 'one') return '';
  const { certificate, calibrated, due } = inForce.calibration;
  return `certificate ${certificate}, calibrated ${calibrated}, due ${due ?? 'not stated'}`;
}

function inForceObjections(
  instrument: RegisteredInstrument,
  inForce: InForce,
  today: string,
): readonly Objection[] {
  switch (inForce.kind) {
    case 'one':
      return dateObjections(inForce.calibration, today);
    case 'none':
      return [{ state: 'failed', code: 'equipment/gap', what: gapSentence(instrument, today) }];
    case 'several': {
      const names = inForce.calibrations.map(({ certificate }) => certificate).join(' and ');
      const what = `certificates ${names} are in force at once on ${today}`;
      return [{ state: 'failed', code: 'equipment/overlap', what }];
    }
    default:
      return unreachable(inForce);
  }
}

function dateObjections({ calibrated, due }: Calibration, today: string): readonly Objection[] {
  const overdue = (what: string): readonly Objection[] => [
    { state: 'overdue', code: 'equipment/overdue', what },
  ];
  if (due === undefined) return overdue('no due date is stated, which counts as overdue');
  if (!isDay(due) || !isDay(calibrated)) return overdue('a date is unreadable');
  if (due <= calibrated) {
    return [{ state: 'failed', code: 'equipment/order', what: 'due before it was calibrated' }];
  }
  return today > due ? overdue(`today is ${today}`) : [];
}

/** Nobody holds a certificate from the future: the entry or the clock is wrong, also when another one is in force. */
function futureObjections(
  { calibrations }: RegisteredInstrument,
  today: string,
): readonly Objection[] {
  return calibrations
    .filter(({ calibrated }) => isDay(calibrated) && calibrated > today)
    .map(({ certificate, calibrated }) => ({
      state: 'failed',
      code: 'equipment/future',
      what: `certificate ${certificate} was calibrated on ${calibrated}, in the future; today is ${today}`,
    }));
}

function gapSentence({ calibrations }: RegisteredInstrument, today: string): string {
  const last = calibrations.filter(({ inService }) => inService.slice(0, 10) <= today).at(-1);
  const next = calibrations.find(({ inService }) => inService.slice(0, 10) > today);
  const told = [
    ...(last === undefined
      ? []
      : [`${last.certificate} is out of service from ${last.outOfService ?? last.inService}`]),
    ...(next === undefined ? [] : [`${next.certificate} is in service from ${next.inService}`]),
  ];
  return [`no calibration is in force on ${today}`, ...told].join('; ');
}

function standCheck(characterized: string, version: number, now: number): Check {
  const at = Date.parse(characterized);
  const known = Number.isFinite(at) && at <= now;
  return {
    name: 'stand model',
    state: known ? 'ok' : 'failed',
    found: `version ${version}, characterized ${characterized}`,
    clear: 'maintenance',
    ...(known ? { age: (now - at) / 1000 } : {}),
  };
}
