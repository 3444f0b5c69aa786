import { expect, test } from 'vitest';
import { isSecret } from '../../src/people/secret.js';
import rows from './secret.json' with { type: 'json' };

for (const { id, clause, inputs, expected } of rows) {
  test(`${id} the hash of a secret is scrypt as published: RFC 7914, ${clause}`, async () => {
    const { password, salt, N, r, p } = inputs;
    const kept = {
      kind: 'scrypt',
      ...{ N, r, p },
      salt: Buffer.from(salt).toString('base64'),
      hash: Buffer.from(expected.hash, 'hex').toString('base64'),
    } as const;
    expect(await isSecret(password, kept)).toBe(true);
    expect(await isSecret(`${password} `, kept)).toBe(false);
  });
}
