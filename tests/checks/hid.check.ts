import { readFileSync } from 'node:fs';
import { expect, test } from 'vitest';
import { parseDescriptor, type ReportField } from '../../src/link/hid-descriptor.js';
import { itemAt } from '../../src/link/hid-item.js';
import { type FieldUnit, logicalOf } from '../../src/link/hid-report.js';
import { PID, pidUsage } from '../../src/link/hid-usage.js';

interface Example {
  readonly descriptor: string;
  readonly bits: Readonly<Record<string, number>>;
  /** Kind, page, usage, offset, size, logical minimum and maximum. */
  readonly expected: readonly (readonly [string, number, number, number, number, number, number])[];
}
/** What the rows of hid.json hold. */
interface Rows {
  readonly items: { readonly expected: readonly (readonly [string, string, string, number])[] };
  readonly 'item-sizes': {
    readonly expected: readonly (readonly [string, number, number, number])[];
  };
  readonly keyboard: Example;
  readonly mouse: Example;
  readonly exponents: { readonly expected: readonly (readonly [number, number])[] };
  readonly units: {
    readonly expected: readonly (readonly [FieldUnit, string, number, number, number])[];
  };
  readonly 'pid-usages': { readonly expected: Readonly<Record<string, string>> };
}

const file = new URL('hid.json', import.meta.url);
const rows = JSON.parse(readFileSync(file, 'utf8')) as readonly { readonly id: string }[];
const row = <K extends keyof Rows>(id: K): Rows[K] =>
  rows.find((r) => r.id === id) as unknown as Rows[K];
const bytes = (hex: string): Uint8Array =>
  Uint8Array.from(Buffer.from(hex.replaceAll(' ', ''), 'hex'));

test.each(row('items').expected)(
  'items: %s is %s, a %s item with tag %i',
  (_, prefix, kind, tag) => {
    expect(itemAt(bytes(prefix), 0)).toMatchObject({ kind, tag, size: 0 });
  },
);

test.each(row('item-sizes').expected)('item-sizes: %s', (hex, size, unsigned, signed) => {
  expect(itemAt(bytes(hex), 0)).toMatchObject({ size, unsigned, signed, end: 1 + size });
});

test.each(['keyboard', 'mouse'] as const)(
  '%s: every field lies where the appendix has it',
  (id) => {
    const { descriptor, bits, expected } = row(id);
    const read = parseDescriptor(bytes(descriptor));
    expect(Object.fromEntries(read.bits)).toEqual(bits);
    expect(read.hasIds).toBe(false);
    const found = read.fields.map((f) => {
      const { kind, usagePage, usage, offset, size, logical } = f;
      return [kind, usagePage, usage, offset, size, logical.minimum, logical.maximum];
    });
    for (const field of expected) expect(found).toContainEqual(field);
  },
);

test.each(row('exponents').expected)('exponents: code %i is %i', (code, exponent) => {
  const hex = `05 01 09 04 a1 01 55 ${code.toString(16).padStart(2, '0')} 09 30 25 01 75 08 95 01 81 02 c0`;
  expect(parseDescriptor(bytes(hex)).fields[0]?.exponent).toBe(exponent);
});

test.each(row('units').expected)(
  'units: in %s, unit 0x%s with exponent %i holds %d as %d',
  (unit, code, exponent, value, physical) => {
    const span = { minimum: 0, maximum: 10_000 };
    const field: ReportField = {
      ...{ kind: 'output', reportId: 0, path: [], usagePage: 15, usage: 0x70, isConstant: false },
      ...{ offset: 0, size: 16, logical: span, physical: span },
      ...{ unit: Number.parseInt(code, 16), exponent },
    };
    expect(logicalOf(field, value, unit)).toBe(physical);
  },
);

test('pid-usages: every usage of force feedback has its number on page 0x0F', () => {
  const found = Object.entries(PID).map(([name, usage]) => [
    name,
    usage.toString(16).toUpperCase(),
  ]);
  expect(Object.fromEntries(found)).toEqual(row('pid-usages').expected);
  expect(pidUsage('magnitude')).toBe(0x000f_0070);
});
