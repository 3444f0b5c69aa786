import { chained, type Entry, type EntryKind, type Ledger } from '../../src/ledger/ledger.js';
import { referenceBody, type ReferenceFound } from '../../src/readiness/reference-entry.js';

/** What a check of REF-H12-A found when all was well, and what a test changes of it. */
export function found(over: Partial<ReferenceFound> = {}): ReferenceFound {
  return {
    bench: 'TW-1',
    simulated: true,
    item: 'REF-H12-A',
    kind: 'good',
    cycle: 1,
    assigned: '2026-11-20',
    ok: true,
    reason: 'all 1 assigned values of REF-H12-A were found again.',
    values: [],
    named: [],
    suspects: [],
    ...over,
  };
}

/** A value as a check finds it: 99.67 % assigned, 0.51 % allowed. */
export const gain = (value: number): ReferenceFound['values'][number] => ({
  row: 'static.static-gain',
  unit: '%',
  value,
  assigned: 0.9967,
  assignedExpanded: 0.0035,
  deviation: value - 0.9967,
  allowed: 0.0051,
  ok: Math.abs(value - 0.9967) <= 0.0051,
});

/** A ledger in memory that tests write line by line; times are hours after 2026-11-25 06:00 UTC. */
export class WrittenLedger implements Pick<Ledger, 'of' | 'newestFirst'> {
  static readonly START = Date.parse('2026-11-25T06:00:00.000Z');
  readonly entries: Entry[] = [];

  static at(hours: number): number {
    return WrittenLedger.START + hours * 3_600_000;
  }

  write(kind: EntryKind, hours: number, given: Partial<Entry> = {}): Entry {
    const blank = { kind, serial: '', attempt: 0, by: 'op 17', body: {} };
    const entry = chained({ ...blank, ...given }, this.entries.at(-1), WrittenLedger.at(hours));
    this.entries.push(entry);
    return entry;
  }

  checked(hours: number, over: Partial<ReferenceFound> = {}): Entry {
    const body = referenceBody(found(over), { procedure: 'aa' });
    return this.write('bench-checked', hours, { serial: over.item ?? 'REF-H12-A', body });
  }

  /** An attempt from its beginning to its record. */
  tested(hours: number, number: number, verdict = 'ACCEPT', bench = 'TW-1'): void {
    const serial = `H12-26-${String(number).padStart(5, '0')}`;
    const certificate = `SIM-TW1-26-${String(number).padStart(6, '0')}`;
    this.write('attempt-begun', hours, { serial, attempt: 1, body: { bench, certificate } });
    this.write('record-issued', hours, { serial, attempt: 1, body: { verdict, certificate } });
  }

  setBack(hours: number): void {
    this.write('note', hours, { body: { note: 'clock confirmed', why: 'wrong battery' } });
  }

  of(serial: string): readonly Entry[] {
    return this.entries.filter((entry) => entry.serial === serial);
  }

  *newestFirst(): IterableIterator<Entry> {
    yield* this.entries.toReversed();
  }
}
