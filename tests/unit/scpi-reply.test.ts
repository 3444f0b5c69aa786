import fc from 'fast-check';
import { describe, expect, test } from 'vitest';
import { StallmarkError } from '../../src/base/error.js';
import {
  MOST_BLOCK,
  MOST_LINE,
  ReplySplitter,
  type Reply,
  type ReplyValue,
} from '../../src/link/scpi-reply.js';

const bytesOf = (text: string): Uint8Array => Buffer.from(text, 'latin1');

/** Replies of a stream in pieces, and whether it ended in a problem. */
function split(pieces: readonly Uint8Array[]): {
  readonly replies: readonly Reply[];
  readonly code: string | undefined;
} {
  const replies: Reply[] = [];
  const splitter = new ReplySplitter((reply) => replies.push(reply), 'x');
  try {
    for (const piece of pieces) splitter.push(piece);
  } catch (error) {
    if (!(error instanceof StallmarkError)) throw error;
    return { replies, code: error.problems[0].code };
  }
  return { replies, code: undefined };
}

const text = (t: string): { kind: 'text'; text: string } => ({ kind: 'text', text: t });
const string = (t: string): { kind: 'string'; text: string } => ({ kind: 'string', text: t });
const block = (t: string): unknown => ({
  kind: 'block',
  bytes: expect.toSatisfy((b: Uint8Array) => Buffer.from(b).toString('latin1') === t) as unknown,
});

describe('one reply', () => {
  const cases: readonly (readonly [written: string, reply: unknown])[] = [
    ['1\n', [[text('1')]]],
    ['+1.50E+00\r\n', [[text('+1.50E+00')]]],
    [' 1 , 2 \n', [[text('1'), text('2')]]],
    ['1;2,3;0\n', [[text('1')], [text('2'), text('3')], [text('0')]]],
    ['-222,"Data out of range"\n', [[text('-222'), string('Data out of range')]]],
    ['"a ""b"", c;d","",x\n', [[string('a "b", c;d'), string(''), text('x')]]],
    ['"two\nlines"\r\n', [[string('two\nlines')]]],
    ['#15a\nb;,\n', [[block('a\nb;,')]]],
    ['#10\n', [[block('')]]],
    ['#210\n\n\n\n\n\n\n\n\n\n,7;"x"\n', [[block('\n'.repeat(10)), text('7')], [string('x')]]],
    ['#0abc;,"\n', [[block('abc;,"')]]],
    ['#HFF\n', [[text('#HFF')]]],
    ['\n', [[text('')]]],
  ];
  for (const [written, reply] of cases) {
    test(`${JSON.stringify(written)} is read whole and byte by byte`, () => {
      const whole = bytesOf(written);
      expect(split([whole])).toEqual({ replies: [reply], code: undefined });
      expect(split([...whole].map((byte) => Uint8Array.of(byte)))).toEqual({
        replies: [reply],
        code: undefined,
      });
    });
  }
});

test('several replies in one piece are told apart', () => {
  const { replies } = split([bytesOf('1\r\n#13\n\n\n\n"a"\n2')]);
  expect(replies).toEqual([[[text('1')]], [[block('\n\n\n')]], [[string('a')]]]);
});

const wrong: readonly (readonly [string, string])[] = [
  ['a byte that no text has', 'a\u0000b\n'],
  ['a length that is no number', '#2x0\n'],
  ['something after a string', '"a"b\n'],
  ['something after a block', '#11ab\n'],
  ['a block longer than 64 MB', `#9${String(MOST_BLOCK + 1).padStart(9, '0')}`],
];
for (const [name, written] of wrong) {
  test(`${name} is link/garbled, and nothing after it is read`, () => {
    expect(split([bytesOf(`1\n${written}\n2\n`)])).toEqual({
      replies: [[[text('1')]]],
      code: 'link/garbled',
    });
  });
}

test('a reply of 64 kB is read, one byte more is link/garbled', () => {
  expect(split([bytesOf(`${'a'.repeat(MOST_LINE - 1)}\n`)]).replies).toHaveLength(1);
  expect(split([bytesOf(`${'a'.repeat(MOST_LINE)}\n`)]).code).toBe('link/garbled');
  expect(split([bytesOf(`"${'\n'.repeat(MOST_LINE)}`)]).code).toBe('link/garbled');
  expect(split([bytesOf(`#0${'a'.repeat(MOST_LINE)}`)]).code).toBe('link/garbled');
});

test('blocks of one reply together have 64 MB at most', () => {
  const half = MOST_BLOCK / 2 + 1;
  const head = bytesOf(`#8${half}`);
  const splitter = new ReplySplitter(() => undefined, 'x');
  splitter.push(head);
  splitter.push(new Uint8Array(half));
  splitter.push(bytesOf(','));
  expect(() => {
    splitter.push(head);
  }).toThrow('link/garbled');
});

test('a block that never comes takes no memory for what it announced', () => {
  const before = process.memoryUsage().arrayBuffers;
  const splitters = Array.from({ length: 100 }, () => new ReplySplitter(() => undefined, 'x'));
  for (const splitter of splitters) splitter.push(bytesOf('#867000000a'));
  expect(process.memoryUsage().arrayBuffers - before).toBeLessThan(100 * 200 * 1024);
  expect(splitters[0]?.isOpen).toBe(true);
});

const piecesOf = (bytes: Uint8Array, cuts: readonly number[]): readonly Uint8Array[] => {
  const at = [...new Set(cuts.map((cut) => cut % (bytes.length + 1)))].sort((a, b) => a - b);
  return [0, ...at].map((from, i) => bytes.slice(from, at[i] ?? bytes.length));
};

/** Bytes that come near to the grammar, so that all of it is visited. */
const streams = fc.oneof(
  fc.uint8Array({ maxLength: 200 }),
  fc
    .array(fc.constantFrom(...'12#0,;"\r\n aE+-.'.split('')), { maxLength: 200 })
    .map((list) => bytesOf(list.join(''))),
);

test('any pieces of any bytes give the same replies and the same ending', () => {
  fc.assert(
    fc.property(streams, fc.array(fc.nat(), { maxLength: 20 }), (bytes, cuts) => {
      expect(split(piecesOf(bytes, cuts))).toEqual(split([bytes]));
    }),
    { numRuns: 400, seed: 488 },
  );
});

test('any values are read as they were written', () => {
  const value = fc.oneof(
    fc.double({ noNaN: true, noDefaultInfinity: true }).map((n): ReplyValue => text(String(n))),
    fc.string({ unit: 'binary-ascii', maxLength: 20 }).map((t): ReplyValue => string(t)),
    fc.uint8Array({ maxLength: 300 }).map((bytes): ReplyValue => ({ kind: 'block', bytes })),
  );
  const reply = fc.array(fc.array(value, { minLength: 1, maxLength: 5 }), {
    minLength: 1,
    maxLength: 4,
  });
  fc.assert(
    fc.property(
      fc.array(reply, { maxLength: 5 }),
      fc.array(fc.nat(), { maxLength: 20 }),
      (all, cuts) => {
        const stream = Buffer.concat(all.flatMap(written));
        expect(split(piecesOf(stream, cuts))).toEqual({ replies: all, code: undefined });
      },
    ),
    { numRuns: 200, seed: 1999 },
  );
});

function written(reply: readonly (readonly ReplyValue[])[]): readonly Uint8Array[] {
  return [
    ...reply.flatMap((part, i) => [
      bytesOf(i === 0 ? '' : ';'),
      ...part.flatMap((value, k) => [bytesOf(k === 0 ? '' : ','), bytesOfValue(value)]),
    ]),
    bytesOf('\n'),
  ];
}

function bytesOfValue(value: ReplyValue): Uint8Array {
  if (value.kind === 'text') return bytesOf(value.text);
  if (value.kind === 'string') return bytesOf(`"${value.text.replaceAll('"', '""')}"`);
  const length = String(value.bytes.length);
  return Buffer.concat([bytesOf(`#${length.length}${length}`), value.bytes]);
}
