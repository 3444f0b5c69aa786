import { cpSync, readFileSync } from 'node:fs';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { expect, test } from 'vitest';
import { temporaryFolder } from '../support/folder.js';
import { stallmark } from '../support/program.js';

const shipped = fileURLToPath(new URL('../../procedures', import.meta.url));

test('a stand is measured and stored; a drifted one is not, unless a reason is given, which the ledger keeps', async () => {
  const folder = temporaryFolder();
  cpSync(shipped, join(folder, 'procedures'), { recursive: true });
  const bench = join(folder, 'procedures/benches/tw-1.yaml');
  const data = join(folder, 'records');
  const measure = (label: string, ...more: readonly string[]): ReturnType<typeof stallmark> =>
    stallmark([
      ...['stand', 'measure', label, '--operator', 'operator 17'],
      ...['--procedure', join(folder, 'procedures/h12-stand.yaml'), '--bench', bench],
      ...['--acknowledge', 'crushing', '--acknowledge', 'sudden-torque'],
      ...['--data', data, '--keys', join(folder, 'keys'), ...more],
    ]);
  const versions = (): number => readFileSync(bench, 'utf8').split('- version:').length - 1;

  const sound = await measure(']d2010952012340120721H12-26-00001');
  expect(sound.status, sound.err).toBe(0);
  expect(sound.out).toContain('Version 13 is in force');
  expect(versions()).toBe(2);

  const late = await measure('H12-26-00001', '--fault', 'late-transducer');
  expect(late.status, late.err).toBe(2);
  expect(late.out).toMatch(/DRIFT {2}The delay of the torque channel moved by 0\.200 ms/u);
  expect(versions()).toBe(2);

  const why = 'another filter, change note 88';
  const accepted = await measure(
    ...['H12-26-00001', '--fault', 'late-transducer', '--accept-drift', why],
  );
  expect(accepted.status, accepted.err).toBe(0);
  expect(versions()).toBe(3);

  const wrong = await measure('H12-26-1');
  expect(wrong.status).toBe(64);
  const { out } = await stallmark(['ledger', 'show', 'H12-26-00001', '--data', data, '--json']);
  const said = JSON.parse(out) as readonly { readonly body: { readonly what: string } }[];
  expect(said.map((entry) => entry.body.what)).toEqual([
    ...['stand measurement begun', 'stand measured', 'stand model in force'],
    ...['stand measurement begun', 'stand measured'],
    ...['stand measurement begun', 'stand measured', 'stand model in force'],
  ]);
  expect(said.at(-1)?.body).toMatchObject({ version: 14, reason: why });
});
