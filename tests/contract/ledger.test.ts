import { join } from 'node:path';
import Database from 'better-sqlite3';
import fc from 'fast-check';
import { describe, expect, test } from 'vitest';
import { StallmarkError } from '../../src/base/error.js';
import {
  confirmClock,
  entryDigest,
  FIRST_PREVIOUS,
  type Ledger,
  type NewEntry,
} from '../../src/ledger/ledger.js';
import { auditLedger } from '../../src/ledger/audit.js';
import { ledgerOn, openLedger } from '../../src/ledger/sqlite.js';
import { temporaryFolder } from '../support/folder.js';

/** Every version of the interface; each opens an empty ledger. */
const versions: readonly (readonly [string, () => Ledger])[] = [
  ['SQLite file', () => openLedger(join(temporaryFolder(), 'ledger.db'))],
  ['SQLite in memory', () => ledgerOn(new Database(':memory:'), ':memory:')],
];

const NOW = Date.parse('2026-11-25T14:05:18.250Z');

function note(text: string, serial = 'H12-26-04711'): NewEntry {
  return { kind: 'note', serial, attempt: 1, by: 'op-17', body: { text } };
}

function codeOf(action: () => unknown): string {
  try {
    action();
  } catch (error) {
    if (error instanceof StallmarkError) return error.problems[0].code;
    throw error;
  }
  return 'nothing was refused';
}

for (const [name, open] of versions) {
  describe(name, () => {
    test('an empty ledger has no last entry', () => {
      const ledger = open();
      expect(ledger.last()).toBeUndefined();
      expect([...ledger.entries()]).toEqual([]);
      expect([...ledger.newestFirst()]).toEqual([]);
      expect(ledger.of('H12-26-04711')).toEqual([]);
      ledger.close();
    });

    test('entries are numbered from 1, dated to the millisecond and chained by digest', () => {
      const ledger = open();
      const first = ledger.append(note('a'), NOW);
      const second = ledger.append(note('b'), NOW);
      expect(first).toEqual({
        ...note('a'),
        number: 1,
        at: '2026-11-25T14:05:18.250Z',
        previous: FIRST_PREVIOUS,
        digest: entryDigest(first),
      });
      expect(second.number).toBe(2);
      expect(second.previous).toBe(first.digest);
      expect([...ledger.entries()]).toEqual([first, second]);
      expect([...ledger.newestFirst()]).toEqual([second, first]);
      expect(ledger.last()).toEqual(second);
      ledger.close();
    });

    test('entries of one serial come back oldest first, others not at all', () => {
      const ledger = open();
      const a = ledger.append(note('1', 'A'), NOW);
      ledger.append(note('2', 'a'), NOW);
      const b = ledger.append(note('3', 'A'), NOW);
      expect(ledger.of('A')).toEqual([a, b]);
      ledger.close();
    });

    test('an instant 1 ms before the last entry is refused with both instants, and nothing is lost', () => {
      const ledger = open();
      const first = ledger.append(note('a'), NOW);
      expect(() => ledger.append(note('b'), NOW - 1)).toThrow(
        'ledger/clock: The clock reads 2026-11-25T14:05:18.249Z, but entry 1 was made at 2026-11-25T14:05:18.250Z.',
      );
      expect([...ledger.entries()]).toEqual([first]);
      expect(ledger.append(note('c'), NOW).number).toBe(2);
      ledger.close();
    });

    test('a named person may confirm an earlier clock; work goes on and the audit stays clean', () => {
      const ledger = open();
      ledger.append(note('dated in the future'), NOW + 1e12);
      expect(codeOf(() => confirmClock(ledger, ' ', 'battery', NOW))).toBe('usage/argument');
      expect(codeOf(() => confirmClock(ledger, 'qe-3', '', NOW))).toBe('usage/argument');
      const entry = confirmClock(ledger, 'qe-3', 'battery of the clock was replaced', NOW);
      expect(entry.body).toEqual({
        note: 'clock confirmed',
        why: 'battery of the clock was replaced',
        lastEntryAt: '2058-08-03T15:51:58.250Z',
      });
      expect(ledger.append(note('goes on'), NOW + 1).number).toBe(3);
      expect(codeOf(() => ledger.append(note('back again'), NOW))).toBe('ledger/clock');
      expect(auditLedger(ledger.entries()).findings).toEqual([]);
      ledger.close();
    });

    test('what `before` throws comes out, and the entry does not exist', () => {
      const ledger = open();
      ledger.append(note('a'), NOW);
      const seen: number[] = [];
      const boom = (): never => {
        throw new RangeError('the folder could not be moved');
      };
      expect(() =>
        ledger.append(note('b'), NOW, (entry) => {
          seen.push(entry.number);
          boom();
        }),
      ).toThrow(RangeError);
      expect(seen).toEqual([2]);
      expect(ledger.last()?.number).toBe(1);
      expect(ledger.append(note('c'), NOW).number).toBe(2);
      ledger.close();
    });

    test('an entry made inside the append sees all entries before it', () => {
      const ledger = open();
      ledger.append(note('a'), NOW);
      const made = ledger.append(() => note(`after ${ledger.last()?.number ?? 0}`), NOW);
      expect(made.body).toEqual({ text: 'after 1' });
      ledger.close();
    });

    test('an entry that cannot be written in full is refused whole', () => {
      const ledger = open();
      const body = { value: NaN };
      expect(codeOf(() => ledger.append({ ...note(''), body }, NOW))).toBe('quantity/not-finite');
      expect(() => ledger.append({ ...note(''), serial: '\ud800' }, NOW)).toThrow('surrogate');
      expect(() => ledger.append(note('a'), NaN)).toThrow('dated NaN');
      expect(ledger.last()).toBeUndefined();
      ledger.close();
    });

    test('503 entries come back whole and in order, also while entries are appended', () => {
      const ledger = open();
      for (let i = 1; i <= 503; i += 1) ledger.append(note(String(i)), NOW);
      expect([...ledger.newestFirst()].map((e) => e.number)).toEqual(
        Array.from({ length: 503 }, (_, i) => 503 - i),
      );
      let seen = 0;
      for (const { number } of ledger.entries()) {
        seen += 1;
        expect(number).toBe(seen);
        if (number === 1) ledger.append(note('meanwhile'), NOW);
      }
      expect(seen).toBe(504);
      ledger.close();
    });

    test('any text and any JSON in an entry comes back as it was', () => {
      const ledger = open();
      const text = fc.string({ unit: 'grapheme' });
      const value = fc.jsonValue({ stringUnit: 'grapheme' });
      fc.assert(
        fc.property(text, text, value, (serial, by, json) => {
          const body = { json: JSON.parse(JSON.stringify(json)) as null };
          const entry = ledger.append({ kind: 'note', serial, attempt: 0, by, body }, NOW);
          expect(ledger.last()).toEqual(entry);
        }),
        { seed: 4711, numRuns: 100, examples: [['=1+1', "'; DROP TABLE entry; --", null]] },
      );
      expect(auditLedger(ledger.entries()).findings).toEqual([]);
      ledger.close();
    });
  });
}

test('a ledger has no method that changes or removes', () => {
  const ledger = versions[1]?.[1]();
  const methods = Object.getOwnPropertyNames(Object.getPrototypeOf(ledger) as object).sort();
  expect(methods).toEqual([
    'append',
    'at',
    'close',
    'constructor',
    'entries',
    'fileFaults',
    'last',
    'newestFirst',
    'of',
  ]);
});
