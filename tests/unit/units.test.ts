import fc from 'fast-check';
import { expect, test } from 'vitest';
import { UNITS, findUnit, inUnit, newtonMetre, readMeasure, unitOf } from '../../src/base/units.js';
import type { Quantity } from '../../src/base/units.js';

const readable = [
  { text: '3.5 N·m', value: 3.5, symbol: 'N·m' },
  { text: '250 mN·m', value: 0.25, symbol: 'mN·m' },
  { text: '6 N·m/ms', value: 6000, symbol: 'N·m/ms' },
  { text: '2.30 ms', value: 0.0023, symbol: 'ms' },
  { text: '1 kHz', value: 1000, symbol: 'kHz' },
  { text: '98.0 %', value: 0.98, symbol: '%' },
  { text: '−60 mN·m', value: -0.06, symbol: 'mN·m' },
  { text: '-0.5 %', value: -0.005, symbol: '%' },
  { text: '+5 V', value: 5, symbol: 'V' },
  { text: '1.5e3 Hz', value: 1500, symbol: 'Hz' },
  { text: '0.35 Ω', value: 0.35, symbol: 'Ω' },
  { text: '52 W', value: 52, symbol: 'W' },
  { text: '23 °C', value: 23, symbol: '°C' },
  { text: '34 K', value: 34, symbol: 'K' },
  { text: '0 count', value: 0, symbol: 'count' },
  { text: '0.85 updates', value: 0.85, symbol: 'updates' },
  { text: '2%', value: 0.02, symbol: '%' },
];
for (const { text, value, symbol } of readable) {
  test(`"${text}" is ${value} in base units, written in ${symbol}`, () => {
    expect(readMeasure(text)).toEqual({ value, unit: UNITS.get(symbol) });
  });
}

const alike = [
  ['N·m', ['Nm', 'N*m', 'N m', 'N.m', 'N⋅m', 'N·m']],
  ['mN·m', ['mNm', 'mN*m', 'mN m']],
  ['N·m/A', ['Nm/A', 'N*m/A']],
  ['N·m/ms', ['Nm/ms']],
  ['µs', ['us', 'μs']],
  ['mΩ', ['mohm', 'mOhm', 'mΩ']],
  ['µΩ', ['uohm']],
  ['°C', ['degC']],
] as const;
for (const [symbol, spellings] of alike) {
  test(`${spellings.join(', ')} read as ${symbol}`, () => {
    for (const spelling of spellings) expect(findUnit(spelling)?.symbol).toBe(symbol);
  });
}

const unreadable = [
  { text: '3.5', reason: 'bare-number' },
  { text: '3.5 furlong', reason: 'unknown-unit' },
  { text: '8 mN·m rms', reason: 'unknown-unit' },
  { text: '5 nm', reason: 'unknown-unit' },
  { text: '3,5 N·m', reason: 'not-a-number' },
  { text: '1_000 Hz', reason: 'not-a-number' },
  { text: '1:30 s', reason: 'not-a-number' },
  { text: '.5 N·m', reason: 'not-a-number' },
  { text: 'NaN N·m', reason: 'not-a-number' },
  { text: 'Infinity N·m', reason: 'not-a-number' },
  { text: '1e999 N·m', reason: 'not-a-number' },
  { text: '', reason: 'not-a-number' },
  { text: 'N·m', reason: 'not-a-number' },
];
for (const { text, reason } of unreadable) {
  test(`"${text}" is no measure: ${reason}`, () => {
    expect(readMeasure(text)).toMatchObject({ reason });
  });
}

const decimals = fc
  .tuple(fc.bigInt(-(10n ** 12n), 10n ** 12n), fc.integer({ min: 0, max: 9 }))
  .map(([digits, places]) => {
    const magnitude = String(digits < 0n ? -digits : digits).padStart(places + 1, '0');
    const whole = magnitude.slice(0, magnitude.length - places);
    const fraction = places === 0 ? '' : `.${magnitude.slice(-places)}`;
    return `${digits < 0n ? '-' : ''}${whole}${fraction}`;
  });

test('a decimal with any unit reads back in that unit as the number it says', () => {
  fc.assert(
    fc.property(decimals, fc.constantFrom(...UNITS.values()), (digits, unit) => {
      const measure = readMeasure(`${digits} ${unit.symbol}`);
      if ('reason' in measure) return false;
      return measure.unit === unit && Math.abs(inUnit(measure.value, unit) - Number(digits)) === 0;
    }),
    { seed: 12 },
  );
});

test('no text makes the reader throw or yield a number that is not finite', () => {
  fc.assert(
    fc.property(
      fc.oneof(
        fc.string(),
        fc.tuple(fc.double(), fc.string()).map(([n, s]) => `${String(n)} ${s}`),
      ),
      (text) => {
        const measure = readMeasure(text);
        return 'reason' in measure || Number.isFinite(measure.value);
      },
    ),
    { seed: 12 },
  );
});

test('the printed symbol of every unit finds that unit', () => {
  for (const unit of UNITS.values()) expect(findUnit(unit.symbol)).toBe(unit);
});

test('a quantity is finite and knows its unit', () => {
  expect(() => newtonMetre(Number.NaN)).toThrow('quantity/not-finite');
  expect(() => newtonMetre(Number.POSITIVE_INFINITY)).toThrow('quantity/not-finite');
  expect(() => unitOf('Nm')).toThrow('no unit "Nm"');
  // @ts-expect-error a torque is no time
  const time: Quantity<'s'> = newtonMetre(1);
  expect(time).toBe(1);
});
