import { readdirSync } from 'node:fs';
import { join } from 'node:path';
import { expect, test } from 'vitest';
import { temporaryFolder } from '../support/folder.js';
import { stallmark } from '../support/program.js';

test('the demonstration accepts the good item, rejects the faulty one for its slew, and verifies both', async () => {
  const folder = temporaryFolder();
  const data = join(folder, 'records');
  const { status, out, err } = await stallmark([
    'demo',
    '--data',
    data,
    '--keys',
    join(folder, 'keys'),
  ]);
  expect(status, err).toBe(0);
  expect(err).toContain('WARNING   Crushing of hands');
  expect(err).toContain('WARNING   Sudden torque');
  expect(err).toContain('Acknowledged: crushing, by operator 17');
  expect(err).toMatch(/11\/25 {2}full-step/u);
  expect(out).toMatch(/ACCEPT {3}H12-26-04711/u);
  expect(out).toMatch(/REJECT {3}H12-26-04712/u);
  expect(out).toMatch(/slew rate.* (?:2\.99|3\.00).*5\.20 … 6\.60.*✗ outside/u);
  expect(out).toContain('2 of 2 records hold.');
  expect(out).toContain('SIMULATED – NOT A PRODUCT RECORD');
  expect(readdirSync(join(data, firstYear(data)))).toEqual(['H12-26-04711', 'H12-26-04712']);
});

function firstYear(data: string): string {
  const year = readdirSync(data).find((name) => /^\d{4}$/u.test(name));
  if (year === undefined) throw new Error(`no year in ${data}`);
  return year;
}
