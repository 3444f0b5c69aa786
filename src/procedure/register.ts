import { dayAfter, isDay, isZone, timeKey } from '../base/calendar.js';
import { checkDate, checkUnique } from './meaning.js';
import { subjectOf } from './structure.js';
import type { Values } from './values.js';

/**
 * Checks the register of instruments as far as it does not depend on the day: names, days that
 * exist, the order inside a calibration and between them. Adds every problem to `values`.
 *
 * A due date that is missing is let through: readiness counts it as overdue and says who clears it.
 */
export function checkRegister(values: Values): void {
  const zone = zoneOf(values);
  const instruments = values.items('/instruments');
  checkUnique(values, instruments, '/id');
  checkUnique(values, values.items('/adapters'), '/id');
  for (const instrument of instruments) {
    checkInterval(values, instrument);
    const calibrations = values.items(`${instrument}/calibrations`);
    checkUnique(values, calibrations, '/certificate');
    for (const calibration of calibrations) checkCalibration(values, calibration, zone);
    calibrations.slice(1).forEach((after, i) => {
      checkSuccession(values, calibrations[i] ?? after, after, zone);
    });
  }
}

/** What counts as a check says nothing where none is asked for. */
function checkInterval(values: Values, instrument: string): void {
  if (!values.has(`${instrument}/checked-by`)) return;
  if (values.has(`${instrument}/intermediate-check`)) return;
  const what = `${subject(values, instrument)} says what counts as its intermediate check, but not how often it is due.`;
  const fix = 'Write intermediate-check: with days such as 90 days, or delete "checked-by".';
  values.add('document/value', `${instrument}/checked-by`, what, fix);
}

/** The zone of the bench; UTC in the place of one that does not exist, which is reported. */
function zoneOf(values: Values): string {
  const zone = values.textAt('/zone');
  if (zone === undefined) return 'UTC';
  if (isZone(zone)) return zone;
  const what = `The zone is "${zone}", which is no time zone of the IANA list.`;
  values.add('document/value', '/zone', what, 'Write a zone such as Europe/Berlin, or UTC.');
  return 'UTC';
}

/** In one calibration: calibrated, then in service, then out of service; due after calibrated. */
function checkCalibration(values: Values, calibration: string, zone: string): void {
  for (const key of ['calibrated', 'due', 'in-service', 'out-of-service']) {
    checkDate(values, `${calibration}/${key}`);
  }
  const time = (key: string): string | undefined => keyAt(values, `${calibration}/${key}`, zone);
  const calibrated = time('calibrated');
  const due = time('due');
  if (calibrated !== undefined && due !== undefined && due <= calibrated) {
    report(values, calibration, 'due', 'is due on');
  }
  const inService = time('in-service');
  if (calibrated !== undefined && inService !== undefined && inService < calibrated) {
    report(values, calibration, 'in-service', 'is in service from');
  }
  const out = time('out-of-service');
  const from = startOf(values, calibration, zone);
  if (out !== undefined && from !== undefined && out <= from.key) {
    const what = `${subject(values, calibration)} is out of service from ${written(values, calibration, 'out-of-service')}, but in service only from ${from.written}.`;
    values.add('equipment/order', `${calibration}/out-of-service`, what, FIX);
  }
}

const FIX = 'Correct one of the two dates after the calibration certificate.';

function report(values: Values, calibration: string, key: string, is: string): void {
  const what = `${subject(values, calibration)} ${is} ${written(values, calibration, key)}, but was calibrated on ${written(values, calibration, 'calibrated')}.`;
  values.add('equipment/order', `${calibration}/${key}`, what, FIX);
}

/** Between two calibrations: oldest first, and the older one out before the younger one is in. */
function checkSuccession(values: Values, before: string, after: string, zone: string): void {
  const first = startOf(values, before, zone);
  const second = startOf(values, after, zone);
  if (first === undefined || second === undefined) return;
  const name = subject(values, after);
  const place = values.has(`${after}/in-service`) ? `${after}/in-service` : `${after}/calibrated`;
  if (second.key < first.key) {
    const what = `${name} is in service from ${second.written}, but the one before it in the list from ${first.written}.`;
    const fix = 'Put the calibrations in order, oldest first.';
    values.add('equipment/order', place, what, fix);
    return;
  }
  const out = keyAt(values, `${before}/out-of-service`, zone);
  if (second.key > first.key && (out === undefined || out <= second.key)) return;
  const until =
    out === undefined
      ? `from ${first.written}`
      : `until ${written(values, before, 'out-of-service')}`;
  const what = `${name} is in service from ${second.written}, while the one before it is in force ${until}: two at once.`;
  const fix =
    'Give the older one the instant at which it went out of service, or correct the dates.';
  values.add('equipment/overlap', place, what, fix);
}

/** When a calibration begins to count, as it is written or as it follows from what is. */
function startOf(
  values: Values,
  calibration: string,
  zone: string,
): { readonly key: string; readonly written: string } | undefined {
  const stated = values.textAt(`${calibration}/in-service`);
  const calibrated = values.textAt(`${calibration}/calibrated`);
  const start =
    stated ?? (calibrated !== undefined && isDay(calibrated) ? dayAfter(calibrated, 1) : undefined);
  const key = start === undefined ? undefined : timeKey(start, zone);
  return start === undefined || key === undefined ? undefined : { key, written: start };
}

function keyAt(values: Values, pointer: string, zone: string): string | undefined {
  const text = values.textAt(pointer);
  return text === undefined ? undefined : timeKey(text, zone);
}

const written = (values: Values, calibration: string, key: string): string =>
  values.textAt(`${calibration}/${key}`) ?? '';

const subject = (values: Values, pointer: string): string =>
  subjectOf(pointer, values.located.value);
