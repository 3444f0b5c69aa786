import fc from 'fast-check';
import { beforeEach, expect, test } from 'vitest';
import {
  ABORT,
  numberBytes,
  type ObjectDictionary,
  type ObjectEntry,
  SdoServer,
} from '../../src/emulator/object-dictionary.js';
import type { CanSide } from '../../src/link/can-bus.js';
import { SdoClient } from '../../src/link/sdo.js';
import { handClock } from '../support/clock.js';

let word: number;
let server: SdoServer;
let writes: number;

function entries(): ObjectDictionary {
  const held = (size: 1 | 2 | 4): ObjectEntry => ({
    size,
    read: () => word,
    write: (value) => {
      if (value === 0x63) return ABORT.range;
      writes += 1;
      word = value;
      return undefined;
    },
  });
  return new Map<number, ObjectEntry>([
    [0x2000_01, held(1)],
    [0x2000_02, held(2)],
    [0x2000_04, held(4)],
    [0x2001_00, { size: 2, read: () => -2 }],
    [0x2002_00, { read: () => 'seven by seven!' }],
    [0x2002_01, { read: () => 'abc' }],
    [0x2002_02, { read: () => '' }],
    [0x2002_03, { read: () => 'exactly fourte' }],
  ]);
}

beforeEach(() => {
  word = 0;
  writes = 0;
  server = new SdoServer(entries());
});

const ask = (...request: number[]): readonly number[] | undefined =>
  server.answer(Uint8Array.from([...request, ...new Array<number>(8).fill(0)].slice(0, 8)));
const aborted = (answer: readonly number[] | undefined): string | undefined =>
  answer?.[0] === 0x80
    ? Buffer.from(answer.slice(4)).reverse().toString('hex').toUpperCase()
    : undefined;

test.each([
  [1, 0x12, [0x4f, 0x00, 0x20, 1, 0x12, 0, 0, 0]],
  [2, 0x1234, [0x4b, 0x00, 0x20, 2, 0x34, 0x12, 0, 0]],
  [4, 0x12345678, [0x43, 0x00, 0x20, 4, 0x78, 0x56, 0x34, 0x12]],
])('a number of %i bytes is read in one answer, lowest byte first', (size, value, answer) => {
  word = value;
  expect(ask(0x40, 0x00, 0x20, size)).toEqual(answer);
});

test('a negative number is read in two’s complement', () => {
  expect(ask(0x40, 0x01, 0x20, 0)).toEqual([0x4b, 0x01, 0x20, 0, 0xfe, 0xff, 0, 0]);
});

test('a text of 3 bytes is read in one answer', () => {
  expect(ask(0x40, 0x02, 0x20, 1)).toEqual([0x47, 0x02, 0x20, 1, 0x61, 0x62, 0x63, 0]);
});

test('a text of 15 bytes is read in segments of 7, 7 and 1 with alternating toggles', () => {
  expect(ask(0x40, 0x02, 0x20, 0)).toEqual([0x41, 0x02, 0x20, 0, 15, 0, 0, 0]);
  const segments = [ask(0x60), ask(0x70), ask(0x60)];
  expect(segments.map((one) => one?.[0])).toEqual([0x00, 0x10, 0x0d]);
  const text = segments.map((one) => String.fromCharCode(...(one ?? []).slice(1))).join('');
  expect(text).toBe('seven by seven!\0\0\0\0\0\0');
});

test('a text of 14 bytes ends with its second segment, a full one', () => {
  ask(0x40, 0x02, 0x20, 3);
  expect([ask(0x60)?.[0], ask(0x70)?.[0]]).toEqual([0x00, 0x11]);
});

test('an empty text is one empty segment, and not 4 bytes of zero', () => {
  expect(ask(0x40, 0x02, 0x20, 2)).toEqual([0x41, 0x02, 0x20, 2, 0, 0, 0, 0]);
  expect(ask(0x60)).toEqual([0x0f, 0, 0, 0, 0, 0, 0, 0]);
});

test('a segment with the wrong toggle is aborted with 0503 0000, and the transfer is over', () => {
  ask(0x40, 0x02, 0x20, 0);
  expect(aborted(ask(0x70))).toBe('05030000');
  expect(aborted(ask(0x60))).toBe('05040001');
});

test('a segment that is asked for twice is aborted with 0503 0000', () => {
  ask(0x40, 0x02, 0x20, 0);
  ask(0x60);
  expect(aborted(ask(0x60))).toBe('05030000');
});

test('after the last segment there are no more: 0504 0001', () => {
  ask(0x40, 0x02, 0x20, 3);
  ask(0x60);
  ask(0x70);
  expect(aborted(ask(0x60))).toBe('05040001');
});

test.each([
  ['1 byte', [0x2f, 0x00, 0x20, 1, 0xab], 0xab],
  ['2 bytes', [0x2b, 0x00, 0x20, 2, 0xcd, 0xab], 0xabcd],
  ['4 bytes', [0x23, 0x00, 0x20, 4, 0x01, 0xef, 0xcd, 0xab], 0xabcdef01],
  ['2 bytes without a size', [0x22, 0x00, 0x20, 2, 0xcd, 0xab], 0xabcd],
])('%s are written in one request', (_size, request, value) => {
  expect(ask(...request)).toEqual([0x60, 0x00, 0x20, request[3], 0, 0, 0, 0]);
  expect(word).toBe(value);
});

test('4 bytes are written in segments of 3 and 1, and taken with the last', () => {
  expect(ask(0x21, 0x00, 0x20, 4, 4)).toEqual([0x60, 0x00, 0x20, 4, 0, 0, 0, 0]);
  expect(ask(0x08, 1, 2, 3)).toEqual([0x20, 0, 0, 0, 0, 0, 0, 0]);
  expect(writes).toBe(0);
  expect(ask(0x1d, 4)).toEqual([0x30, 0, 0, 0, 0, 0, 0, 0]);
  expect(word).toBe(0x04030201);
});

test('a written segment with the wrong toggle is aborted with 0503 0000, and nothing is written', () => {
  ask(0x21, 0x00, 0x20, 4, 4);
  expect(aborted(ask(0x17, 1, 2, 3, 4))).toBe('05030000');
  expect(writes).toBe(0);
});

test.each([
  ['an object that there is not', [0x40, 0x34, 0x12, 0], '06020000'],
  ['a subindex that there is not', [0x40, 0x00, 0x20, 9], '06090011'],
  ['writing an object that there is not', [0x2f, 0x34, 0x12, 0, 1], '06020000'],
  ['writing a subindex that there is not', [0x2f, 0x00, 0x20, 9, 1], '06090011'],
  ['writing what is only read', [0x2b, 0x01, 0x20, 0, 1, 0], '06010002'],
  ['writing a text', [0x21, 0x02, 0x20, 0, 9], '06010002'],
  ['1 byte for 2', [0x2f, 0x00, 0x20, 2, 1], '06070010'],
  ['4 bytes for 1', [0x23, 0x00, 0x20, 1, 1, 0, 0, 0], '06070010'],
  ['a value that is refused', [0x2f, 0x00, 0x20, 1, 0x63], '06090030'],
  ['a segment of no download', [0x01, 1], '05040001'],
  ['a segment of no upload', [0x60], '05040001'],
  ['a block transfer', [0xa0, 0x02, 0x20, 0], '05040001'],
  ['a command that there is not', [0xe0], '05040001'],
])('%s is aborted with its number', (_what, request, code) => {
  expect(aborted(ask(...request))).toBe(code);
  expect(writes).toBe(0);
});

test('a refused value that came in segments is aborted with its number', () => {
  ask(0x21, 0x00, 0x20, 1, 1);
  expect(aborted(ask(0x0d, 0x63))).toBe('06090030');
});

test('no more than 64 bytes are kept: the tenth segment of 7 is aborted with 0607 0010', () => {
  ask(0x21, 0x00, 0x20, 4);
  const codes = Array.from({ length: 10 }, (_, i) => aborted(ask((i % 2) << 4)));
  expect(codes).toEqual([...new Array<undefined>(9).fill(undefined), '06070010']);
});

test('an abort of the client ends the transfer and has no answer', () => {
  ask(0x40, 0x02, 0x20, 0);
  expect(ask(0x80, 0x02, 0x20, 0)).toBeUndefined();
  expect(aborted(ask(0x60))).toBe('05040001');
});

test('a new request takes the place of a transfer that goes on', () => {
  ask(0x40, 0x02, 0x20, 0);
  ask(0x40, 0x02, 0x20, 3);
  expect(ask(0x60)).toEqual([0x00, ...Buffer.from('exactly')]);
});

test.each([0, 7])('%i bytes are no request', (length) => {
  expect(server.answer(new Uint8Array(length))).toBeUndefined();
});

test('whatever is asked, an answer has 8 bytes, and an abort one of the known numbers', () => {
  const request = fc.tuple(
    fc.nat(255),
    fc.constantFrom([0x00, 0x20, 1], [0x00, 0x20, 4], [0x02, 0x20, 0], [1, 2, 3]),
    fc.uint8Array({ minLength: 4, maxLength: 4 }),
  );
  const known = new Set(Object.values(ABORT).map((code) => code.toString(16).padStart(8, '0')));
  fc.assert(
    fc.property(fc.array(request, { maxLength: 40 }), (requests) => {
      server = new SdoServer(entries());
      for (const [first, key, rest] of requests) {
        const answer = ask(first, ...key, ...rest);
        if (answer === undefined) expect(first >> 5).toBe(4);
        else
          expect([answer.length, answer.every((one) => one >= 0 && one <= 255)]).toEqual([8, true]);
        const code = aborted(answer);
        if (code !== undefined) expect(known).toContain(code.toLowerCase());
      }
    }),
    { numRuns: 200, seed: 2 },
  );
});

test('the client of this program reads and writes what the server holds', async () => {
  let hear: (data: Uint8Array) => void = () => undefined;
  const bus: CanSide = {
    name: 'a bus',
    failure: undefined,
    isGone: false,
    on: (_id, listener) => {
      hear = listener;
    },
    onFailure: () => undefined,
    send: (_id, data) => {
      const answer = server.answer(data);
      void Promise.resolve().then(() => {
        if (answer !== undefined) hear(Uint8Array.from(answer));
      });
    },
  };
  const client = new SdoClient(bus, 5, handClock());
  expect(Buffer.from(await client.upload(0x2002_00)).toString()).toBe('seven by seven!');
  expect(Buffer.from(await client.upload(0x2002_02)).toString()).toBe('');
  await client.download(0x2000_04, Uint8Array.of(1, 2, 3, 4));
  expect([...(await client.upload(0x2000_04))]).toEqual([1, 2, 3, 4]);
  await expect(client.download(0x2000_04, new Uint8Array(65))).rejects.toThrow('0x06070010');
});

test.each([
  [1000, 2, [0xe8, 0x03]],
  [-1, 4, [0xff, 0xff, 0xff, 0xff]],
  [0x1_0000, 2, [0, 0]],
  [4_294_967_295, 4, [0xff, 0xff, 0xff, 0xff]],
  [2.9, 1, [2]],
])('%d in %i bytes', (value, size, bytes) => {
  expect([...numberBytes(value, size)]).toEqual(bytes);
});
