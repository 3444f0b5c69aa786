import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, test } from 'vitest';
import type { Adapter } from '../../src/bench/bench.js';
import { adapterWords } from '../../src/bench/adapter.js';
import { readProcedure, readStation } from '../../src/procedure/schema.js';
import type { StationAdapter } from '../../src/procedure/station.js';
import { adapterChecks } from '../../src/readiness/adapter.js';
import { PACKAGE_ROOT } from '../../src/run/documents.js';

const shaft = { id: 'AD-12', kind: 'h12-shaft', serial: 'HA-1204' };
const spare = { id: 'AD-14', kind: 'h12-shaft', serial: 'HA-1209' };
const wheel = { id: 'AD-20', kind: 'h12-wheel', serial: 'HW-0007' };
const OWN = [shaft, spare, wheel] as const;

interface Case {
  readonly name: string;
  readonly own?: readonly StationAdapter[];
  readonly asked?: string;
  readonly found?: Adapter;
  /** State and a part of what is told; nothing for no check at all. */
  readonly is?: readonly [state: string, told: string];
}

const CASES: readonly Case[] = [
  { name: 'nobody names or asks for one', own: [] },
  { name: 'nobody asks, whatever lies there', own: [], found: shaft },
  { name: 'the usual one', found: shaft, is: ['ok', 'AD-12, h12-shaft, serial HA-1204'] },
  { name: 'a spare', found: spare, asked: 'h12-shaft', is: ['ok', 'AD-14'] },
  { name: 'none', is: ['not run', 'the nest reads none'] },
  {
    name: 'an unknown one',
    found: { ...shaft, id: 'AD-31' },
    is: [
      'failed',
      'which does not belong to TW-1; allowed: AD-12, h12-shaft, serial HA-1204; AD-14',
    ],
  },
  {
    name: 'another serial under a number of the bench',
    found: { ...shaft, serial: 'HA-9' },
    is: ['failed', 'serial HA-9, but AD-12 of TW-1 is AD-12, h12-shaft, serial HA-1204'],
  },
  {
    name: 'another kind under a number of the bench',
    found: { ...shaft, kind: 'h12-wheel' },
    is: ['failed', 'but AD-12 of TW-1 is'],
  },
  {
    name: 'one of the bench, of another kind than is asked for',
    found: wheel,
    asked: 'h12-shaft',
    is: ['failed', 'procedure "p" asks for kind h12-shaft; allowed: AD-12'],
  },
  {
    name: 'a kind that the bench does not have',
    found: shaft,
    asked: 'h31-shaft',
    is: ['failed', 'asks for one of kind h31-shaft, and the description of TW-1 names none'],
  },
  {
    name: 'a kind is asked for, and the bench names no adapter',
    own: [],
    found: shaft,
    asked: 'h12-shaft',
    is: ['failed', 'names none'],
  },
];

describe.each(CASES)('$name', ({ own = OWN, asked, found, is }) => {
  const [first, ...others] = own;
  const checks = adapterChecks({
    procedure: { id: 'p', ...(asked === undefined ? {} : { adapter: asked }) },
    station: { id: 'TW-1', ...(first === undefined ? {} : { adapters: [first, ...others] }) },
    found,
  });

  test(is === undefined ? 'is not judged' : `is ${is[0]}`, () => {
    expect(checks.map(({ name, state }) => [name, state])).toEqual(
      is === undefined ? [] : [['adapter', is[0]]],
    );
    expect(checks.map(({ found: told }) => told).join()).toContain(is?.[1] ?? '');
    for (const { blocks } of checks) expect(blocks).toBeUndefined();
  });
});

test('a procedure may ask for an adapter of a kind, and the shipped bench names its own', () => {
  const read = (file: string): string => readFileSync(join(PACKAGE_ROOT, file), 'utf8');
  const text = read('procedures/h12-stop.yaml');
  const asking = text.replace('\nattempts:', '\nadapter: h12-shaft\nattempts:');
  expect(readProcedure(text, 'p.yaml', () => undefined).adapter).toBeUndefined();
  expect(readProcedure(asking, 'p.yaml', () => undefined).adapter).toBe('h12-shaft');
  const { adapters } = readStation(read('procedures/benches/tw-1.yaml'), 'b.yaml');
  expect(adapters).toEqual([shaft, spare]);
});

test('an adapter is told by everything that names it', () => {
  expect(adapterWords(wheel)).toBe('AD-20, h12-wheel, serial HW-0007');
});
