import { describe, expect, test } from 'vitest';
import { definiteBlock } from '../../src/link/scpi-block.js';
import { readScpiNumber } from '../../src/link/scpi-number.js';
import { ReplySplitter, type Reply } from '../../src/link/scpi-reply.js';

/*
 * Replies as the standards have them, all from memory: neither was opened.
 *
 * IEEE 488.2-1992: 8.7.2 NR1, 8.7.3 NR2, 8.7.4 NR3, 8.7.8 string response data, 8.7.9 definite and 8.7.10
 * indefinite length arbitrary block response data; 8.4.1 `;` between message units, `,` between data, LF at
 * the end. SCPI-1999 volume 1, 7.2.1.4 and 7.2.1.5: 9.9E37 is infinity, 9.91E37 is not a number; volume 2,
 * 21.8: the form of an error.
 */

function repliesOf(text: string): readonly Reply[] {
  const replies: Reply[] = [];
  new ReplySplitter((reply) => replies.push(reply), 'check').push(Buffer.from(text, 'latin1'));
  return replies;
}

describe('numeric response data', () => {
  const published: readonly (readonly [string, number])[] = [
    ['123', 123], // NR1
    ['+123', 123],
    ['-12345', -12345],
    ['12.3', 12.3], // NR2
    ['+1.234', 1.234],
    ['-123.4', -123.4],
    ['1.23E+5', 123_000], // NR3
    ['123.4E-67', 1.234e-65],
    ['-12.34E+5', -1_234_000],
  ];
  for (const [text, value] of published) {
    test(`${text} is ${String(value)}`, () => {
      expect(readScpiNumber(text)).toBe(value);
    });
  }

  test('9.9E37 and -9.9E37 are infinite, 9.91E37 is no number', () => {
    expect(readScpiNumber('9.9E37')).toBe('infinite');
    expect(readScpiNumber('-9.9E37')).toBe('infinite');
    expect(readScpiNumber('9.91E37')).toBe('not-a-number');
  });
});

describe('block response data', () => {
  test('#3 and three digits come before 128 bytes, which may hold LF', () => {
    const bytes = Uint8Array.from({ length: 128 }, (_, i) => i);
    const [reply] = repliesOf(`${Buffer.from(definiteBlock(bytes)).toString('latin1')}\n`);
    expect(Buffer.from(definiteBlock(bytes)).toString('latin1', 0, 5)).toBe('#3128');
    expect(reply).toEqual([[{ kind: 'block', bytes }]]);
  });

  test('#0 goes on to LF, with END on a bus that has it', () => {
    const [reply] = repliesOf('#0ABC+XYZ\n');
    expect(reply).toEqual([[{ kind: 'block', bytes: Uint8Array.from(Buffer.from('ABC+XYZ')) }]]);
  });
});

test('response units are joined by ; and their data by ,', () => {
  expect(repliesOf('1.0,"a";0\n')).toEqual([
    [
      [
        { kind: 'text', text: '1.0' },
        { kind: 'string', text: 'a' },
      ],
      [{ kind: 'text', text: '0' }],
    ],
  ]);
});

test('a quote within a string is doubled', () => {
  expect(repliesOf('"say ""no"""\n')).toEqual([[[{ kind: 'string', text: 'say "no"' }]]]);
});

test('0,"No error" is what an empty queue tells', () => {
  expect(repliesOf('0,"No error"\n')).toEqual([
    [
      [
        { kind: 'text', text: '0' },
        { kind: 'string', text: 'No error' },
      ],
    ],
  ]);
});
