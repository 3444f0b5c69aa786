import fc from 'fast-check';
import { expect, test } from 'vitest';
import {
  readElements,
  readHumanReadable,
  writeElements,
  writeHumanReadable,
} from '../../src/identity/gs1.js';
import type { ElementString, LabelledModel, Reading } from '../../src/identity/identity.js';
import { readLabel } from '../../src/identity/label.js';
import { DAMAGES, SEPARATOR } from '../../src/identity/wedge.js';
import { checkDigit } from '../../src/procedure/meaning.js';

const YEAR = 2026;
const H12: LabelledModel = {
  code: 'H12',
  name: 'H12 console helm feedback unit',
  gtin: '09520123401207',
  revision: 'C3',
  serial: '^H12-[0-9]{2}-[0-9]{5}$',
};
const H25: LabelledModel = {
  code: 'H25',
  name: 'H25 bridge helm feedback unit',
  gtin: '09520123402594',
  revision: 'A1',
  serial: '^H25-[0-9]{2}-[0-9]{5}$',
};
/** Grammars that invite mistakes: no fixed length, no dash, letters that layouts exchange. */
const LOOSE: LabelledModel = { ...H12, code: 'S', serial: '^S-[0-9A-Z]+$' };
const SWAPPED: LabelledModel = { ...H12, code: 'XY', serial: '^X[YZ][A-Z0-9]{4}$' };
const CASELESS: LabelledModel = { ...H12, code: '612', serial: '^612[A-Za-z]{3}$' };

const ITEM = ']d2010952012340120721H12-26-04711';
const WHOLE = `${ITEM}${SEPARATOR}240C3`;

const read = (text: string, models: readonly LabelledModel[] = [H12, H25]): Reading =>
  readLabel(text, models, YEAR);
const serialOf = (reading: Reading): string | undefined =>
  reading.kind === 'label' ? reading.label.serial : undefined;
const reasons = (reading: Reading): readonly string[] =>
  reading.kind === 'label' ? [] : reading.problems.map((p) => `${p.code} ${p.what} ${p.fix}`);

/** Each key of the US layout with shift or without, then the same key of the German one. */
const US_TO_GERMAN = new Map(
  `yz zy YZ ZY -ß =´ [ü ]+ \\# ;ö 'ä /- \`^ _? +\` {Ü }* |' :Ö "Ä <; >: ?_ ~° @" #§ ^& &/ *( () )=`
    .split(' ')
    .map((pair) => [pair.charAt(0), pair.charAt(1)]),
);
const GERMAN_TO_US = new Map([...US_TO_GERMAN].map(([us, german]) => [german, us]));
const typedThrough =
  (layout: ReadonlyMap<string, string>) =>
  (text: string): string =>
    Array.from(text, (c) => layout.get(c) ?? c).join('');
const german = typedThrough(US_TO_GERMAN);
/** German keys make these with AltGr, of which a US layout leaves nothing. */
const reverse = (text: string): string =>
  typedThrough(GERMAN_TO_US)(text.replace(/[[\]{}\\|@~]/g, ''));
const capsLock = (text: string): string =>
  text.replace(/[a-zA-Z]/g, (c) => (c === c.toLowerCase() ? c.toUpperCase() : c.toLowerCase()));

const GOOD: readonly (readonly [why: string, text: string, means: string])[] = [
  ['with symbology identifier', WHOLE, 'scanned'],
  ['ended by a line end', `${WHOLE}\r\n`, 'scanned'],
  ['ended by a tab', `${WHOLE}\t`, 'scanned'],
  ['with <GS> shown', WHOLE.replace(SEPARATOR, '<GS>'), 'scanned'],
  ['with [GS] shown', WHOLE.replace(SEPARATOR, '[GS]'), 'scanned'],
  ['with {GS} shown', WHOLE.replace(SEPARATOR, '{GS}'), 'scanned'],
  ['with ^] shown', WHOLE.replace(SEPARATOR, '^]'), 'scanned'],
  ['with ␝ shown', WHOLE.replace(SEPARATOR, '␝'), 'scanned'],
  ['without identifier', WHOLE.slice(3), 'scanned'],
  ['with FNC1 for the identifier', `${SEPARATOR}${WHOLE.slice(3)}`, 'scanned'],
  ['with AIs not read here', `${WHOLE}${SEPARATOR}310300050099abc`, 'scanned'],
  ['without revision', ITEM, 'scanned'],
  ['as people type it', '(01)09520123401207(21)H12-26-04711(240)C3', 'typed'],
  ['a plain serial', 'H12-26-04711', 'typed'],
  ['a plain serial in Code 128', ']C0H12-26-04711', 'scanned'],
];
for (const [why, text, means] of GOOD) {
  test(`a label ${why} is read`, () => {
    const reading = read(text);
    expect(reasons(reading)).toEqual([]);
    expect(reading).toMatchObject({ kind: 'label', label: { serial: 'H12-26-04711', means } });
  });
}

test('lot, revision, GTIN and date of production are read', () => {
  const reading = read(
    `]d20109520123401207` + `1126020010L7${SEPARATOR}21H12-26-04711${SEPARATOR}240C3`,
  );
  expect(reading).toMatchObject({
    kind: 'label',
    label: {
      ...{ serial: 'H12-26-04711', gtin: '09520123401207', lot: 'L7', revision: 'C3' },
      ...{ date: '2026-02-28', model: H12 },
    },
  });
});

const LAYOUT = /scanner keyboard layout/;
const REFUSED: readonly (readonly [why: string, text: string, ...reasons: readonly RegExp[]])[] = [
  ['FNC1 lost', `${ITEM}240C3`, /FNC1 was lost.*"240C3" glued on.*ASCII 29.*711<GS>240C3/],
  ['FNC1 lost twice', `${ITEM}10LOT7240C3`, /FNC1 was lost/],
  ['FNC1 lost after the lot', `]d2010952012340120710L721H12-26-04711`, /FNC1 was lost.*"L7"/],
  ['check digit', WHOLE.replace('1207', '1208'), /ends with 8, but must end with 7/],
  ['Caps Lock', capsLock(WHOLE), /Caps Lock/],
  ['Caps Lock, plain', 'h12-26-04711', /Caps Lock/],
  ['German layout', german(WHOLE), LAYOUT],
  ['German layout, plain', 'H12ß26ß04711', LAYOUT],
  ['German layout without identifier', german(WHOLE.slice(3)), LAYOUT],
  ['German layout and lost FNC1', german(`${ITEM}240C3`), LAYOUT, /FNC1 was lost/],
  [
    'German layout and Caps Lock',
    capsLock(german(WHOLE)),
    /Caps Lock and the scanner keyboard layout/,
  ],
  [
    'German layout, strange GTIN',
    german(']d20109521234543213' + '21X'),
    LAYOUT,
    /unknown-model.*9521234543213/,
  ],
  ['French layout', "H&é)é-)à'è&&", /layout.*French/],
  ['scanner set to German', 'H12/26/04711', /types for German, the computer reads US/],
  ['scanner set to German, with identifier', reverse(WHOLE), /types for German/],
  ['two scans', `${WHOLE}${WHOLE}`, /Two scans run together/],
  ['two scans that lost FNC1', `${ITEM}240C3${ITEM}240C3`, /Two scans run together/],
  ['two plain scans', 'H12-26-04711H12-26-04712', /Two scans run together/],
  ['two scans of two models', 'H12-26-04711H25-26-04712', /Two scans run together/],
  ['a partial scan and a whole one', 'H12-26H12-26-04712', /Two scans run together/],
  ['two lines', 'H12-26-04711\rH12-26-04712\r', /Two scans run together/],
  ['an element twice', `${WHOLE}${SEPARATOR}240C3`, /two scans run together/],
  ['a partial GTIN', ']d20109520', /partial scan: it has 5 of 14/, /no serial \(21\)/],
  ['no serial', ']d20109520123401207', /no serial \(21\): a partial scan/],
  ['a partial serial', ITEM.slice(0, -3), /"H12-26-04" is only the beginning.*partial scan/],
  ['a partial plain serial', 'H12-26-1', /partial scan.*Scan the label again/],
  ['a beginning that is missing', '120721H12-26-04711', /"120721" stands before serial/],
  ['no GTIN', ']d221H12-26-04711', /no GTIN \(01\)/],
  ['a rounded number', '1.2E+10', /spreadsheet/],
  ['a rounded number in a label', ']d2010952012340120721' + '1.2E+10', /spreadsheet/],
  ['a blank before', ' H12-26-04711', /" " stands before/],
  ['a blank after', 'H12-26-04711 ', /holds <U\+0020>/],
  ['a control character', 'H12-26-04711\u0000', /holds <U\+0000>/],
  ['a character without width', 'H12-26-\u200b04711', /holds <U\+200B>/],
  ['a letter of another script', '\u041d12-26-04711', /holds <U\+041D>/],
  ['a wide digit', 'H12-26-0471\uff11', /holds <U\+FF11>/],
  ['nothing', '\r\n', /Nothing was read/],
  ['a page of text', 'H'.repeat(501), /501 characters/],
  ['an unknown model', 'H99-26-00001', /serial\/unknown-model.*there are: H12, H25/],
  [
    'an unknown GTIN',
    ']d2010952123454321321H12-26-04711',
    /unknown-model.*there are: 09520123401207 of H12/,
  ],
  ['another revision', WHOLE.replace('C3', 'C4'), /unknown-model.*revision "C4".*is for "C3"/],
  [
    'the serial of another model',
    ITEM.replace('H12', 'H25'),
    /of model H25, but the GTIN is that of H12/,
  ],
  ['elements in a code that is not GS1', `]d1${WHOLE.slice(3)}`, /"]d1", which is no GS1 code/],
  [
    'an AI that is none',
    '(01)09520123401207(05)1(21)H12-26-04711',
    /\(05\) is no application identifier/,
  ],
];
for (const [why, text, ...told] of REFUSED) {
  test(`refused: ${why}`, () => {
    const found = reasons(read(text));
    expect(found).toHaveLength(told.length);
    told.forEach((reason, i) => {
      expect(found[i]).toMatch(reason);
    });
  });
}

test('every problem is told at once: check digit, date, serial, revision', () => {
  const found = reasons(read(`]d20109520123401208` + `1126130121H12-26-4711${SEPARATOR}240C4`));
  const told = [/check digit/, /no day of the calendar/, /H12-26-4711/, /revision "C4"/];
  expect(found).toHaveLength(told.length);
  told.forEach((reason, i) => {
    expect(found[i]).toMatch(reason);
  });
});

test('007 is not 7: leading zeros are kept', () => {
  expect(serialOf(read('S-007', [LOOSE]))).toBe('S-007');
  expect(serialOf(read('S-7', [LOOSE]))).toBe('S-7');
  expect(serialOf(read('H12-26-4711'))).toBeUndefined();
});

test('a decomposed letter is composed: NFC', () => {
  const model = { ...H12, serial: '^H12-Ü[0-9]$' };
  expect(serialOf(read('H12-U\u03081', [model]))).toBe('H12-\u00dc1');
});

test('a loose grammar that would swallow a glued revision is no excuse', () => {
  const [found] = reasons(read(']d2010952012340120721S-17240C3', [LOOSE]));
  expect(found).toMatch(/FNC1 was lost.*serial grammar of fixed length/);
  const other = reasons(read(']d2010952012340120721S-17240B9', [LOOSE]));
  expect(other).toHaveLength(1);
  expect(other[0]).toMatch(/FNC1 was lost/);
  expect(serialOf(read(`]d2010952012340120721S-17240C3${SEPARATOR}240C3`, [LOOSE]))).toBe(
    'S-17240C3',
  );
});

test('a serial that another layout turns into a serial needs the symbology identifier', () => {
  expect(reasons(read('XY12A4', [SWAPPED]))[0]).toMatch(/may as well stand for serial "XZ12A4"/);
  expect(reasons(read('612abc', [CASELESS]))[0]).toMatch(/may as well.*"612ABC".*Caps Lock/);
  expect(serialOf(read(']d2010952012340120721XY12A4', [SWAPPED]))).toBe('XY12A4');
  expect(serialOf(read(']d2010952012340120721612abc', [CASELESS]))).toBe('612abc');
});

test('a serial of two models, and a GTIN of two revisions', () => {
  const twin = { ...H25, code: 'H1', serial: '^H1[0-9-]+$' };
  expect(reasons(read('H12-26-04711', [H12, twin]))[0]).toMatch(/of model H12 and of H1/);
  const later = { ...H12, revision: 'C4' };
  const reading = read(WHOLE.replace('C3', 'C4'), [H12, later]);
  expect(reading).toMatchObject({ kind: 'label', label: { model: later } });
});

const TEXT = Array.from(
  `!"%&'()*+,-./0123456789:;<=>?ABCDEFGHIJKLMNOPQRSTUVWXYZ_abcdefghijklmnopqrstuvwxyz`,
);
const digits = (length: number): fc.Arbitrary<string> =>
  fc.string({
    unit: fc.constantFrom(...Array.from('0123456789')),
    minLength: length,
    maxLength: length,
  });
const checked = (length: number): fc.Arbitrary<string> =>
  digits(length - 1).map((number) => `${number}${checkDigit(number)}`);
const text = (most: number): fc.Arbitrary<string> =>
  fc.string({ unit: fc.constantFrom(...TEXT), minLength: 1, maxLength: most });
const date = fc
  .tuple(fc.nat(99), fc.integer({ min: 1, max: 12 }), fc.nat(28))
  .map((parts) => parts.map((n) => String(n).padStart(2, '0')).join(''));
const VALUES: Readonly<Record<string, fc.Arbitrary<string>>> = {
  ...{ '00': checked(18), '01': checked(14), '02': checked(14), '10': text(20), '11': date },
  ...{ '12': date, '13': date, '15': date, '16': date, '17': date, '20': digits(2) },
  ...{ '21': text(20), '240': text(30), '241': text(30) },
  ...{ '3103': digits(6), '410': digits(13), '250': text(30), '8008': text(12), '99': text(90) },
};
const element = fc
  .constantFrom(...Object.keys(VALUES))
  .chain((ai) => (VALUES[ai] ?? digits(2)).map((value): ElementString => ({ ai, value })));

test('any list of elements is written and read back the same', () => {
  fc.assert(
    fc.property(fc.array(element, { maxLength: 8 }), (elements) => {
      expect(readElements(writeElements(elements), YEAR)).toEqual({ elements, problems: [] });
    }),
    { seed: 1 },
  );
});

test('any list of elements is written for people and read back the same', () => {
  const plain = element.filter(({ value }) => !value.includes('('));
  fc.assert(
    fc.property(fc.array(plain, { maxLength: 8 }), (elements) => {
      const written = writeHumanReadable(elements);
      expect(readHumanReadable(written, YEAR)).toEqual({ elements, problems: [] });
    }),
    { seed: 2 },
  );
});

test('every change of one digit of a GTIN is refused with the digit expected', () => {
  const gtin = H12.gtin;
  for (let i = 0; i < gtin.length; i++) {
    for (const digit of '0123456789') {
      if (digit === gtin[i]) continue;
      const changed = `${gtin.slice(0, i)}${digit}${gtin.slice(i + 1)}`;
      const told = `must end with ${checkDigit(changed.slice(0, -1))}`;
      expect(reasons(read(WHOLE.replace(gtin, changed)))[0]).toContain(told);
    }
  }
});

/** A model, a serial of it, and its label in every form. */
const valid = fc
  .constantFrom(
    { model: H12, form: /^H12-[0-9]{2}-[0-9]{5}$/ },
    { model: LOOSE, form: /^S-[0-9A-Z]{1,9}$/ },
    { model: SWAPPED, form: /^X[YZ][A-Z0-9]{4}$/ },
    { model: CASELESS, form: /^612[A-Za-z]{3}$/ },
  )
  .chain(({ model, form }) =>
    fc.tuple(fc.constant(model), fc.stringMatching(form), fc.nat(4), fc.boolean()),
  )
  .map(([model, serial, kind, isLast]) => {
    const gtin = { ai: '01', value: model.gtin };
    const number = { ai: '21', value: serial };
    const revision = { ai: '240', value: model.revision };
    const elements = isLast ? [gtin, revision, number] : [gtin, number, revision];
    const forms = [
      `]d2${writeElements(elements)}`,
      `]d2${writeElements([gtin, number])}`,
      writeElements(elements),
      writeHumanReadable(elements),
      serial,
    ];
    return { model, serial, label: forms[kind] ?? serial };
  });

for (const [name, damage] of [
  ['a German layout', german],
  ['a scanner set to German', reverse],
  ['Caps Lock', capsLock],
  ['a German layout and Caps Lock', (label: string) => capsLock(german(label))],
  ['lost separators', (label: string) => label.replaceAll(SEPARATOR, '')],
  ['a German layout and lost separators', (l: string) => german(l).replaceAll(SEPARATOR, '')],
] as const) {
  test(`${name}: no label is ever accepted as another serial`, () => {
    fc.assert(
      fc.property(valid, ({ model, serial, label }) => {
        const damaged = damage(label);
        const found = serialOf(read(damaged, [model, H25]));
        expect([undefined, serial]).toContain(found);
        if (damaged !== label && label.startsWith(']d2')) expect(found).toBeUndefined();
      }),
      { seed: 3, numRuns: 100 },
    );
  });
}

test('a label of a fixed grammar is read in every form, whole or not at all when cut', () => {
  const h12 = valid.filter(({ model }) => model === H12);
  fc.assert(
    fc.property(h12, fc.nat(), ({ serial, label }, at) => {
      expect(serialOf(read(label))).toBe(serial);
      const cut = at % label.length;
      expect([undefined, serial]).toContain(serialOf(read(label.slice(0, cut))));
      expect([undefined, serial]).toContain(serialOf(read(label.slice(cut))));
      expect(serialOf(read(`${label}${label}`))).toBeUndefined();
    }),
    { seed: 4, numRuns: 50 },
  );
});

test('any text at all is a label or refused with reasons, in bounded time', () => {
  const noise = fc.oneof(fc.string({ unit: 'binary', maxLength: 60 }), text(60));
  fc.assert(
    fc.property(noise, fc.constantFrom('', ']d2', ']d201', 'H12-', '(01)'), (end, start) => {
      const reading = read(`${start}${end}`);
      if (reading.kind === 'refused') expect(reading.problems.length).toBeGreaterThan(0);
      else expect(reading.label.serial).toMatch(/^H(?:12|25)-\d{2}-\d{5}$/);
    }),
    { seed: 5 },
  );
});

test('undoing the German layout gives back what was typed through it', () => {
  const undo = DAMAGES.find((d) => d.name.includes('the computer reads German'))?.undo;
  for (const character of TEXT) expect(undo?.(german(character))).toBe(character);
});
