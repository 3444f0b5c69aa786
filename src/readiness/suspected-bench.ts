import { readInstant } from '../base/clock.js';
import { throwIfAny } from '../base/error.js';
import type { Entry, Ledger } from '../ledger/ledger.js';
import type { Actor } from './disposition.js';
import { endOf } from './past-attempts.js';
import type { Check } from './readiness.js';

/** Invalid measurements one after another that point at the bench. */
const IN_A_ROW = 3;
/** The same of one item. */
const IN_A_ROW_OF_ITEM = 2;
/** Share of invalid measurements in a shift that points at the bench. */
const SHARE = 0.02;
/** ms of a shift, reckoned back from now. Common practice, no source. */
const SHIFT = 8 * 3_600_000;

/** A bench, and whether it is a simulated one: these say nothing of a real one. */
export interface SuspectedBench {
  readonly bench: string;
  readonly simulated: boolean;
}

/** A record of this bench; what was broken off has none and is not counted. */
interface Issued {
  readonly serial: string;
  readonly at: number;
  readonly isInvalid: boolean;
}

/**
 * Suspects a bench on which measurements keep coming out invalid: three in a row, two in a row of one
 * item, or more than 2 % of a shift and at least three, since fewer prove no share. It tests nothing
 * until a quality engineer clears it; what was before counts no longer then.
 *
 * @param newestFirst - Entries of the ledger; read back to the beginning of the shift and to the rows.
 * @param now - ms since the Unix epoch.
 */
export function suspectedBench(
  newestFirst: Iterable<Entry>,
  bench: SuspectedBench,
  now: number,
): Check {
  const records = recordsOf(newestFirst, bench, now);
  const reason = rowReason(records) ?? itemReason(records) ?? shareReason(records, now);
  const invalid = records.filter(({ isInvalid }) => isInvalid).length;
  return {
    name: 'invalid measurements',
    state: reason === undefined ? 'ok' : 'failed',
    found: reason ?? `${invalid} of ${records.length} looked at`,
    clear: 'quality engineer',
  };
}

/** Records of the bench since it was cleared, newest first: a shift, and as many as the rows need. */
function recordsOf(
  newestFirst: Iterable<Entry>,
  bench: SuspectedBench,
  now: number,
): readonly Issued[] {
  const records: Issued[] = [];
  const ends = new Map<string, Issued>();
  for (const entry of newestFirst) {
    if (isClearing(entry, bench)) break;
    if (readInstant(entry.at) < now - SHIFT && records.length >= IN_A_ROW) break;
    const key = JSON.stringify([entry.serial, entry.attempt]);
    const ended = endOf(entry);
    if (ended !== undefined && entry.kind === 'record-issued') {
      const isInvalid = ended.outcome === 'invalid';
      ends.set(key, { serial: entry.serial, at: readInstant(entry.at), isInvalid });
    }
    const record = ends.get(key);
    const { kind, body } = entry;
    if (kind !== 'attempt-begun' || record === undefined) continue;
    if (body['bench'] !== bench.bench || (body['simulated'] === true) !== bench.simulated) continue;
    records.push(record);
  }
  return records;
}

function rowReason(records: readonly Issued[]): string | undefined {
  const last = records.slice(0, IN_A_ROW);
  if (last.length < IN_A_ROW || !last.every(({ isInvalid }) => isInvalid)) return undefined;
  return `the last ${IN_A_ROW} measurements were invalid, of ${namesOf(last)}`;
}

function itemReason(records: readonly Issued[]): string | undefined {
  const serial = records[0]?.serial;
  const last = records.filter((record) => record.serial === serial).slice(0, IN_A_ROW_OF_ITEM);
  if (last.length < IN_A_ROW_OF_ITEM || !last.every(({ isInvalid }) => isInvalid)) return undefined;
  return `${IN_A_ROW_OF_ITEM} measurements of ${serial ?? ''} in a row were invalid`;
}

function shareReason(records: readonly Issued[], now: number): string | undefined {
  const shift = records.filter(({ at }) => at >= now - SHIFT);
  const invalid = shift.filter(({ isInvalid }) => isInvalid);
  if (invalid.length < IN_A_ROW || invalid.length <= SHARE * shift.length) return undefined;
  const percent = ((100 * invalid.length) / shift.length).toFixed(1);
  return `${invalid.length} of ${shift.length} measurements within 8 h were invalid, ${percent} %, allowed 2 %`;
}

const namesOf = (records: readonly Issued[]): string =>
  [...new Set(records.map(({ serial }) => serial))].join(', ');

const CLEARED = 'bench cleared';

function isClearing({ kind, body }: Entry, { bench, simulated }: SuspectedBench): boolean {
  if (kind !== 'changed' || body['what'] !== CLEARED || body['bench'] !== bench) return false;
  return body['simulated'] === undefined || body['simulated'] === simulated;
}

/**
 * Enters that a quality engineer clears a bench after looking into its invalid measurements.
 *
 * @param now - ms since the Unix epoch.
 * @throws people/role, usage/argument without a reason; as `Ledger.append`.
 */
export function clearBench(
  ledger: Ledger,
  order: { readonly bench: string; readonly why: string; readonly actor: Actor },
  now: number,
): Entry {
  const { bench, why, actor } = order;
  const { by, roles } = actor;
  const role = `A bench is cleared by a quality engineer, but ${by} is: ${roles.join(', ') || 'none'}.`;
  const fix = 'Have it cleared by a quality engineer.';
  throwIfAny([
    ...(roles.includes('quality engineer')
      ? []
      : [{ code: 'people/role' as const, what: role, fix }]),
    ...(why.trim() === ''
      ? [
          {
            code: 'usage/argument' as const,
            what: 'A bench is cleared without a reason.',
            fix: 'State what was found and done.',
          },
        ]
      : []),
  ]);
  const body = { what: CLEARED, bench, why: why.trim() };
  return ledger.append({ kind: 'changed', serial: '', attempt: 0, by, body }, now);
}
