import { expect, test } from 'vitest';
import { COST, decoyHash, hashSecret, isSecret, secretProblems } from '../../src/people/secret.js';
import { LOW_COST } from '../support/people.js';

const refused: readonly (readonly [secret: string, part: string])[] = [
  ['12345', '5 digits, at least 6'],
  ['', '0 characters, at least 8'],
  ['000000', 'one digit over and over'],
  ['999999999', 'one digit over and over'],
  ['123456', 'a run of digits'],
  ['654321', 'a run of digits'],
  ['789012', 'a run of digits'],
  ['321098', 'a run of digits'],
  ['harbour', '7 characters, at least 8'],
  ['aaaaaaaaaa', 'one character over and over'],
  ['tarn\twick 48', 'a control character'],
  ['x1'.repeat(65), '130 characters, at most 128'],
];

for (const [secret, part] of refused) {
  test(`"${secret.slice(0, 12)}" is refused as a new secret: ${part}`, () => {
    const [problem, ...others] = secretProblems(secret);
    expect(others).toEqual([]);
    expect(problem?.code).toBe('people/secret');
    expect(problem?.what).toContain(part);
    if (secret.length > 5) expect(problem?.what).not.toContain(secret);
  });
}

for (const secret of ['271828', '135790', '112358', 'tarnwick 48', 'ålesund-7', '123457']) {
  test(`"${secret}" may be a secret`, () => {
    expect(secretProblems(secret)).toEqual([]);
  });
}

test('a secret is known again by its hash, and no other is', async () => {
  const kept = await hashSecret('271828', LOW_COST);
  expect(await isSecret('271828', kept)).toBe(true);
  for (const wrong of ['271829', '27182', '2718281', '', ' 271828']) {
    expect(await isSecret(wrong, kept)).toBe(false);
  }
  expect(JSON.stringify(kept)).not.toContain('271828');
});

test('the same secret twice gives two salts and two hashes', async () => {
  const [a, b] = [await hashSecret('271828', LOW_COST), await hashSecret('271828', LOW_COST)];
  expect(a.salt).not.toBe(b.salt);
  expect(a.hash).not.toBe(b.hash);
});

test('letters count, not how a keyboard composes them', async () => {
  const kept = await hashSecret('\u00E5lesund-7', LOW_COST);
  expect(await isSecret('a\u030Alesund-7', kept)).toBe(true);
});

test('costs are stored with the hash, so that those of the program can grow', async () => {
  const old = await hashSecret('271828', LOW_COST);
  expect(old).toMatchObject({ kind: 'scrypt', ...LOW_COST });
  expect(await isSecret('271828', { ...old, N: 2048 })).toBe(false);
});

test('the program takes 128 MiB for each guess', async () => {
  expect(COST).toEqual({ N: 131_072, r: 8, p: 1 });
  const kept = await hashSecret('271828');
  expect(kept).toMatchObject(COST);
  expect(await isSecret('271828', kept)).toBe(true);
});

test('no secret fits the hash that stands for ids nobody has', async () => {
  const decoy = decoyHash(LOW_COST);
  expect(decoy).toMatchObject(LOW_COST);
  expect(await isSecret('271828', decoy)).toBe(false);
  expect(decoyHash(LOW_COST).hash).not.toBe(decoy.hash);
});
