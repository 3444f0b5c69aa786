import { readFileSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { expect, test } from 'vitest';
import { temporaryFolder } from '../support/folder.js';
import { stallmark } from '../support/program.js';
import { shortDocuments } from '../support/short-documents.js';

test('a file is saved as the draft of limits as it is, over another one only when that is named, and withdrawn', async () => {
  const folder = temporaryFolder();
  const { limits } = shortDocuments(folder);
  const data = ['--data', join(folder, 'records')];
  const given = ['--against', limits, ...data, '--keys', join(folder, 'keys')];
  const by = (role: string) => ['--by', 'Q. Engineer', '--role', role, '--why', 'new trim'];
  const before = readFileSync(limits, 'utf8');
  const mine = join(folder, 'mine.txt');
  const text = `# wider, after trial 7\n${before.replace('to: 0.80 ms', 'to: 0.90 ms')}`;
  writeFileSync(mine, text);
  const draft = (...more: readonly string[]) => stallmark(['limits', 'draft', mine, ...more]);

  const operator = await draft(...given, ...by('operator'));
  expect([operator.status, operator.err]).toEqual([64, expect.stringContaining('people/role')]);
  const saved = await draft(...given, ...by('quality engineer'));
  expect(saved.status, saved.err).toBe(0);
  expect(saved.out).toContain('Draft of AS-H12 saved as ');
  const file = join(folder, 'records/drafts/limits.yaml');
  expect(readFileSync(file, 'utf8')).toBe(text);
  expect(readFileSync(limits, 'utf8')).toBe(before);

  writeFileSync(mine, text.replace('to: 0.90 ms', 'to: 0.9'));
  const blind = await draft(...given, ...by('quality engineer'));
  expect([blind.status, blind.err]).toEqual([64, expect.stringContaining('limits/overtaken')]);
  expect(readFileSync(file, 'utf8')).toBe(text);
  const named = /there is ([0-9a-f]{12}) now/u.exec(blind.err)?.[1] ?? '';
  const over = ['--over', named, '--json'];
  const again = await draft(...given, ...over, ...by('quality engineer'));
  expect(again.status, again.err).toBe(0);
  expect(JSON.parse(again.out)).toMatchObject({
    id: 'AS-H12',
    draft: file,
    problems: [{ code: 'procedure/bare-number', where: { file: mine } }],
  });

  const gone = await stallmark([
    'limits',
    'withdraw',
    'AS-H12',
    ...given,
    ...by('quality engineer'),
  ]);
  expect(gone.status, gone.err).toBe(0);
  const trail = await stallmark(['ledger', 'trail', ...data]);
  expect(trail.out.match(/changed limits draft AS-H12/gu)).toHaveLength(3);
  const none = await stallmark([
    'limits',
    'withdraw',
    'AS-H12',
    ...given,
    ...by('quality engineer'),
  ]);
  expect([none.status, none.err]).toEqual([
    64,
    expect.stringContaining('There is no draft of AS-H12'),
  ]);
});
