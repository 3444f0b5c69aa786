import { expect, test } from 'vitest';
import type { Entry } from '../../src/ledger/ledger.js';
import { readReferenceEntry, referenceBody } from '../../src/readiness/reference-entry.js';
import { found, gain, WrittenLedger } from '../support/reference-ledger.js';

const suspect = { serial: 'H12-26-00001', attempt: 1, certificate: 'SIM-1', entry: 4 };
const verdict = {
  ...{ row: 'smoothing.lag-increase', unit: 'ms', value: 0.0008 },
  ...{ outcome: 'conforming', rejected: false },
};

test('a check is read back as it was written, through JSON', () => {
  const whole = found({
    ok: false,
    values: [{ ...gain(0.99), expanded: 0.0037 }, gain(0.997)],
    named: [verdict],
    suspects: [suspect],
  });
  const body = JSON.parse(
    JSON.stringify(referenceBody(whole, { procedure: 'aa' })),
  ) as Entry['body'];
  const entry = new WrittenLedger().write('bench-checked', 1, { body });
  expect(readReferenceEntry(entry)).toEqual({
    ...whole,
    entry: 1,
    at: '2026-11-25T07:00:00.000Z',
    by: 'op 17',
  });
  expect(body['documents']).toEqual({ procedure: 'aa' });
});

const BODY = referenceBody(found(), {});

const OTHERS: readonly (readonly [name: string, kind: Entry['kind'], body: Entry['body']])[] = [
  ['another kind of entry', 'note', BODY],
  ['another check', 'bench-checked', { ...BODY, check: 'stop' }],
  ['a check without bench', 'bench-checked', { ...BODY, bench: 7 }],
  ['a check without item', 'bench-checked', { ...BODY, item: null }],
  ['a check of an unknown kind', 'bench-checked', { ...BODY, kind: 'middling' }],
];
for (const [name, kind, body] of OTHERS) {
  test(`${name} is not read`, () => {
    expect(readReferenceEntry(new WrittenLedger().write(kind, 0, { body }))).toBeUndefined();
  });
}

test('what is not said to be good counts as failed, and damaged parts are left out', () => {
  const body = { ...BODY, ok: 'yes', values: [{ row: 'a.b', value: 'x' }, 3], suspects: null };
  const read = readReferenceEntry(new WrittenLedger().write('bench-checked', 0, { body }));
  expect(read).toMatchObject({ ok: false, values: [], suspects: [] });
});
