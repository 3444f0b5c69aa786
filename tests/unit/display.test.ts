import fc from 'fast-check';
import { expect, test } from 'vitest';
import {
  exactText,
  forFiles,
  NO_UNIT,
  showEnds,
  showMeasured,
  showValue,
  type Ends,
} from '../../src/base/display.js';
import { unitOf } from '../../src/base/units.js';

const measured: readonly (readonly [number, number | undefined, string])[] = [
  [-0.35, 0.12, '−0.35 ± 0.12'],
  [1, 0.0999, '1.00 ± 0.10'], // rounding carries into another digit
  [1234, 124, '1230 ± 120'],
  [0.0149, 0.0145, '0.015 ± 0.015'], // a half of a decimal text goes up, binary or not
  [-2.5, 12, '−3 ± 12'], // a half goes away from zero
  [-0.00001, 0.1, '0.00 ± 0.10'], // no minus zero
  [3.5, undefined, '3.5'],
  [3.5, 0, '3.5'],
];

for (const [value, expanded, text] of measured) {
  test(`${String(value)} with U = ${String(expanded)} is shown as ${text}`, () => {
    expect(showMeasured(value, expanded, NO_UNIT)).toBe(text);
  });
}

const newtonMetres = unitOf('N·m');
const milliseconds = unitOf('ms');
const besideLimit: readonly (readonly [number, number | undefined, Ends, string])[] = [
  [12.004, 0.27, { upper: 12 }, '12.004'],
  [12.0000001, undefined, { upper: 12 }, '12.0000001'],
  [12, 0.27, { upper: 12 }, '12.00'],
  [11.999, 0.27, { upper: 12 }, '12.00'], // conforms, and 12.00 does too
  [12.0355, 0.27, { upper: 12.036 }, '12.036'], // conforms: not to be shown as 12.04
  [-0.151, 0.1, { lower: -0.15, upper: 0.15 }, '−0.151'],
  [0.1 + 0.2, undefined, { upper: 0.3 }, '0.30000000000000004'],
  [7.304, undefined, { upper: 8 }, '7.3'],
];

for (const [value, expanded, ends, text] of besideLimit) {
  test(`${String(value)} against ${showEnds(ends, newtonMetres)} is shown as ${text}`, () => {
    expect(showValue(value, expanded, newtonMetres, ends).value).toBe(text);
  });
}

test('a time in seconds is shown in the milliseconds of its limit', () => {
  const ends = { lower: 0.0023, upper: 0.0031 };
  expect(showValue(0.0022996, 0.00006, milliseconds, ends)).toEqual({
    value: '2.2996', // 2.300 would stand on the limit
    expanded: '0.060',
  });
});

const ends: readonly (readonly [Ends, string, string])[] = [
  [{ lower: 5200, upper: 6600 }, 'N·m/ms', '5.20 … 6.60'],
  [{ upper: 0.008 }, 'ms', '≤ 8.0'],
  [{ lower: 45 }, 'V', '≥ 45.0'],
  [{ lower: 108, upper: 146 }, 'Hz', '108 … 146'],
  [{ lower: 0.58, upper: 0.62 }, 'N·m/A', '0.58 … 0.62'],
  [{ lower: -0.01, upper: 0.01 }, '%', '−1.00 … 1.00'],
  [{ upper: 0 }, 'count', '≤ 0'],
  [{ upper: 0.9375 }, '1', '≤ 0.9375'],
];

for (const [limit, unit, text] of ends) {
  test(`${JSON.stringify(limit)} in ${unit} is shown as ${text}`, () => {
    expect(showEnds(limit, unitOf(unit))).toBe(text);
  });
}

test('every finite value is written exactly: moving the point back reads the same number', () => {
  const finite = fc.double({ noNaN: true, noDefaultInfinity: true });
  fc.assert(
    fc.property(finite, (value) => {
      const text = exactText(value, milliseconds);
      expect(text).toMatch(/^-?\d+(?:\.\d+)?$/u);
      expect(Number(`${text}e-3`) === value).toBe(true);
    }),
    { seed: 20 },
  );
});

test('no value is shown on the other side of a limit', () => {
  const number = fc.integer({ min: -20_000, max: 20_000 }).map((n) => n / 1000);
  fc.assert(
    fc.property(number, number, fc.integer({ min: 1, max: 999 }), (value, limit, u) => {
      const shown = showValue(value, u / 100, newtonMetres, { upper: limit }).value;
      expect(Number(forFiles(shown)) > limit).toBe(value > limit);
    }),
    { seed: 20 },
  );
});
