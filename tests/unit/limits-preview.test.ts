import { expect, test } from 'vitest';
import { unitOf } from '../../src/base/units.js';
import { readLimits } from '../../src/procedure/schema.js';
import { previewLimits } from '../../src/readiness/limits-preview.js';
import type { TraceableRecord, TracedRow } from '../../src/readiness/trace.js';

const HEAD = `limits: AS-H12
title: Acceptance specification H12
issue: 10
date: 2026-11-28
procedure: { id: h12-acceptance, issue: 4 }
rule: guarded
rows:
`;
const limits = (row: string): ReturnType<typeof readLimits> =>
  readLimits(`${HEAD}  steps-2.overshoot: { label: overshoot, ${row} }\n`, 'limits.yaml');
const BEFORE = limits('to: 6 %');

/** An item with an overshoot in %, U = 0.5 %. */
function item(serial: string, overshoot: number, more: Partial<TracedRow> = {}): TraceableRecord {
  const row: TracedRow = {
    ...{ stage: 'steps-2', characteristic: 'overshoot', label: 'overshoot', side: 'motor' },
    ...{ unit: unitOf('%'), value: overshoot / 100, isBound: false, expanded: 0.005 },
    ...{ tolerance: { kind: 'at-most', upper: 0.06 }, rule: 'guarded', verdict: 'conforming' },
    ...more,
  };
  return {
    ...{ number: `N-${serial}`, revision: 0, serial, attempt: 1, started: 0, ended: 1 },
    ...{ verdict: 'ACCEPT', torqueConstant: 'measured', equipment: [], gates: [], rows: [row] },
  };
}

const ITEMS = [item('A', 2), item('B', 5.2), item('C', 5.8), item('D', 7)];

/** By hand: guarded accepts up to limit − U, refuses above limit + U, and holds between. */
const EDITS: readonly {
  readonly row: string;
  readonly want: readonly string[];
  readonly lost: number;
  readonly won: number;
}[] = [
  { row: 'to: 6 %', want: [], lost: 0, won: 0 },
  { row: 'to: 5 %', want: ['B ACCEPT → HOLD', 'C HOLD → REJECT'], lost: 1, won: 0 },
  { row: 'to: 8 %', want: ['C HOLD → ACCEPT', 'D REJECT → ACCEPT'], lost: 0, won: 2 },
  { row: 'to: 6 %, rule: simple', want: ['C HOLD → ACCEPT'], lost: 0, won: 1 },
];

for (const { row, want, lost, won } of EDITS) {
  test(`${row} instead of to: 6 % changes ${want.length} of 4 items`, () => {
    const found = previewLimits(ITEMS, BEFORE, limits(row));
    expect(found.items).toBe(4);
    expect(found.changed.map((one) => `${one.serial} ${one.before} → ${one.after}`)).toEqual(want);
    expect(found.rows.map((one) => [one.lost, one.won])).toEqual([[lost, won]]);
    expect(found.rows[0]?.values).toHaveLength(4);
  });
}

test('a value that never counted changes nothing, whatever the limit', () => {
  const invalid = item('E', 2, { invalid: 'invalid', verdict: 'invalid' });
  const found = previewLimits([invalid], BEFORE, limits('to: 1 %'));
  expect(found.changed).toEqual([]);
  expect(found.rows[0]?.values).toEqual([]);
});

test('a row that a record never had tells nothing for or against the edit', () => {
  const added = readLimits(
    `${HEAD}  steps-2.overshoot: { label: overshoot, to: 6 % }\n  steps-2.rise-time: { label: rise, to: 1 ms }\n`,
    'limits.yaml',
  );
  const found = previewLimits([item('A', 2)], BEFORE, added);
  expect(found.changed).toEqual([]);
  expect(found.rows.map(({ values }) => values.length)).toEqual([1, 0]);
});
