import { expect, test } from 'vitest';
import { fileURLToPath } from 'node:url';
import { stallmark } from '../support/program.js';

const sample = fileURLToPath(new URL('../../reports/sample', import.meta.url));

/** Formats we ever issued must be read for good: these sets are never written anew to please a test. */
for (const schema of ['schema-1', 'schema-2']) {
  test(`the sample records of ${schema} still verify with nothing but their root certificate`, async () => {
    const folder = `${sample}/${schema}`;
    const { status, out } = await stallmark([
      'verify',
      folder,
      '--root',
      `${folder}/simulation-root.pem`,
    ]);
    expect(status, out).toBe(0);
    expect(out).toContain('3 of 3 records hold.');
    for (const verdict of ['ACCEPT', 'REJECT', 'HOLD']) expect(out).toContain(`${verdict}, intact`);
  });
}
