import { existsSync, readFileSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { expect, test } from 'vitest';
import { StallmarkError } from '../../src/base/error.js';
import { ready, readyTable, type ReadyOptions } from '../../src/cli/ready.js';
import { run } from '../../src/cli/run.js';
import { openLedger } from '../../src/ledger/sqlite.js';
import type { Check } from '../../src/readiness/readiness.js';
import { ledgerFile } from '../../src/run/places.js';
import { temporaryFolder } from '../support/folder.js';
import { madeKeys } from '../support/keys.js';
import { shortDocuments } from '../support/short-documents.js';

const CHECKS: readonly Check[] = [
  {
    name: 'calibration of TT-204',
    state: 'ok',
    found: 'due 2036',
    clear: 'maintenance',
    age: 12 * 86_400,
  },
  { name: 'seal', state: 'due soon', found: 'valid until 2026-12-01', clear: 'quality engineer' },
  {
    name: 'calibration of CS-11',
    state: 'overdue',
    found: 'due 2026',
    clear: 'maintenance',
    age: 100,
  },
  { name: 'interlocks', state: 'failed', found: 'guard open', clear: 'operator', age: 0 },
  { name: 'reference item', state: 'not run', found: 'never', clear: 'operator', blocks: false },
];

test('each check has a line with mark, state, age, who may clear it and what was found', () => {
  expect(readyTable(CHECKS).split('\n')).toEqual([
    'state                check                  age    cleared by        found',
    '✓ ok                 calibration of TT-204  12 d   maintenance       due 2036',
    '! due soon           seal                          quality engineer  valid until 2026-12-01',
    '✗ overdue            calibration of CS-11   100 s  maintenance       due 2026',
    '✗ failed             interlocks             0 s    operator          guard open',
    '– not run (no lock)  reference item                operator          never',
  ]);
});

interface Place {
  readonly options: ReadyOptions & { readonly keys: string };
  readonly bench: string;
  readonly limits: string;
}

async function place(): Promise<Place> {
  const folder = temporaryFolder();
  const { procedure, bench, limits } = shortDocuments(folder);
  const [data, keys] = [join(folder, 'records'), await madeKeys()];
  return { options: { procedure, bench, fault: [], data, keys }, bench, limits };
}

/** Calls a command as a person without a terminal does. */
async function told(
  call: (to: Parameters<typeof ready>[1]) => Promise<number>,
): Promise<{ readonly status: number; readonly out: string; readonly err: string }> {
  const out: string[] = [];
  const err: string[] = [];
  const status = await call({
    out: (text) => void out.push(text),
    err: (text) => void err.push(text),
    width: 140,
    isInteractive: false,
    ask: () => Promise.reject(new Error('nobody is asked')),
  });
  return { status, out: out.join('\n'), err: err.join('\n') };
}

test('a bench that may test says so, with status 0', async () => {
  const { options } = await place();
  const { status, out } = await told((to) => ready(options, to));
  expect(status, out).toBe(0);
  expect(out).toContain('MAY TEST: TW-1 for ');
  for (const name of ['TT-204', 'interlocks', 'clock', 'storage', 'seal'])
    expect(out).toContain(name);
});

test('as JSON the list holds what the table shows', async () => {
  const { options } = await place();
  const { out } = await told((to) => ready({ ...options, json: true }, to));
  const answer = JSON.parse(out) as { readonly checks: readonly Check[] };
  expect(answer).toMatchObject({ bench: 'TW-1', simulated: true, mayTest: true });
  expect(answer.checks[0]).toMatchObject({ state: 'ok', clear: 'maintenance' });
});

/** Each spoils the register so that the bench is locked for it. */
const SPOILED = [
  {
    name: 'overdue',
    from: 'due: 2036-05-18',
    to: 'due: 2026-06-18',
    code: 'equipment/overdue',
    says: 'overdue',
  },
  {
    name: 'without a due date',
    from: '        due: 2036-05-18\n',
    to: '',
    code: 'equipment/overdue',
    says: 'not stated',
  },
  {
    name: 'dated in the future',
    from: 'calibrated: 2026-06-05',
    to: 'calibrated: 2035-06-05',
    code: 'equipment/gap',
    says: 'in the future',
  },
  {
    name: 'sent away',
    from: 'in-service: 2026-05-20',
    to: 'out-of-service: 2026-06-20',
    code: 'equipment/gap',
    says: 'out of service from 2026-06-20',
  },
] as const;

for (const { name, from, to: spoiled, code, says } of SPOILED) {
  test(`an instrument ${name} is refused by list and run alike, and nothing is begun`, async () => {
    const { options, bench, limits } = await place();
    const text = readFileSync(bench, 'utf8');
    expect(text).toContain(from);
    writeFileSync(bench, text.replace(from, spoiled));
    const { status, out } = await told((to) => ready(options, to));
    expect(status).toBe(69);
    expect(out).toContain('MAY NOT TEST: TW-1');
    expect(out).toMatch(/1 of \d+ checks stand against it/u);
    expect(out).toContain(says);
    const acknowledge = ['crushing', 'sudden-torque'];
    const order = { operator: 'op 17', acknowledge, pace: 'fast', language: 'en' } as const;
    const heard: string[] = [];
    const refusal = told((to) =>
      run(
        'H12-26-00001',
        { ...options, ...order, limits },
        { ...to, err: (t) => void heard.push(t) },
      ),
    );
    await expect(refusal).rejects.toMatchObject({ problems: [{ code }] });
    expect(heard.join('\n')).not.toContain('ENERGIZED');
    const ledger = openLedger(ledgerFile(options.data), { readOnly: true });
    expect([...ledger.entries()].filter(({ kind }) => kind === 'attempt-begun')).toEqual([]);
    ledger.close();
  });
}

test('a register that is wrong on any day is refused before the bench is asked', async () => {
  const { options, bench } = await place();
  const text = readFileSync(bench, 'utf8');
  writeFileSync(bench, text.replace('due: 2036-05-18', 'due: 2026-05-17'));
  await expect(told((to) => ready(options, to))).rejects.toThrow(StallmarkError);
  await expect(told((to) => ready(options, to))).rejects.toThrow('equipment/order');
  expect(existsSync(options.data)).toBe(false);
});

test('a fault that the bench does not know is refused', async () => {
  const { options } = await place();
  const asked = told((to) => ready({ ...options, fault: ['open-gate'] }, to));
  await expect(asked).rejects.toThrow('usage/argument');
});
