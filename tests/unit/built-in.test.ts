import { expect, test } from 'vitest';
import type { Component, Identity } from '../../src/bench/bench.js';
import type { Entry, NewEntry } from '../../src/ledger/ledger.js';
import { holdersOf, lastTold, readTold, toldBody } from '../../src/readiness/built-in.js';
import { begun, ended, history } from '../support/history.js';

const A = 'H12-26-00001';
const B = 'H12-26-00002';
const motor = (serial: string): Component => ({ kind: 'motor', serial });
const drive = (serial: string): Component => ({ kind: 'drive', serial });

const identity = (...components: readonly Component[]): Identity => ({
  ...{ model: 'H12', serial: A, firmware: '2.4.1', firmwareDigest: 'f'.repeat(64) },
  ...{ revision: 'C3', parametersDigest: 'a'.repeat(64), components },
});

/** An attempt with a record in which the item told this. */
function told(serial: string, attempt: number, of: Identity): readonly NewEntry[] {
  const end = ended(serial, attempt, 'accepted');
  const body = { ...end.body, certificate: `R-${serial}-${attempt}`, ...toldBody(of) };
  return [begun(serial, attempt), { ...end, body: { ...body, simulated: false } }];
}

test('what an item told reads back from the entry of its record as it was entered', () => {
  const entries = history(...told(A, 1, identity(motor('M-1'), drive('D-1'))));
  expect(lastTold(entries)).toEqual({
    ...{ serial: A, attempt: 1, certificate: `R-${A}-1`, at: '2026-11-25T14:01:00.000Z' },
    ...{ simulated: false, firmware: '2.4.1', firmwareDigest: 'f'.repeat(64) },
    ...{ revision: 'C3', parametersDigest: 'a'.repeat(64) },
    components: [motor('M-1'), drive('D-1')],
  });
});

test('an item that tells neither revision nor components nor parameters reads back without them', () => {
  const { model, serial, firmware, firmwareDigest } = identity();
  const plain = { model, serial, firmware, firmwareDigest };
  const read = lastTold(history(...told(A, 1, plain)));
  expect(read).toMatchObject({ firmware: '2.4.1', components: [] });
  expect(Object.keys(read ?? {})).not.toContain('revision');
  expect(Object.keys(read ?? {})).not.toContain('parametersDigest');
});

const BODIES: readonly (readonly [
  name: string,
  body: NewEntry['body'],
  components: number | undefined,
])[] = [
  ['a record of an earlier version', {}, undefined],
  ['a record whose item is no mapping', { item: ['motor'] }, undefined],
  ['a record whose item is nothing', { item: null }, undefined],
  ['components that are no list', { item: { components: { kind: 'motor' } } }, 0],
  [
    'a component of a kind nobody knows',
    { item: { components: [{ kind: 'sail', serial: '1' }] } },
    0,
  ],
  ['a component without a serial', { item: { components: [{ kind: 'motor' }, 'x', null] } }, 0],
];
for (const [name, body, components] of BODIES) {
  test(`${name} is read with ${components ?? 'nothing'}`, () => {
    const [entry] = history({ ...ended(A, 1, 'accepted'), body });
    expect(entry && readTold(entry)?.components.length).toBe(components);
  });
}

test('entries of other kinds tell nothing', () => {
  const body = toldBody(identity(motor('M-1')));
  const [entry] = history({ ...begun(A, 1), body });
  expect(entry && readTold(entry)).toBeUndefined();
});

interface Case {
  readonly name: string;
  readonly entries: readonly Entry[];
  readonly found: readonly (readonly [
    serial: string,
    kind: string,
    isThere: boolean,
    at: string,
  ])[];
}
const CASES: readonly Case[] = [
  { name: 'nobody has it', entries: history(...told(A, 1, identity(motor('M-2')))), found: [] },
  {
    name: 'one item has it, one has another',
    entries: history(...told(A, 1, identity(motor('M-1'))), ...told(B, 1, identity(motor('M-2')))),
    found: [[A, 'motor', true, `R-${A}-1`]],
  },
  {
    name: 'it was replaced and then built into another item',
    entries: history(
      ...told(A, 1, identity(motor('M-1'))),
      ...told(A, 2, identity(motor('M-3'))),
      ...told(B, 1, identity(motor('M-1'))),
    ),
    found: [
      [A, 'motor', false, `R-${A}-1`],
      [B, 'motor', true, `R-${B}-1`],
    ],
  },
  {
    name: 'it came back: the last record that tells it counts',
    entries: history(
      ...told(A, 1, identity(motor('M-1'))),
      ...told(A, 2, identity(motor('M-3'))),
      ...told(A, 3, identity(motor('M-1'))),
    ),
    found: [[A, 'motor', true, `R-${A}-3`]],
  },
  {
    name: 'a later record tells no motor at all: nobody knows of another one',
    entries: history(
      ...told(A, 1, identity(motor('M-1'), drive('D-1'))),
      ...told(A, 2, identity(drive('D-1'))),
      ...told(A, 3, identity()),
    ),
    found: [[A, 'motor', true, `R-${A}-1`]],
  },
  {
    name: 'a motor and a drive bear the same number',
    entries: history(...told(A, 1, identity(motor('M-1'), drive('M-1')))),
    found: [
      [A, 'motor', true, `R-${A}-1`],
      [A, 'drive', true, `R-${A}-1`],
    ],
  },
];
for (const { name, entries, found } of CASES) {
  test(`looking for M-1 where ${name}`, () => {
    const holders = holdersOf('M-1', entries);
    expect(
      holders.map(({ serial, kind, isThere, certificate }) => [serial, kind, isThere, certificate]),
    ).toEqual(found);
  });
}
