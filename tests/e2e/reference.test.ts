import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { expect, test } from 'vitest';
import { temporaryFolder } from '../support/folder.js';
import { stallmark } from '../support/program.js';

test('a bench is checked with its reference items, charted, locked by one that is off, and a product is no reference item', async () => {
  const folder = temporaryFolder();
  const data = ['--data', join(folder, 'records')];
  const options = [
    ...['--operator', 'op 17', '--acknowledge', 'crushing', '--acknowledge', 'sudden-torque'],
    ...[...data, '--keys', join(folder, 'keys')],
  ];
  const check = (serial: string, ...more: readonly string[]): ReturnType<typeof stallmark> =>
    stallmark(['reference', 'check', serial, ...options, ...more]);

  const good = await check('REF-H12-A');
  expect(good.status, good.err).toBe(0);
  expect(good.out).toContain('HOLDS: all 7 assigned values of REF-H12-A were found again.');

  const bad = await check('REF-H12-B', '--json');
  expect(bad.status, bad.err).toBe(0);
  expect(JSON.parse(bad.out)).toMatchObject({ ok: true, item: 'REF-H12-B', cycle: 1 });

  const worn = await check('REF-H12-A', '--fault', 'bearing-rub');
  expect(worn.status, worn.err).toBe(1);
  expect(worn.out).toMatch(
    /DOES NOT HOLD: REF-H12-A is off its assigned triangle\.static-friction/u,
  );
  expect(worn.out).toContain('Bench TW-1 is LOCKED');

  const locked = await stallmark(['run', 'H12-26-00001', ...options]);
  expect(locked.status).toBe(69);
  expect(locked.err).toMatch(/Not ready, reference item REF-H12-A failed/u);
  expect(locked.err).not.toContain('ENERGIZED —');

  for (const [args, says] of [
    [['run', 'REF-H12-A', ...options], /"REF-H12-A" is a reference item/u],
    [['reference', 'check', 'H12-26-00001', ...options], /"H12-26-00001" is no reference item/u],
  ] as const) {
    const refused = await stallmark(args);
    expect(refused.status).toBe(64);
    expect(refused.err).toMatch(says);
  }

  const svg = join(folder, 'chart.svg');
  const row = ['--row', 'triangle.static-friction'];
  const chart = await stallmark(['reference', 'chart', 'REF-H12-A', ...row, '--svg', svg, ...data]);
  expect(chart.status, chart.err).toBe(0);
  expect(chart.out).toMatch(/ 2 .*did not hold/u);
  expect(readFileSync(svg, 'utf8')).toContain('SIMULATED');

  const suspects = await stallmark(['reference', 'suspects', '--json', ...data]);
  expect(suspects.status, suspects.err).toBe(0);
  expect(JSON.parse(suspects.out)).toEqual([]);
  const audit = await stallmark(['ledger', 'audit', ...data]);
  expect(audit.status, audit.out).toBe(0);
});
