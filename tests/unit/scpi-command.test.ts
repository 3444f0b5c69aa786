import { expect, test } from 'vitest';
import {
  commandTable,
  numberText,
  ParameterReader,
  plainly,
} from '../../src/emulator/scpi-command.js';

test('a header is known in every mixture of long and short keywords, and in no other form', () => {
  const table = commandTable([['[SOURce:]ARBitrary[:LEVel]?', plainly(() => '1')]]);
  const known = [...table.keys()].sort();
  const roots = ['', 'SOUR:', 'SOURCE:'].flatMap((root) => [`${root}ARB`, `${root}ARBITRARY`]);
  const expected = roots.flatMap((root) => ['', ':LEV', ':LEVEL'].map((end) => `${root}${end}?`));
  expect(known).toEqual(expected.sort());
});

const one = { kind: 'number', value: 1.5 } as const;

test.each([
  ['−109 for a parameter that is missing', [], (p: ParameterReader) => p.number(0, 2), '-109'],
  ['−108 for one too many', [one, one], (p: ParameterReader) => p.number(0, 2), '-108'],
  ['−222 above the range', [one], (p: ParameterReader) => p.number(0, 1), '-222'],
  [
    '−222 for 9.9E37',
    [{ kind: 'number', value: 9.9e37 } as const],
    (p: ParameterReader) => p.number(0, 1),
    '-222',
  ],
  [
    '−148 for a word in place of a number',
    [{ kind: 'word', text: 'MAX' } as const],
    (p: ParameterReader) => p.number(0, 1),
    '-148',
  ],
  [
    '−158 for a string in place of a word',
    [{ kind: 'string', text: 'ON' } as const],
    (p: ParameterReader) => p.state(),
    '-158',
  ],
  ['−128 for a number in place of a block', [one], (p: ParameterReader) => p.block(), '-128'],
  [
    '−168 for a block in place of a number',
    [{ kind: 'block', bytes: new Uint8Array(1) } as const],
    (p: ParameterReader) => p.number(0, 1),
    '-168',
  ],
  [
    '−224 for a word that is no choice',
    [{ kind: 'word', text: 'EXTE' } as const],
    (p: ParameterReader) => p.word('EXTernal', 'IMMediate'),
    '-224',
  ],
])('%s', (_, parameters, read, number) => {
  const reader = new ParameterReader(parameters);
  read(reader);
  expect(reader.finish()?.number).toBe(number);
});

test('whole numbers are rounded before they are held against their bounds', () => {
  expect(new ParameterReader([one]).whole(0, 2)).toBe(2);
  const reader = new ParameterReader([one]);
  reader.whole(0, 1);
  expect(reader.finish()?.number).toBe('-222');
});

test('numbers of replies read back as they were', () => {
  expect([0, -0, 48, 0.1, -1.25e-7, 1e22].map(numberText)).toEqual([
    '0',
    '0',
    '48',
    '1E-1',
    '-1.25E-7',
    '1E+22',
  ]);
  expect([Number.NaN, Infinity, -Infinity].map(numberText)).toEqual([
    '9.91E37',
    '9.9E37',
    '-9.9E37',
  ]);
});
