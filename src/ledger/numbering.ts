import { StallmarkError } from '../base/error.js';
import type { Entry, Ledger } from './ledger.js';

/** A certificate number taken apart: TW1-2026-000123. */
export interface CertificateNumber {
  readonly prefix: string;
  readonly year: number;
  readonly count: number;
}

const WRITTEN = /^([A-Z0-9]+(?:-[A-Z0-9]+)*)-(\d{4})-(\d{6,})$/u;
const PREFIX = /^[A-Z0-9]+(?:-[A-Z0-9]+)*$/u;

/** Takes a certificate number apart, or returns undefined when it is none. */
export function readNumber(written: unknown): CertificateNumber | undefined {
  const match = typeof written === 'string' ? WRITTEN.exec(written) : null;
  if (match === null) return undefined;
  const [, prefix = '', year, count] = match;
  return { prefix, year: Number(year), count: Number(count) };
}

/**
 * Returns the certificate number after the last that this ledger reserved. Numbers of aborted
 * attempts are not given again. Call it while no other program can append: in the function that
 * `Ledger.append` takes.
 *
 * @param prefix - Bench, e.g. "TW1"; "SIM-TW1" for a simulated one.
 * @param year - Four digits.
 */
export function nextNumber(ledger: Ledger, prefix: string, year: number): string {
  if (!PREFIX.test(prefix)) throw new Error(`"${prefix}" cannot begin a certificate number`);
  for (const { kind, body } of ledger.newestFirst()) {
    const last = kind === 'attempt-begun' ? readNumber(body['certificate']) : undefined;
    if (last?.prefix === prefix && last.year === year) return write(prefix, year, last.count + 1);
  }
  return write(prefix, year, 1);
}

const write = (prefix: string, year: number, count: number): string =>
  `${prefix}-${String(year)}-${String(count).padStart(6, '0')}`;

/** What is known of an attempt before it is energized. */
export interface Beginning {
  readonly serial: string;
  /** Expected number of the attempt, ≥ 1, as it was shown to the operator. */
  readonly attempt: number;
  readonly by: string;
  /** First part of the certificate number. */
  readonly prefix: string;
  /** Anything else to be remembered; `certificate` is added. */
  readonly body: Entry['body'];
}

/**
 * Enters that an attempt begins and so reserves its certificate number for good.
 *
 * @param now - ms since the Unix epoch; the number belongs to its year in UTC.
 * @returns The entry; its body holds the number as `certificate`.
 * @throws serial/attempts when the attempt was begun already, also by another program; as `Ledger.append`.
 */
export function beginAttempt(ledger: Ledger, beginning: Beginning, now: number): Entry {
  const { serial, attempt, by, prefix } = beginning;
  return ledger.append(() => {
    const begun = ledger.of(serial).filter((entry) => entry.kind === 'attempt-begun').length;
    if (attempt !== begun + 1) throw otherAttempt(serial, attempt, begun);
    const certificate = nextNumber(ledger, prefix, new Date(now).getUTCFullYear());
    const body = { ...beginning.body, certificate };
    return { kind: 'attempt-begun', serial, attempt, by, body };
  }, now);
}

function otherAttempt(serial: string, attempt: number, begun: number): StallmarkError {
  const what = `Attempt ${attempt} of "${serial}" cannot begin: ${begun} were begun already.`;
  return new StallmarkError([{ code: 'serial/attempts', what, fix: 'Scan the item again.' }]);
}

/** The number an attempt reserved. */
export function numberOf(begun: Entry): string {
  const written = begun.body['certificate'];
  if (begun.kind === 'attempt-begun' && typeof written === 'string') return written;
  throw new Error(`entry ${begun.number} reserves no certificate number`);
}
