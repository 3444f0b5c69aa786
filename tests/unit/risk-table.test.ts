import { writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { expect, test } from 'vitest';
import { EXIT } from '../../src/base/codes.js';
import { StallmarkError } from '../../src/base/error.js';
import { risk, type RiskOptions } from '../../src/cli/risk.js';
import type { Terminal } from '../../src/cli/terminal.js';
import { shippedDocuments } from '../support/simulated-run.js';
import { budgetTable, expandedFor } from '../../src/scoring/budget.js';
import { temporaryFolder } from '../support/folder.js';

function printed(limits: string | undefined, options: RiskOptions = {}): string {
  const lines: string[] = [];
  const terminal: Terminal = {
    out: (text) => void lines.push(text),
    err: (text) => void lines.push(`error: ${text}`),
    width: 140,
    isInteractive: false,
    ask: () => Promise.reject(new Error('nobody is asked')),
  };
  expect(risk(limits, options, terminal)).toBe(EXIT.conforming);
  return lines.join('\n');
}

test('every shipped limit has a line with its rule, U and risks', () => {
  const text = printed(undefined);
  const { limits } = shippedDocuments();
  for (const row of limits.rows) {
    const name = `${row.stage}.${row.characteristic}`;
    const line = text.split('\n').find((l) => l.startsWith(`${name} `)) ?? '';
    expect(line, name).toContain(row.rule === 'simple' ? ' S ' : ' G ');
    if (row.process === undefined) expect(line, name).toMatch(/not stated +not stated$/u);
    else expect(line, name).toMatch(/% +(?:< )?[\d.]+ %$/u);
  }
  expect(text).toContain('G: guarded acceptance, w = U');
  expect(text).toContain('S: simple acceptance');
});

const FOUR = `limits: FOUR
title: Four-way limits
issue: 1
date: 2026-11-28
procedure: { id: h12-acceptance, issue: 4 }
rows:
  smoothing.lag:
    label: lag
    from: 1.95 ms
    to: 2.85 ms
    rule: four-way
    process: { mean: 2.8 ms, sd: 0.05 ms }
`;

test('a four-way row tells what it accepts without and on condition, as text and as JSON', () => {
  const folder = temporaryFolder();
  const file = join(folder, 'four.yaml');
  writeFileSync(file, FOUR);
  const lines = printed(file).split('\n');
  const rows = lines.filter((line) => line.startsWith('smoothing.lag'));
  expect(rows).toHaveLength(2);
  expect(rows[0]).toMatch(/ F +[\d.]+ … [\d.]+ +ms +[\d.]+ +\d+ % +2\.3 % +[\d.]+ % +[\d.]+ %$/u);
  expect(rows[1]).toMatch(/ F on condition +1\.95 … 2\.85 +ms +[\d.]+ +\d+ % +50 % /u);
  const budget = shippedDocuments().station.uncertainty.get('lag');
  if (budget === undefined) throw new Error('the bench states no uncertainty of the lag');
  const [told] = JSON.parse(printed(file, { json: true })) as readonly [
    { readonly rows: readonly unknown[] },
  ];
  expect(told).toMatchObject({
    limits: 'FOUR',
    issue: 1,
    bench: 'TW-1',
    rows: [
      {
        row: 'smoothing.lag',
        rule: 'four-way',
        unit: 'ms',
        lower: 1.95,
        upper: 2.85,
        U: expect.closeTo(1000 * expandedFor(2.85e-3, budget), 9) as number,
        k: budgetTable(2.85e-3, budget).k,
        process: { mean: 2.8, sd: 0.05 },
        acceptances: [{ condition: 'without' }, { condition: 'also on condition' }],
      },
    ],
  });
});

const REFUSED: readonly (readonly [what: string, text: string, code: string])[] = [
  ['limits that cannot be read', FOUR.replace('sd: 0.05 ms', 'sd: -1 ms'), 'document/value'],
  ['a file without limits', 'bench: X\n', 'document/key'],
];

for (const [what, text, code] of REFUSED) {
  test(`${what} are refused with ${code}`, () => {
    const folder = temporaryFolder();
    const file = join(folder, 'four.yaml');
    writeFileSync(file, text);
    const codes = problemCodes(() => printed(file));
    expect(codes).toContain(code);
  });
}

test('a folder without limits, and a folder without a bench, are named', () => {
  const folder = temporaryFolder();
  expect(problemCodes(() => printed(folder))).toEqual(['limits/empty']);
  expect(problemCodes(() => printed(undefined, { bench: folder }))).toEqual(['document/mismatch']);
});

function problemCodes(work: () => unknown): readonly string[] {
  try {
    work();
  } catch (error) {
    if (error instanceof StallmarkError) return error.problems.map(({ code }) => code);
    throw error;
  }
  throw new Error('nothing was refused');
}
