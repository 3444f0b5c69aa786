import fc from 'fast-check';
import { expect, test } from 'vitest';
import { bytesOfVolts, definiteBlock, voltsOf, type BlockForm } from '../../src/link/scpi-block.js';

const form = (format: BlockForm['format'], isSwapped = false, voltsPerCount = 1): BlockForm => ({
  ...{ format, isSwapped, voltsPerCount },
});

test('a definite block says how long it is', () => {
  expect(Buffer.from(definiteBlock(Buffer.from('a\nb'))).toString()).toBe('#13a\nb');
  expect(Buffer.from(definiteBlock(new Uint8Array(0))).toString()).toBe('#10');
  expect(Buffer.from(definiteBlock(new Uint8Array(1000))).toString('latin1', 0, 6)).toBe('#41000');
});

test('1.5 V is written in both byte orders as IEEE 754 has it', () => {
  const bytes = (f: BlockForm): string =>
    Buffer.from(bytesOfVolts(Float64Array.of(1.5), f)).toString('hex');
  expect(bytes(form('f32'))).toBe('3fc00000');
  expect(bytes(form('f32', true))).toBe('0000c03f');
  expect(bytes(form('f64'))).toBe('3ff8000000000000');
  expect(bytes(form('f64', true))).toBe('000000000000f83f');
  expect(bytes(form('i16', false, 0.5))).toBe('0003');
  expect(bytes(form('i16', true, 0.5))).toBe('0300');
});

test('counts are volts by their scale, and a rest of a value is left out', () => {
  const read = voltsOf(Uint8Array.of(0xff, 0xfe, 0x00, 0x03, 0x01), form('i16', false, 0.25));
  expect([...read]).toEqual([-0.5, 0.75]);
});

test('no format makes a value grow, whatever it cannot hold', () => {
  const any = fc.double({ min: -10, max: 10, noNaN: true });
  const forms = [form('f32'), form('f64', true), form('i16', false, 10 / 32_767)];
  fc.assert(
    fc.property(any, fc.constantFrom(...forms), (value, one) => {
      const [read = NaN] = voltsOf(bytesOfVolts(Float64Array.of(value), one), one);
      const step = one.format === 'i16' ? one.voltsPerCount : 2 ** -23 * Math.abs(value) + 2e-45;
      expect(Math.abs(read)).toBeLessThanOrEqual(Math.abs(value));
      expect(Math.abs(value - read)).toBeLessThanOrEqual(step);
    }),
    { numRuns: 300, seed: 7 },
  );
});
