import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { expect, test } from 'vitest';
import { StallmarkError } from '../../src/base/error.js';
import { benchCheck } from '../../src/cli/bench-check.js';
import { itemComponent } from '../../src/cli/component.js';
import { benchClear, itemMove, itemReconcile, itemState } from '../../src/cli/item.js';
import { itemLift, itemQuarantine, itemQuarantines } from '../../src/cli/quarantine.js';
import type { Terminal } from '../../src/cli/terminal.js';
import type { NewEntry } from '../../src/ledger/ledger.js';
import { openLedger } from '../../src/ledger/sqlite.js';
import { toldBody } from '../../src/readiness/built-in.js';
import { temporaryFolder } from '../support/folder.js';
import { attempt } from '../support/history.js';

const S = 'H12-26-04711';
/** A folder of keys without a register of people: names are taken as stated. */
const keys = join(tmpdir(), 'stallmark-no-register');
const ENGINEER = { by: 'R. Dunmallard', role: 'quality engineer', keys };
const START = Date.parse('2026-11-25T14:00:00Z');

function folderWith(...entries: readonly NewEntry[]): string {
  const data = temporaryFolder();
  const ledger = openLedger(join(data, 'ledger.db'));
  entries.forEach((entry, i) => ledger.append(entry, START + i * 60_000));
  ledger.close();
  return data;
}

function terminal(): Terminal & { readonly lines: string[] } {
  const lines: string[] = [];
  const out = (text: string): void => void lines.push(text);
  const ask = (): Promise<string> => Promise.reject(new Error('nobody answers'));
  return { lines, out, err: out, width: 140, isInteractive: false, ask };
}

/** What a command prints. */
async function printed(
  work: (to: Terminal) => number | Promise<number>,
): Promise<readonly string[]> {
  const to = terminal();
  expect(await work(to)).toBe(0);
  return to.lines;
}

async function problemsOf(work: (to: Terminal) => unknown): Promise<readonly string[]> {
  try {
    await work(terminal());
    return [];
  } catch (error) {
    if (error instanceof StallmarkError) return error.problems.map(({ code }) => code);
    throw error;
  }
}

test('item state: state, attempts and what may be done next', async () => {
  const data = folderWith(...attempt(S, 1, 'rejected', { certificate: 'SIM-TW1-2026-000001' }));
  expect(await printed((to) => itemState(S, { data }, to))).toEqual([
    `${S} is rejected since 2026-11-25T14:01:00Z. Attempt 1 at TW-1 ended REJECT on 2026-11-25, record : rejected.`,
    '  attempt 1  2026-11-25T14:00:00Z  TW-1  SIM-TW1-2026-000001  REJECT  rejected',
    '1 of 2 attempts allowed without a disposition are used.',
    '  rework      → in rework (quality engineer)',
    '  release     → released for retest (quality engineer)',
    '  quarantine  → quarantined (operator, maintenance, quality engineer)',
    '  scrap       → scrapped (quality engineer)',
    '  concede     → accepted by concession (quality engineer)',
  ]);
});

test('item state as JSON holds the same', async () => {
  const data = folderWith(...attempt(S, 1, 'invalid'));
  const [text = ''] = await printed((to) => itemState(S, { data, json: true }, to));
  expect(JSON.parse(text)).toMatchObject({
    ...{ serial: S, state: 'to be repeated', counted: 1, allowed: 2, claim: null, quarantines: [] },
    next: [{ event: 'begin' }, {}, {}, {}, {}],
  });
});

/** An attempt in which the item told its motor. */
function withMotor(serial: string, motor: string): readonly NewEntry[] {
  const [begin, end] = attempt(serial, 1, 'accepted');
  if (begin === undefined || end === undefined) throw new Error('no attempt');
  const told = toldBody({
    ...{ model: 'H12', serial, firmware: '2.4.1', firmwareDigest: 'f'.repeat(64) },
    ...{ revision: 'C3', parametersDigest: 'a'.repeat(64) },
    components: [{ kind: 'motor', serial: motor }],
  });
  return [begin, { ...end, body: { ...end.body, ...told, certificate: `R-${serial}` } }];
}

test('item component: which items told it, as text and as JSON', async () => {
  const other = 'H12-26-04712';
  const data = folderWith(...withMotor(S, 'M-1'), ...withMotor(other, 'M-2'));
  const lines = await printed((to) => itemComponent('M-1', { data }, to));
  expect(lines).toHaveLength(2);
  expect(lines[1]).toMatch(
    /^H12-26-04711 +motor +yes +R-H12-26-04711 \(simulated\) +1 .* accepted$/u,
  );
  const [json = ''] = await printed((to) => itemComponent('M-1', { data, json: true }, to));
  expect(JSON.parse(json)).toMatchObject({
    component: 'M-1',
    items: [{ serial: S, kind: 'motor', isThere: true, state: 'accepted', simulated: true }],
  });
  expect(await printed((to) => itemComponent('M-3', { data }, to))).toEqual([
    'No record tells of a component M-3.',
  ]);
});

test('item state tells what is built in, and the quarantine of its motor', async () => {
  const data = folderWith(...withMotor(S, 'M-1'));
  const order = { component: 'motor=M-1', model: 'H12', why: 'Glue lets go.' };
  await printed((to) => itemQuarantine({ data, ...ENGINEER, ...order }, to));
  const lines = await printed((to) => itemState(S, { data }, to));
  expect(lines).toContain(
    `In record R-${S} it told: firmware 2.4.1, hardware revision C3, parameters aaaaaaaa…, motor M-1.`,
  );
  expect(lines.join()).toContain('its motor M-1 is. Glue lets go.');
  const [json = ''] = await printed((to) => itemState(S, { data, json: true }, to));
  expect(JSON.parse(json)).toMatchObject({
    told: { revision: 'C3', components: [{ kind: 'motor', serial: 'M-1' }] },
    quarantines: [{ code: 'serial/quarantined' }],
  });
});

test('bench check: entered with what was found; an unknown instrument and a wrong role are refused', async () => {
  const data = folderWith(...attempt(S, 1, 'accepted'));
  const check = { data, by: 'M. Fitter', role: 'maintenance', keys, why: 'weight found again' };
  expect(await printed((to) => benchCheck('TT-204', check, to))).toEqual([
    'Entry 3: TT-204 of TW-1 holds (M. Fitter: weight found again).',
  ]);
  const off = { ...check, off: true as const, why: 'reads 3 % low' };
  expect(await printed((to) => benchCheck('TT-204', off, to))).toEqual([
    'Entry 4: TT-204 of TW-1 is off (M. Fitter: reads 3 % low).',
  ]);
  const wrong = { ...check, role: 'operator' };
  expect(await problemsOf((to) => benchCheck('TT-240', wrong, to))).toEqual([
    'people/role',
    'usage/argument',
  ]);
});

test('item move: rework, reworked, and the way back to the bench', async () => {
  const data = folderWith(...attempt(S, 1, 'rejected'));
  const rework = { data, ...ENGINEER, why: 'friction' };
  expect(await printed((to) => itemMove(S, 'rework', rework, to))).toEqual([
    `Entry 3: ${S} is in rework, was rejected (R. Dunmallard: friction).`,
  ]);
  const done = {
    ...{
      data,
      by: 'A. Fitter',
      role: 'maintenance',
      keys,
      why: 'new bearings',
      json: true as const,
    },
    replaced: 'bearings, encoder',
  };
  const [text = ''] = await printed((to) => itemMove(S, 'reworked', done, to));
  expect(JSON.parse(text)).toMatchObject({
    number: 4,
    by: 'A. Fitter',
    body: { to: 'released for retest', replaced: ['bearings', 'encoder'], reworkedBy: 'A. Fitter' },
  });
});

const refusals: readonly (readonly [
  string,
  (data: string, to: Terminal) => number | Promise<number>,
  readonly string[],
])[] = [
  [
    'an event nobody knows',
    (data, to) => itemMove(S, 'bless', { data, ...ENGINEER, why: 'x' }, to),
    ['usage/argument'],
  ],
  [
    'a role nobody knows',
    (data, to) => itemMove(S, 'scrap', { data, keys, by: 'x', role: 'boss', why: 'x' }, to),
    ['usage/argument'],
  ],
  [
    'nobody',
    (data, to) => itemMove(S, 'scrap', { data, keys, by: ' ', role: 'operator', why: 'x' }, to),
    ['usage/argument'],
  ],
  [
    'an operator who scraps',
    (data, to) => itemMove(S, 'scrap', { data, keys, by: 'x', role: 'operator', why: 'x' }, to),
    ['people/role'],
  ],
  [
    'a serial nobody knows',
    (data, to) => itemMove('h12-26-4711', 'quarantine', { data, ...ENGINEER, why: 'x' }, to),
    ['usage/argument'],
  ],
  [
    'two ways to say which items',
    (data, to) => itemQuarantine({ data, ...ENGINEER, why: 'x', lot: 'L', serials: S }, to),
    ['usage/argument'],
  ],
  [
    'a component without a serial',
    (data, to) =>
      itemQuarantine({ data, ...ENGINEER, why: 'x', component: 'motor', model: 'H12' }, to),
    ['usage/argument'],
  ],
  [
    'a quarantine that is not there',
    (data, to) => itemLift('9', { data, ...ENGINEER, why: 'x' }, to),
    ['usage/argument'],
  ],
  [
    'a folder without a ledger',
    (data, to) => itemMove(S, 'scrap', { data: `${data}/none`, ...ENGINEER, why: 'x' }, to),
    ['storage/unreadable'],
  ],
];

for (const [name, work, codes] of refusals) {
  test(`${name}: ${codes.join()}, and nothing is entered`, async () => {
    const data = folderWith(...attempt(S, 1, 'rejected'));
    expect(await problemsOf((to) => work(data, to))).toEqual(codes);
    const ledger = openLedger(join(data, 'ledger.db'), { readOnly: true });
    expect([...ledger.entries()]).toHaveLength(2);
    ledger.close();
  });
}

test('a quarantine is set, shown with the item, listed and lifted', async () => {
  const data = folderWith(...attempt(S, 1, 'accepted'));
  const options = { data, ...ENGINEER, why: 'glue', contact: '4410' };
  const range = { ...options, serials: 'H12-26-04700..H12-26-04799' };
  expect(await printed((to) => itemQuarantine(range, to))).toEqual([
    'Entry 3: quarantine (R. Dunmallard: glue).',
  ]);
  const state = (await printed((to) => itemState(S, { data }, to))).join('\n');
  expect(state).toContain(
    'serials H12-26-04700 to H12-26-04799 are. glue Set it aside and ask 4410.',
  );
  expect((await printed((to) => itemQuarantines({ data }, to)))[0]).toContain('glue');
  await printed((to) => itemLift('3', { data, ...ENGINEER, why: 'sorted' }, to));
  expect(await printed((to) => itemQuarantines({ data }, to))).toEqual([
    'No quarantine is in force.',
  ]);
});

test('item reconcile flags a double once and says so with status 2', async () => {
  const data = folderWith(...attempt(S, 1, 'rejected'));
  const other = folderWith(...attempt(S, 1, 'accepted', { bench: 'TW-2' }));
  const to = terminal();
  for (let i = 0; i < 2; i++) expect(await itemReconcile(other, { data, ...ENGINEER }, to)).toBe(2);
  expect(to.lines[0]).toContain('In quarantine until it is moved.');
  const ledger = openLedger(join(data, 'ledger.db'), { readOnly: true });
  expect([...ledger.entries()]).toHaveLength(3);
  ledger.close();
  expect((await printed((t) => itemState(S, { data }, t)))[0]).toContain('is quarantined');
});

test('bench clear enters who, why and which bench', async () => {
  const data = folderWith(...attempt(S, 1, 'invalid'));
  const options = { data, ...ENGINEER, why: 'cable mended' };
  expect(await printed((to) => benchClear('TW-1', options, to))).toEqual([
    'Entry 3: bench cleared (R. Dunmallard: cable mended).',
  ]);
});
