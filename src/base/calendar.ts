import { isoInstant, readInstant } from './clock.js';

/** A name of the IANA list such as Europe/Berlin, or UTC. */
export type Zone = string;

/** Calendar and digits are named, so that the language of the computer changes nothing. */
function formatOf(zone: Zone): Intl.DateTimeFormat {
  return new Intl.DateTimeFormat('en-u-ca-iso8601-nu-latn', {
    timeZone: zone,
    year: 'numeric',
    month: '2-digit',
    day: '2-digit',
  });
}

/** Whether this computer knows the time zone. */
export function isZone(name: string): boolean {
  try {
    formatOf(name);
    return true;
  } catch (error) {
    if (error instanceof RangeError) return false;
    throw error;
  }
}

/**
 * Returns the day of the calendar in a place, e.g. 2026-10-25. A day is as long as the clocks there
 * make it: 25 hours in the night when they are put back.
 *
 * @param at - ms since the Unix epoch.
 * @param zone - A zone that `isZone` knows.
 *
 * Check: tests/unit/calendar.test.ts.
 */
export function dayAt(at: number, zone: Zone): string {
  return dayIn(formatOf(zone), at);
}

function dayIn(format: Intl.DateTimeFormat, at: number): string {
  const parts = new Map(format.formatToParts(at).map(({ type, value }) => [type, value]));
  return `${parts.get('year') ?? ''}-${parts.get('month') ?? ''}-${parts.get('day') ?? ''}`;
}

/** ms within which a day begins around midnight UTC, wherever it is. */
const FARTHEST = 15 * 3_600_000;

/**
 * Returns the instant at which a day begins in a place, in ms since the Unix epoch: midnight, or, where
 * the clocks are put on at midnight, the first instant after it.
 *
 * @param day - A day that exists; one that a place left out begins with the day after it.
 * @param zone - A zone that `isZone` knows.
 *
 * Check: tests/unit/routes.test.ts.
 */
export function dayStart(day: string, zone: Zone): number {
  const format = formatOf(zone);
  const midnight = readInstant(`${day}T00:00:00Z`);
  let before = midnight - FARTHEST;
  let after = midnight + FARTHEST;
  // Halves 30 hours down to 1 ms: 27 times.
  while (after - before > 1) {
    const middle = Math.floor((before + after) / 2);
    if (dayIn(format, middle) < day) before = middle;
    else after = middle;
  }
  return after;
}

/** Whether a text is a day that exists, e.g. 2026-02-28 but not 2026-02-30. */
export function isDay(text: string): boolean {
  if (!/^\d{4}-\d{2}-\d{2}$/u.test(text)) return false;
  const at = readInstant(`${text}T00:00:00Z`);
  return Number.isFinite(at) && isoInstant(at).startsWith(text);
}

/** Returns the day so many days after another, which must be a day that exists. */
export function dayAfter(day: string, days: number): string {
  return isoInstant(readInstant(`${day}T00:00:00Z`) + days * 86_400_000).slice(0, 10);
}

/** Days from one day that exists to another; negative when the second is earlier. */
export function daysBetween(from: string, to: string): number {
  const ms = readInstant(`${to}T00:00:00Z`) - readInstant(`${from}T00:00:00Z`);
  return Math.round(ms / 86_400_000);
}

/**
 * Returns a text that sorts in time among others of the same zone: a day stands for its beginning.
 *
 * @param written - A day, or an instant with its offset; undefined is returned for anything else.
 */
export function timeKey(written: string, zone: Zone): string | undefined {
  if (isDay(written)) return `${written}T`;
  const at = /^\d{4}-\d{2}-\d{2}T/u.test(written) ? readInstant(written) : NaN;
  return Number.isFinite(at) ? instantKey(at, zone) : undefined;
}

/** As `timeKey`, of an instant in ms since the Unix epoch. */
export function instantKey(at: number, zone: Zone): string {
  return `${dayAt(at, zone)}T${new Date(at).toISOString()}`;
}
