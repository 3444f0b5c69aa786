import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { expect, test } from 'vitest';
import { StallmarkError } from '../../src/base/error.js';
import type { NewEntry } from '../../src/ledger/ledger.js';
import { readStation } from '../../src/procedure/schema.js';
import { lastZero, readZero, zeroBody, type RunZero } from '../../src/readiness/zero-drift.js';
import { PACKAGE_ROOT } from '../../src/run/documents.js';
import { zeroDriftGate } from '../../src/scoring/gate-zero-drift.js';
import { history } from '../support/history.js';

const at = '2026-11-25T14:00:00.000Z';

const CASES: readonly (readonly [last: number, now: number, holds: boolean])[] = [
  [0.003, 0.003, true],
  [0.003, 0.022, true],
  [0.003, -0.016, true],
  [0, 0.02, true],
  [0.003, 0.0231, false],
  [0.003, -0.0171, false],
  [0.003, NaN, false],
];

for (const [last, now, holds] of CASES) {
  test(`a zero from ${1000 * last} to ${1000 * now} mN·m, 20 allowed, ${holds ? 'holds' : 'does not hold'}`, () => {
    const gate = zeroDriftGate(
      { torque: last, ambient: 22.4, at },
      { torque: now, ambient: 23.1 },
      0.02,
    );
    expect(gate).toMatchObject({ id: 'zero-drift', holds, blames: 'stand', reach: 'run' });
    expect(gate.evidence).toContain('at 22.4 °C');
    expect(gate.evidence).toContain('at 23.1 °C');
    expect(gate.evidence).toContain('allowed ± 20');
  });
}

const zero = (torque: number, over: Partial<RunZero> = {}): RunZero => ({
  ...{ bench: 'TW-1', simulated: true, torque, ambient: 23 },
  ...over,
});
const record = (of: RunZero, verdict = 'ACCEPT', over: NewEntry['body'] = {}): NewEntry => ({
  ...{ kind: 'record-issued', serial: 'H12-1', attempt: 1, by: 'op 17' },
  body: { verdict, simulated: of.simulated, ...zeroBody(of), ...over },
});
const here = { bench: 'TW-1', simulated: true };
const found = (...entries: readonly NewEntry[]): number | undefined =>
  lastZero(history(...entries).toReversed(), here)?.torque;

test('the last zero is that of the latest record of this bench, whatever the verdict', () => {
  expect(found(record(zero(0.001)), record(zero(0.002), 'HOLD'))).toBe(0.002);
  expect(lastZero(history(record(zero(0.001))), here)).toEqual({ ...zero(0.001), at });
});

test('zeros of other benches, of product records, and records without one are passed over', () => {
  const entries = [
    record(zero(0.001)),
    record(zero(0.002, { bench: 'TW-2' })),
    record(zero(0.003, { simulated: false })),
    record(zero(0.004), 'HOLD', { zero: null }),
    record(zero(0.005), 'HOLD', { zero: { bench: 'TW-1', torque_nm: '0.005', ambient_c: 23 } }),
    record(zero(0.006), 'HOLD', { zero: { bench: 'TW-1', torque_nm: 0.006 } }),
    { ...record(zero(0.007)), kind: 'note' } as const,
  ];
  expect(found(...entries)).toBe(0.001);
  expect(found(...entries.slice(1))).toBeUndefined();
});

test('a zero that is not said to be of a product record counts as simulated', () => {
  const [entry] = history(record(zero(0.001), 'ACCEPT', { simulated: 'no' }));
  expect(entry && readZero(entry)?.simulated).toBe(true);
});

const BENCH = 'procedures/benches/tw-1.yaml';
const text = readFileSync(join(PACKAGE_ROOT, BENCH), 'utf8').replace(/^ {2}zero-drift: .*\n/mu, '');
const read = (policy: string): unknown => {
  try {
    return readStation(text.replace(/^checks:$/mu, `checks:\n  ${policy}`), BENCH).checks
      ?.zeroDrift;
  } catch (error) {
    if (error instanceof StallmarkError) return error.problems.map(({ code }) => code);
    throw error;
  }
};

const POLICIES: readonly (readonly [policy: string, want: unknown])[] = [
  ['zero-drift: { limit: 20 mN·m }', { limit: 0.02 }],
  ['zero-drift: { limit: 0 mN·m }', ['document/value']],
  ['zero-drift: { limit: 20 }', ['procedure/bare-number']],
  ['zero-drift: { limit: 20 °C }', ['procedure/unit-mismatch']],
  ['zero-drift: {}', ['document/key']],
];
for (const [policy, want] of POLICIES) {
  test(`${policy} of a bench is ${JSON.stringify(want)}`, () => {
    expect(read(policy)).toEqual(want);
  });
}

test('a bench that states no limit is not judged, with or without other checks', () => {
  expect(readStation(text, BENCH).checks?.zeroDrift).toBeUndefined();
  const alone = text.replace(
    /^checks:\n(?: {2}.*\n)+/mu,
    'checks:\n  zero-drift: { limit: 5 mN·m }\n',
  );
  expect(readStation(alone, BENCH).checks).toEqual({ zeroDrift: { limit: 0.005 } });
});
