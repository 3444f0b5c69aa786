import fc from 'fast-check';
import { expect, test } from 'vitest';
import { canonicalJson, digestOf, sha256, type Json } from '../../src/base/canonical.js';
import { StallmarkError } from '../../src/base/error.js';

class Reading {
  readonly torque = 1;
}

const refused: readonly (readonly [string, unknown, string])[] = [
  ['NaN', { a: [1, NaN] }, '$.a.1 is NaN'],
  ['infinity', { a: -Infinity }, '$.a is -Infinity'],
  ['an undefined member', { a: undefined }, '$.a is of type undefined'],
  ['undefined itself', undefined, '$ is of type undefined'],
  ['a hole in a list', new Array<number>(1), '$.0 is of type undefined'],
  ['a function', { a: () => 1 }, '$.a is of type function'],
  ['a symbol', [Symbol('a')], '$.0 is of type symbol'],
  ['a big integer', [1n], '$.0 is of type bigint'],
  ['a date', { at: new Date(0) }, '$.at is not a plain object'],
  ['a map', new Map([['a', 1]]), '$ is not a plain object'],
  ['samples', { torque: new Float64Array(2) }, '$.torque is not a plain object'],
  ['an instance of a class', new Reading(), '$ is not a plain object'],
  ['half a surrogate pair', { a: '\ud800' }, '$.a holds half'],
  ['half a surrogate pair as a key', { '\udc00': 1 }, '$ holds half'],
];

for (const [name, value, message] of refused) {
  test(`${name} is refused and its place is named`, () => {
    expect(() => canonicalJson(value as Json)).toThrow(message);
  });
}

test('NaN is refused with a code, since it comes from a measurement and not from a defect', () => {
  expect(() => canonicalJson(NaN)).toThrow(StallmarkError);
});

test('the order in which keys were set does not change the digest', () => {
  expect(digestOf({ b: 1, a: [2, { d: 3, c: 4 }] })).toBe(
    digestOf({ a: [2, { c: 4, d: 3 }], b: 1 }),
  );
});

test('the order of a list does', () => {
  expect(digestOf([1, 2])).not.toBe(digestOf([2, 1]));
});

test('every JSON value survives being written, read and written again', () => {
  fc.assert(
    fc.property(fc.jsonValue(), (value) => {
      const text = canonicalJson(value as Json);
      expect(canonicalJson(JSON.parse(text) as Json)).toBe(text);
      expect(digestOf(value as Json)).toBe(sha256(Buffer.from(text)));
    }),
    { seed: 1785, numRuns: 500 },
  );
});
