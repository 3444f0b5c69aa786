import { expect, test } from 'vitest';
import {
  dateOf,
  fullYear,
  isVariable,
  readElements,
  readHumanReadable,
  SYMBOLOGIES,
  writeElements,
  writeHumanReadable,
} from '../../src/identity/gs1.js';
import type { ElementString } from '../../src/identity/identity.js';
import { readLabel } from '../../src/identity/label.js';
import { SEPARATOR } from '../../src/identity/wedge.js';
import { checkDigit } from '../../src/procedure/meaning.js';
import { rowsOf } from '../support/rows.js';

type Pairs = readonly (readonly [ai: string, value: string])[];
interface Row<I, E> {
  readonly id: string;
  readonly source: string;
  readonly clause: string;
  readonly inputs: I;
  readonly expected: E;
}

const row = rowsOf('labels');
const checks = row('L-1') as unknown as Row<
  { readonly withoutCheck: readonly string[] },
  { readonly check: readonly string[]; readonly full: readonly string[] }
>;
const power = row('L-3') as unknown as Row<
  { readonly number: string },
  { readonly undetected: readonly string[]; readonly invalid: readonly string[] }
>;
const strings = row('L-4') as unknown as Row<
  { readonly elements: readonly Pairs[]; readonly predefined: readonly string[] },
  {
    readonly strings: readonly string[];
    readonly humanReadable: readonly string[];
    readonly identifiers: Pairs;
  }
>;
const scan = row('L-5') as unknown as Row<
  { readonly scan: string; readonly year: number },
  { readonly elements: Pairs; readonly date17: string }
>;
const refusals = row('L-6') as unknown as Row<
  { readonly year: number; readonly scans: readonly string[]; readonly yy: readonly string[] },
  { readonly reasons: readonly string[]; readonly years: readonly number[] }
>;

const sent = (text: string): string => text.replaceAll('<GS>', SEPARATOR);
const pairs = (elements: readonly ElementString[]): readonly (readonly string[])[] =>
  elements.map(({ ai, value }) => [ai, value]);
const isWhole = (number: string): boolean => number.endsWith(checkDigit(number.slice(0, -1)));

test(`${checks.id}: check digits after ${checks.source}, ${checks.clause}`, () => {
  const digits = checks.inputs.withoutCheck.map(checkDigit);
  expect(digits).toEqual(checks.expected.check);
  expect(checks.inputs.withoutCheck.map((n, i) => `${n}${String(digits[i])}`)).toEqual(
    checks.expected.full,
  );
});

test(`${power.id}: every change of one digit of ${power.inputs.number} is found`, () => {
  const { number } = power.inputs;
  expect(isWhole(number)).toBe(true);
  const changed = Array.from(number).flatMap((digit, i) =>
    Array.from('0123456789')
      .filter((other) => other !== digit)
      .map((other) => `${number.slice(0, i)}${other}${number.slice(i + 1)}`),
  );
  expect(changed).toHaveLength(13 * 9);
  expect(changed.filter(isWhole)).toEqual([]);
  expect(power.expected.invalid.filter(isWhole)).toEqual([]);
  expect(power.expected.undetected.filter(isWhole)).toEqual(power.expected.undetected);
});

test(`${power.id}: neighbours that are swapped are found unless they differ by 5, in every number of the row`, () => {
  const { number } = power.inputs;
  const { undetected } = power.expected;
  for (const whole of [number, ...undetected]) {
    const digits = Array.from(whole);
    digits.slice(0, -1).forEach((digit, i) => {
      const next = digits[i + 1] ?? '';
      const swapped = [...digits.slice(0, i), next, digit, ...digits.slice(i + 2)].join('');
      const isUnseen = digit === next || Math.abs(Number(digit) - Number(next)) === 5;
      expect(isWhole(swapped), `${whole} → ${swapped}`).toBe(isUnseen);
    });
  }
});

strings.inputs.elements.forEach((list, i) => {
  const elements = list.map(([ai, value]) => ({ ai, value }));
  const text = strings.expected.strings[i] ?? '';
  test(`${strings.id}: ${text} after ${strings.source}, ${strings.clause}`, () => {
    expect(writeElements(elements)).toBe(sent(text));
    expect(readElements(sent(text), 2026)).toEqual({ elements, problems: [] });
    expect(writeHumanReadable(elements)).toBe(strings.expected.humanReadable[i]);
    expect(readHumanReadable(writeHumanReadable(elements), 2026).elements).toEqual(elements);
  });
  test(`${strings.id}: ${text} with a separator after every element reads the same`, () => {
    const separated = list.map((pair) => `${pair.join('')}${SEPARATOR}`).join('');
    expect(readElements(separated, 2026)).toEqual({ elements, problems: [] });
  });
});

test(`${strings.id}: predefined lengths and symbology identifiers`, () => {
  const all = Array.from({ length: 100 }, (_, i) => String(i).padStart(2, '0'));
  const fixed = all.filter((prefix) => !isVariable(prefix));
  expect(fixed).toEqual(strings.inputs.predefined);
  expect([...SYMBOLOGIES]).toEqual(strings.expected.identifiers);
});

test(`${scan.id}: ${scan.inputs.scan} after ${scan.source}, ${scan.clause}`, () => {
  const { year } = scan.inputs;
  const known = { code: 'SN', name: 'sample', gtin: '09521234543213', revision: 'A' };
  const model = { ...known, serial: '^SN[0-9]{6}$' };
  const reading = readLabel(sent(scan.inputs.scan), [model], year);
  if (reading.kind !== 'label') throw new Error(reading.problems[0].what);
  expect(pairs(reading.label.elements)).toEqual(scan.expected.elements);
  expect(reading.label).toMatchObject({ serial: 'SN000124', lot: 'LOT9', means: 'scanned' });
  expect(dateOf('251200', year)).toBe(scan.expected.date17);
});

refusals.inputs.scans.forEach((text, i) => {
  test(`${refusals.id}: ${text} is refused`, () => {
    const { problems } = readElements(text, refusals.inputs.year);
    expect(problems.map((p) => p.what)).toEqual([refusals.expected.reasons[i]]);
  });
});

test(`${refusals.id}: century after ${refusals.source}, ${refusals.clause}`, () => {
  const { year, yy } = refusals.inputs;
  expect(yy.map((two) => fullYear(Number(two), year))).toEqual(refusals.expected.years);
  expect(yy.map((two) => dateOf(`${two}0115`, year)?.slice(0, 4))).toEqual(
    refusals.expected.years.map(String),
  );
});

test(`${refusals.id}: the rule itself over every year of two centuries`, () => {
  // The row: YY − CC in 51 … 99 is the century before, −99 … −50 the next one, anything else this one.
  for (let year = 1950; year < 2150; year++) {
    for (let yy = 0; yy < 100; yy++) {
      const apart = yy - (year % 100);
      const shift = apart >= 51 ? -100 : apart <= -50 ? 100 : 0;
      expect(fullYear(yy, year)).toBe(year - (year % 100) + shift + yy);
    }
  }
});
