import { expect, test } from 'vitest';
import { canonicalJson, digestOf, sha256, type Json } from '../../src/base/canonical.js';
import rows from './canonical.json' with { type: 'json' };

function doubleOf(hex: string): number {
  return Buffer.from(hex, 'hex').readDoubleBE();
}

test('M-1 numbers are written as in the table of RFC 8785', () => {
  const { inputs, expected } = rows['M-1'];
  expect(inputs.ieee754_hex.map((hex) => canonicalJson(doubleOf(hex)))).toEqual(expected.json);
  expect(canonicalJson(doubleOf('8000000000000000'))).toBe('0');
});

for (const [hex, why] of Object.entries(rows['M-1'].expected.errors)) {
  test(`M-1 ${hex}: ${why}`, () => {
    expect(() => canonicalJson(doubleOf(hex))).toThrow('quantity/not-finite');
  });
}

test('M-3 the sample object has one text and one digest', () => {
  const { inputs, expected } = rows['M-3'];
  const value = JSON.parse(inputs.json_text) as Json;
  const text = canonicalJson(value);
  expect(text).toBe(expected.canonical);
  expect(Buffer.from(text).length).toBe(expected.bytes);
  expect(Buffer.from(text).subarray(0, 16).toString('hex')).toBe(expected.utf8_hex_first16);
  expect(digestOf(value)).toBe(expected.sha256_hex);
});

test('M-4 keys are sorted by UTF-16 code units', () => {
  const { inputs, expected } = rows['M-4'];
  const value = Object.fromEntries(inputs.keys.map((key) => [key, 0]));
  const order = [...canonicalJson(value).matchAll(/("(?:[^"\\]|\\.)*"):0/gu)];
  expect(order.map((match) => JSON.parse(match[1] ?? '') as unknown)).toEqual(expected.order);
});

test('M-5 SHA-256 of the published messages', () => {
  const { inputs, expected } = rows['M-5'];
  const messages = [...inputs.ascii, 'a'.repeat(1_000_000)];
  expect(messages.map(sha256)).toEqual(expected.hex);
});
