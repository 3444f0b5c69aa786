import { expect, test } from 'vitest';
import { fileURLToPath } from 'node:url';
import { stallmark } from '../support/program.js';

const sample = fileURLToPath(new URL('../../reports/sample', import.meta.url));

/** Formats we ever issued must be read for good: this set is never written anew to please a test. */
test('the sample records of this repository still verify with nothing but their root certificate', async () => {
  const root = `${sample}/simulation-root.pem`;
  const { status, out } = await stallmark(['verify', sample, '--root', root]);
  expect(status, out).toBe(0);
  expect(out).toContain('3 of 3 records hold.');
  for (const verdict of ['ACCEPT', 'REJECT', 'HOLD']) expect(out).toContain(`${verdict}, intact`);
});
