import * as fc from 'fast-check';
import { expect, test } from 'vitest';
import type { HidDescriptor, ReportField } from '../../src/link/hid-descriptor.js';
import {
  emptyReport,
  fieldName,
  type FieldUnit,
  logicalOf,
  putBits,
  readField,
  usageOf,
  valueOf,
  writeField,
} from '../../src/link/hid-report.js';
import { bitsAt } from '../support/bits.js';

const field = (change: Partial<ReportField>): ReportField => ({
  ...{ kind: 'output', reportId: 5, path: [], usagePage: 0x0f, usage: 0x70, isConstant: false },
  ...{ offset: 0, size: 16, unit: 0, exponent: 0 },
  logical: { minimum: -1000, maximum: 1000 },
  physical: { minimum: -1000, maximum: 1000 },
  ...change,
});
const descriptor = (bits: number, hasIds = true): HidDescriptor => ({
  hasIds,
  fields: [],
  bits: new Map([[`output ${hasIds ? 5 : 0}`, bits]]),
});

test('names a field by usage and report', () => {
  expect(fieldName(field({}))).toBe('field 0x0f0070 of output 5');
  expect(usageOf(field({ usagePage: 0xff00 }))).toBe(0xff00_0070);
});

test('an empty report is its id and enough bytes for its bits, or only those', () => {
  expect(emptyReport(descriptor(9), 'output', 5).bytes).toEqual(Uint8Array.of(5, 0, 0));
  expect(emptyReport(descriptor(8, false), 'output', 0).bytes).toEqual(Uint8Array.of(0));
});

test('200 values of 1 … 32 bits at any bit come back, and leave the other bits alone', () => {
  const place = fc.record({
    offset: fc.nat(40),
    size: fc.integer({ min: 1, max: 32 }),
    isSigned: fc.boolean(),
    share: fc.double({ min: 0, max: 1, noNaN: true }),
    ground: fc.constantFrom(0x00, 0xff),
    hasIds: fc.boolean(),
  });
  fc.assert(
    fc.property(place, ({ offset, size, isSigned, share, ground, hasIds }) => {
      const minimum = isSigned ? -(2 ** (size - 1)) : 0;
      const maximum = minimum + 2 ** size - 1;
      const value = minimum + Math.floor(share * (maximum - minimum));
      const at = field({ offset, size, logical: { minimum, maximum } });
      const layout = descriptor(72, hasIds);
      const bytes = new Uint8Array(10).fill(ground);
      writeField(layout, bytes, at, value);
      const start = offset + (hasIds ? 8 : 0);
      expect(readField(layout, bytes, at)).toBe(value);
      expect(bitsAt(bytes, start, size, isSigned)).toBe(value);
      putBits(layout, bytes, at, ground === 0 ? 0 : 2 ** size - 1);
      expect(bytes).toEqual(new Uint8Array(10).fill(ground));
    }),
    { numRuns: 200, seed: 1 },
  );
});

test.each([
  [{ logical: { minimum: 1, maximum: 40 }, size: 8 }, 0],
  [{ logical: { minimum: 1, maximum: 40 }, size: 8 }, 41],
  [{ logical: { minimum: 0, maximum: 1000 }, size: 8 }, 256],
  [{ logical: { minimum: -1000, maximum: 1000 }, size: 8 }, 128],
  [{ logical: { minimum: -1000, maximum: 1000 }, size: 8 }, -129],
  [{}, 1.5],
  [{}, NaN],
])('%j does not take %d', (change, value) => {
  const bytes = new Uint8Array(4);
  expect(() => {
    writeField(descriptor(24), bytes, field(change), value);
  }).toThrow(/link\/ability/u);
  expect(bytes).toEqual(new Uint8Array(4));
});

const MS = { unit: 0x1001, exponent: -3, logical: { minimum: 0, maximum: 32_767 } };
const milliseconds = { ...MS, physical: MS.logical };
const DEGREES = { unit: 0x14, exponent: -2, logical: { minimum: 0, maximum: 255 } };
const degrees = { ...DEGREES, physical: { minimum: 0, maximum: 36_000 } };
const torque = { unit: 0xe121, exponent: 4 }; // mN·m
const share = {
  physical: { minimum: -10_000, maximum: 10_000 },
  logical: { minimum: -255, maximum: 255 },
};

test.each<[string, Partial<ReportField>, number, FieldUnit, number]>([
  ['0.1 s in ms', milliseconds, 0.1, 's', 100],
  ['0.029 s in ms, which binary64 has as 29.000000000000004', milliseconds, 0.029, 's', 29],
  ['32.767 s in ms, the greatest there is', milliseconds, 32.767, 's', 32_767],
  ['0.0999 s in ms, down', milliseconds, 0.0999, 's', 99],
  ['0.1 s in s of the English system', { ...milliseconds, unit: 0x1003 }, 0.1, 's', 100],
  ['12 s in units of 10 s', { ...milliseconds, exponent: 1 }, 12, 's', 1],
  ['90° in 255 parts, to the nearest', degrees, Math.PI / 2, 'rad', 64],
  [
    '1 rad in rad/100',
    { ...degrees, unit: 0x12, physical: { minimum: 0, maximum: 628 } },
    1,
    'rad',
    41,
  ],
  ['0.5 N·m in mN·m', torque, 0.5, 'N·m', 500],
  ['−0.9999 N·m in mN·m, towards zero', torque, -0.9999, 'N·m', -999],
  ['half of the full torque, towards zero', share, 0.5, '1', 127],
  ['minus half', share, -0.5, '1', -127],
  ['the whole', share, 1, '1', 255],
  [
    'nothing, of −128 … 127 for ±10000',
    { ...share, logical: { minimum: -128, maximum: 127 } },
    0,
    '1',
    0,
  ],
  [
    'nothing, of 0 … 255 for ±10000',
    { ...share, logical: { minimum: 0, maximum: 255 } },
    0,
    '1',
    127,
  ],
  [
    '0.002, of 0 … 255 for ±10000',
    { ...share, logical: { minimum: 0, maximum: 255 } },
    0.002,
    '1',
    128,
  ],
])('%s', (_, change, value, unit, logical) => {
  expect(logicalOf(field(change), value, unit)).toBe(logical);
});

test.each<[string, Partial<ReportField>, number, FieldUnit, RegExp]>([
  ['more than it holds', torque, 1.001, 'N·m', /takes -1 … 1 N·m; 1.001 N·m was asked for/u],
  ['less than it holds', milliseconds, -0.001, 's', /takes 0 … 32.767 s/u],
  ['a little more than it holds', milliseconds, 32.767_01, 's', /takes 0 … 32.767 s/u],
  ['an endless value', torque, Infinity, 'N·m', /Infinity N·m was asked for/u],
  ['NaN', torque, NaN, 'N·m', /NaN N·m was asked for/u],
  [
    'a force, N, for a torque',
    { unit: 0xe111, exponent: 5 },
    0.5,
    'N·m',
    /unit 0xe111.*needs one of 0xe121/u,
  ],
  ['a time without a unit', { unit: 0 }, 0.1, 's', /unit 0x00/u],
  ['a share with a unit', torque, 0.5, '1', /a share has none/u],
])('%s is link/ability', (_, change, value, unit, why) => {
  expect(() => logicalOf(field(change), value, unit)).toThrow(/link\/ability/u);
  expect(() => logicalOf(field(change), value, unit)).toThrow(why);
});

test('200 torques never become greater, nor less by more than one part', () => {
  fc.assert(
    fc.property(fc.double({ min: -1, max: 1, noNaN: true }), (wanted) => {
      const at = field({ ...torque, logical: { minimum: -127, maximum: 127 } });
      const held = valueOf(at, logicalOf(at, wanted, 'N·m'), 'N·m');
      expect(Math.abs(held)).toBeLessThanOrEqual(Math.abs(wanted) + 1e-9);
      expect(Math.abs(held - wanted)).toBeLessThan(1 / 127 + 1e-9);
      expect(held * wanted).toBeGreaterThanOrEqual(0);
    }),
    { numRuns: 200, seed: 1 },
  );
});
