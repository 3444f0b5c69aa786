import { join } from 'node:path';
import { expect, test } from 'vitest';
import { temporaryFolder } from '../support/folder.js';
import { stallmark } from '../support/program.js';

test('a stop is proven from the command line; a slow one is told, entered, and ends otherwise', async () => {
  const folder = temporaryFolder();
  const data = join(folder, 'records');
  const prove = (...more: readonly string[]): ReturnType<typeof stallmark> =>
    stallmark([
      ...['stop', 'prove', ']d2010952012340120721H12-26-00001', '--operator', 'operator 17'],
      ...['--acknowledge', 'crushing', '--acknowledge', 'sudden-torque'],
      ...['--data', data, '--keys', join(folder, 'keys'), ...more],
    ]);

  const sound = await prove();
  expect(sound.status, sound.err).toBe(0);
  expect(sound.err).toContain('PRESS THE EMERGENCY STOP');
  expect(sound.out).toMatch(/HOLDS: From the emergency stop to less than 5 % .* allowed 250 ms/u);

  const slow = await prove('--fault', 'slow-stop', '--json');
  expect(slow.status, slow.err).toBe(1);
  expect(JSON.parse(slow.out)).toMatchObject({ bench: 'TW-1', ok: false, limit: 0.25 });

  const unanswered = await stallmark([
    ...['stop', 'prove', 'H12-26-00001', '--operator', 'operator 17'],
    ...['--data', data, '--keys', join(folder, 'keys')],
  ]);
  expect(unanswered.status).toBe(64);
  expect(unanswered.err).toContain('Nobody can answer');
});
