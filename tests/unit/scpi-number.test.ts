import fc from 'fast-check';
import { expect, test } from 'vitest';
import { readScpiNumber, scpiNumber, writeScpiNumber } from '../../src/link/scpi-number.js';

const cases: readonly (readonly [string, unknown])[] = [
  ['0', 0],
  ['-12', -12],
  ['+1.5', 1.5],
  ['.5', 0.5],
  ['5.', 5],
  ['1.5E+00', 1.5],
  [' 2e-3 ', 0.002],
  ['9.9E37', 'infinite'],
  ['-9.9E37', 'infinite'],
  ['+9.900000E+37', 'infinite'],
  ['9.91E37', 'not-a-number'],
  ['9.91E+37', 'not-a-number'],
  ['1E400', 'infinite'],
  ['9.89E37', 9.89e37],
  ['INF', 'infinite'],
  ['NAN', 'not-a-number'],
  ['1,5', 'comma'],
  ['1.5V', 'unit'],
  ['20 kHz', 'unit'],
  ['', 'unreadable'],
  ['-', 'unreadable'],
  ['1.5.2', 'unreadable'],
  ['0x10', 'unreadable'],
  ['#HFF', 'unreadable'],
  ['1 2', 'unreadable'],
  ['ON', 'unreadable'],
  [`1${'0'.repeat(300)}`, 'unreadable'],
];

for (const [text, read] of cases) {
  test(`"${text.slice(0, 20)}" is read as ${String(read)}`, () => {
    expect(readScpiNumber(text)).toBe(read);
  });
}

test('what is no number is told with its subject and why', () => {
  expect(() => scpiNumber('1,5', 'The reply of "gen" to "OUTP:LIM?"')).toThrow(
    'link/garbled: The reply of "gen" to "OUTP:LIM?" is "1,5", which has a comma where a point belongs.',
  );
});

test('every finite number below 9.9E37 is written so that the same is read', () => {
  fc.assert(
    fc.property(fc.double({ min: -9.8e37, max: 9.8e37, noNaN: true }), (value) => {
      expect(readScpiNumber(writeScpiNumber(value)) === value).toBe(true); // 0 for −0 will do
    }),
    { numRuns: 200, seed: 8_7 },
  );
});

test('any text ends in a number or a reason', () => {
  fc.assert(
    fc.property(fc.string(), (text) => {
      const read = readScpiNumber(text);
      expect(typeof read === 'string' || Number.isFinite(read)).toBe(true);
    }),
    { numRuns: 200, seed: 488 },
  );
});
