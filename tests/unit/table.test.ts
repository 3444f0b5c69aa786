import { expect, test } from 'vitest';
import { resultTable } from '../../src/cli/table.js';
import { sampleCertificate } from '../support/sample-certificate.js';

const { decision } = sampleCertificate('reject');
const widest = (table: string): number =>
  Math.max(
    ...table
      .split('\n')
      .slice(0, -2)
      .map((l) => l.length),
  );

test('every result has a line with value, U, allowed and verdict', () => {
  const table = resultTable(decision, 200);
  for (const { name } of decision.results) expect(table).toContain(name);
  expect(table).toMatch(/✗ outside/u);
  expect(table.match(/✓/gu)?.length).toBe(
    decision.results.filter((r) => r.verdict.outcome === 'conforming').length,
  );
});

test('each row names its rule, and what is on condition is said in words beside its mark', () => {
  const [first, second, ...rest] = decision.results;
  if (second === undefined) throw new Error('the sample has results');
  const table = resultTable(
    {
      ...decision,
      results: [
        {
          ...first,
          limit: { ...first.limit, rule: 'four-way' },
          verdict: { outcome: 'conditional', side: 'inside' },
        },
        {
          ...second,
          limit: { ...second.limit, rule: 'four-way' },
          verdict: { outcome: 'conditional', side: 'outside' },
        },
        ...rest,
      ],
    },
    200,
  );
  expect(table).toMatch(/ F {2}✓ inside, on condition$/mu);
  expect(table).toMatch(/ F {2}‖ outside, on condition$/mu);
  expect(table).toContain('F: four-way statement, w = U');
  expect(table).toContain('S: simple acceptance');
});

test('an accepted value near its limit has an icon, the word and its share beside its mark', () => {
  const [first, ...rest] = sampleCertificate('accept').decision.results;
  const nearLimit = { used: 0.823, above: 0.75 };
  const table = resultTable({ ...decision, results: [{ ...first, nearLimit }, ...rest] }, 200);
  expect(table.match(/✓ △ near limit, 82 % used$/gmu)).toHaveLength(1);
  expect(table.match(/near limit/gu)).toHaveLength(1);
});

test('in a narrow terminal the limit strips give way, down to 11 characters', () => {
  const wide = widest(resultTable(decision, 400));
  expect(widest(resultTable(decision, wide - 5))).toBe(wide - 5);
  expect(widest(resultTable(decision, 20))).toBe(wide - 12);
});
