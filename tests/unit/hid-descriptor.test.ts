import * as fc from 'fast-check';
import { describe, expect, test } from 'vitest';
import { StallmarkError } from '../../src/base/error.js';
import { parseDescriptor, reportKey, type ReportField } from '../../src/link/hid-descriptor.js';
import { OTHER_LAYOUT, STANDARD_LAYOUT } from '../support/hid-descriptors.js';

const bytes = (hex: string): Uint8Array =>
  Uint8Array.from(Buffer.from(hex.replaceAll(' ', ''), 'hex'));
/** Fields of items inside one application collection. */
const inside = (hex: string): readonly ReportField[] =>
  parseDescriptor(bytes(`05 01 09 04 a1 01 ${hex} c0`)).fields;
const only = (hex: string): ReportField => {
  const fields = inside(hex);
  expect(fields).toHaveLength(1);
  return fields[0] as ReportField; // its being there was looked at above
};

test('two layouts of force feedback have the report lengths that were written down for them', () => {
  const lengths = (layout: Uint8Array): unknown => Object.fromEntries(parseDescriptor(layout).bits);
  expect(lengths(STANDARD_LAYOUT)).toEqual({
    ...{ 'input 2': 16, 'output 1': 136, 'output 2': 56, 'output 3': 64, 'output 4': 48 },
    ...{ 'output 5': 24, 'output 6': 24, 'output 10': 24, 'output 12': 8, 'output 13': 8 },
    ...{ 'feature 1': 24, 'feature 2': 32, 'feature 3': 32 },
  });
  expect(lengths(OTHER_LAYOUT)).toMatchObject({
    'output 49': 64,
    'output 65': 24,
    'output 68': 80,
  });
});

test('offsets count on per kind and id: 8 bits after 8 of padding, another report from 0', () => {
  const fields = inside(
    '15 00 25 01 85 01 75 08 95 01 81 03 09 30 81 02 85 02 09 31 81 02 85 01 09 32 91 02 09 33 81 02',
  );
  const placed = fields.map(({ kind, reportId, usage, offset }) => [kind, reportId, usage, offset]);
  expect(placed).toEqual([
    ['input', 1, 0x30, 8],
    ['input', 2, 0x31, 0],
    ['output', 1, 0x32, 0],
    ['input', 1, 0x33, 16],
  ]);
});

test('usages take the page in force at the main item, but those of four bytes their own', () => {
  const fields = inside('09 30 0b 02 00 0a 00 05 0f 15 00 25 01 75 01 95 02 81 02');
  expect(fields.map((f) => [f.usagePage, f.usage])).toEqual([
    [0x0f, 0x30],
    [0x0a, 0x02],
  ]);
});

test('a range gives a usage to each value, and the last one to values beyond it', () => {
  const fields = inside('19 30 29 31 15 00 25 01 75 01 95 03 81 02');
  expect(fields.map(({ usage }) => usage)).toEqual([0x30, 0x31, 0x31]);
});

test('an array keeps its list as it is, also one of 65536 usages', () => {
  const field = only('05 07 1a 00 00 2a ff ff 15 00 27 ff ff 00 00 75 10 95 01 81 00');
  expect(field.choices).toEqual([{ first: 0x07_0000, count: 65_536 }]);
});

test('collections are told outermost first', () => {
  const [field] = inside(
    '05 0f 09 21 a1 02 09 57 a1 02 0b 01 00 0a 00 15 00 25 01 75 08 95 01 91 02 c0 c0',
  );
  expect(field?.path).toEqual([0x1_0004, 0x0f_0021, 0x0f_0057]);
});

test.each([
  ['15 80 25 7f', -128, 127],
  ['15 00 25 ff', 0, 255],
  ['15 00 26 ff ff', 0, 65_535],
  ['15 ff 25 00', -1, 0],
  ['16 00 80 26 ff 7f', -32_768, 32_767],
  ['17 00 00 00 80 27 ff ff ff 7f', -2_147_483_648, 2_147_483_647],
  ['15 00 27 ff ff ff ff', 0, 4_294_967_295],
  ['14 25 01', 0, 1],
])('logical span %s is %i … %i', (items, minimum, maximum) => {
  const field = only(`${items} 09 30 75 20 95 01 81 02`);
  expect(field.logical).toEqual({ minimum, maximum });
  expect(field.physical).toEqual(field.logical);
});

test('a physical span of its own counts until it is set to 0 and 0', () => {
  const [first, second] = inside(
    '15 00 25 64 36 18 fc 46 e8 03 75 08 95 01 09 30 81 02 35 00 45 00 09 31 81 02',
  );
  expect(first?.physical).toEqual({ minimum: -1000, maximum: 1000 });
  expect(second?.physical).toEqual({ minimum: 0, maximum: 100 });
});

test.each([
  ['55 00', 0],
  ['55 07', 7],
  ['55 08', -8],
  ['55 0d', -3],
  ['55 fd', -3],
  ['54', 0],
])('unit exponent %s is %i', (item, exponent) => {
  expect(only(`15 00 25 01 66 01 10 ${item} 09 30 75 08 95 01 81 02`)).toMatchObject({
    unit: 0x1001,
    exponent,
  });
});

test('push and pop bring back all global items, the id with them', () => {
  const [, second] = inside(
    '85 01 15 00 25 01 75 01 95 01 a4 05 0f 85 02 25 7f 75 08 09 50 81 02 b4 09 30 81 02',
  );
  expect(second).toMatchObject({ reportId: 1, usagePage: 1, usage: 0x30, size: 1, offset: 0 });
  expect(second?.logical.maximum).toBe(1);
});

test('of alternatives between delimiters the first counts', () => {
  const field = only('a9 01 09 30 09 31 a9 00 15 00 25 01 75 01 95 01 81 02');
  expect(field.usage).toBe(0x30);
});

test('long items are skipped', () => {
  expect(only('fe 03 77 01 02 03 09 30 15 00 25 01 75 01 95 01 81 02').usage).toBe(0x30);
});

describe('what makes no sense is link/garbled with the byte', () => {
  const head = '05 01 09 04 a1 01'; // 6 bytes
  const field = '09 30 15 00 25 01 75 01 95 01 81 02';
  const cases: readonly (readonly [string, string, number, RegExp])[] = [
    ['an item whose data is missing', `${head} 26 ff`, 6, /item of 3 bytes begins, 2 are left/u],
    ['a long item cut off', `${head} fe 05 00 01`, 6, /item of 8 bytes begins, 4 are left/u],
    ['a reserved type', `${head} 0d 00`, 6, /reserved type/u],
    ['a reserved main item', `${head} d0`, 6, /main item 0x0d is reserved/u],
    ['a reserved global item', `${head} c4`, 6, /global item 0x0c is reserved/u],
    ['an end without a beginning', 'c0', 0, /none began/u],
    ['a collection without an end', `${head} ${field}`, 18, /1 collections are not ended/u],
    ['a field in no collection', field, 10, /lies in no collection/u],
    ['a pop without a push', `${head} b4`, 6, /pop without a push/u],
    ['seventeen pushes', `${head} ${'a4 '.repeat(17)}`, 22, /push 17 deep/u],
    ['33 collections', 'a1 00 '.repeat(33), 64, /collection 33 deep/u],
    ['an id of 0', `${head} 85 00`, 6, /report id 0/u],
    ['an id of 256', `${head} 86 00 01`, 6, /report id 256/u],
    ['ids for some reports only', `${head} ${field} 85 01 09 30 81 02`, 22, /with and without/u],
    ['no size', `${head} 09 30 95 01 81 02`, 10, /1 times 0 bits/u],
    ['no count', `${head} 09 30 75 08 81 02`, 10, /0 times 8 bits/u],
    ['a value of 33 bits', `${head} 09 30 75 21 95 01 81 02`, 12, /value of 33 bits/u],
    ['4 · 10^9 values', `${head} 09 30 75 01 97 ff ff ff ff 81 02`, 15, /4294967295 bits/u],
    ['a reversed logical span', `${head} 15 02 25 01 09 30 75 08 95 01 81 02`, 16, /minimum 2/u],
    ['a reversed physical span', `${head} 35 02 45 01 09 30 75 08 95 01 81 02`, 16, /physical/u],
    ['a reversed usage range', `${head} 19 31 29 30`, 8, /no range/u],
    ['a usage maximum alone', `${head} 29 30`, 6, /no minimum/u],
    ['a usage minimum alone', `${head} 19 30 75 08 95 01 81 02`, 12, /no maximum/u],
    ['two usage minima', `${head} 19 30 19 31`, 8, /follows another/u],
    ['an open delimiter', `${head} a9 01 75 08 95 01 81 02`, 12, /not closed/u],
    ['a delimiter closed twice', `${head} a9 00`, 6, /delimiter 0/u],
    ['a page of 17 bits', `${head} 07 00 00 01 00`, 6, /usage page/u],
    ['an exponent of 20', `${head} 55 14`, 6, /exponent 20/u],
    ['nothing', '', 0, /without a single field/u],
  ];
  test.each(cases)('%s', (_, hex, at, why) => {
    try {
      parseDescriptor(bytes(hex));
      expect.unreachable();
    } catch (error) {
      if (!(error instanceof StallmarkError)) throw error;
      expect(error.problems[0].code).toBe('link/garbled');
      expect(error.problems[0].what).toContain(`at byte ${at}:`);
      expect(error.problems[0].what).toMatch(why);
    }
  });

  test('1025 usages for one item, and 65536 bytes', () => {
    expect(() => parseDescriptor(bytes(`${head} ${'09 30 '.repeat(1025)}`))).toThrow(/over 1024/u);
    expect(() => parseDescriptor(new Uint8Array(65_536))).toThrow(/65536 bytes/u);
  });
});

const bounded = (layout: Uint8Array): void => {
  try {
    const { fields, bits } = parseDescriptor(layout);
    for (const f of fields) {
      expect(f.offset + f.size).toBeLessThanOrEqual(bits.get(reportKey(f.kind, f.reportId)) ?? 0);
    }
    expect(fields.length).toBeLessThanOrEqual(4096);
  } catch (error) {
    if (!(error instanceof StallmarkError)) throw error;
  }
};

test('300 runs of random bytes end in fields inside their reports or in a StallmarkError', () => {
  fc.assert(fc.property(fc.uint8Array({ maxLength: 600 }), bounded), { numRuns: 300, seed: 1 });
});

test('300 descriptors with up to four bytes changed end likewise', () => {
  const change = fc.tuple(fc.nat(STANDARD_LAYOUT.length - 1), fc.nat(255));
  fc.assert(
    fc.property(fc.array(change, { minLength: 1, maxLength: 4 }), (changes) => {
      const layout = Uint8Array.from(STANDARD_LAYOUT);
      for (const [at, byte] of changes) layout[at] = byte;
      bounded(layout);
    }),
    { numRuns: 300, seed: 2 },
  );
});
