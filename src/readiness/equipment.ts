import type { Instrument, Station } from '../procedure/station.js';
import type { Check } from './readiness.js';

const DAY = 86_400_000;
/** Days before the due date from which people are told. */
const SOON = 30;

/**
 * Judges the calibration dates of every instrument and the presence of a stand model.
 *
 * A date runs to the end of its day in UTC. A missing or unreadable date is overdue, not "no limit".
 */
export function equipmentChecks(station: Station, now: number): readonly Check[] {
  return [
    ...station.instruments.map((i) => calibrationCheck(i, now)),
    standCheck(station.stand.characterized, station.stand.version, now),
  ];
}

function calibrationCheck(instrument: Instrument, now: number): Check {
  const calibrated = Date.parse(instrument.calibrated);
  const due = Date.parse(instrument.due) + DAY;
  const name = `calibration of ${instrument.what} ${instrument.id}`;
  const found = `certificate ${instrument.certificate}, calibrated ${instrument.calibrated}, due ${instrument.due}`;
  const clear = 'maintenance';
  if (!Number.isFinite(calibrated) || !Number.isFinite(due)) {
    return { name, state: 'overdue', found: `${found}: a date is missing or unreadable`, clear };
  }
  if (calibrated > now) {
    return { name, state: 'failed', found: `${found}: calibrated in the future`, clear };
  }
  if (due <= calibrated) {
    return { name, state: 'failed', found: `${found}: due before it was calibrated`, clear };
  }
  if (now >= due) return { name, state: 'overdue', found, clear };
  return { name, state: due - now < SOON * DAY ? 'due soon' : 'ok', found, clear };
}

function standCheck(characterized: string, version: number, now: number): Check {
  const at = Date.parse(characterized);
  const known = Number.isFinite(at) && at <= now;
  return {
    name: 'stand model',
    state: known ? 'ok' : 'failed',
    found: `version ${version}, characterized ${characterized}`,
    clear: 'maintenance',
  };
}
