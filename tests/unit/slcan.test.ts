import fc from 'fast-check';
import { expect, test } from 'vitest';
import {
  encodeFrame,
  LONGEST_LINE,
  SlcanDecoder,
  type CanFrame,
  type GatewayWord,
} from '../../src/link/slcan.js';

function wordsOf(...chunks: readonly Uint8Array[]): readonly GatewayWord[] {
  const words: GatewayWord[] = [];
  const decoder = new SlcanDecoder((word) => words.push(word));
  for (const chunk of chunks) decoder.push(chunk);
  return words;
}

const bytes = (text: string): Uint8Array => Buffer.from(text, 'latin1');

const frames = fc
  .record({
    isExtended: fc.boolean(),
    isRemote: fc.boolean(),
    id: fc.nat(),
    data: fc.uint8Array({ maxLength: 8 }),
  })
  .map(({ isExtended, isRemote, id, data }): CanFrame => {
    const kind = isExtended ? ({ isExtended: true } as const) : {};
    const most = isExtended ? 0x2000_0000 : 0x800;
    return isRemote
      ? { id: id % most, data: new Uint8Array(0), ...kind, remote: data.length }
      : { id: id % most, data, ...kind };
  });

test('every frame comes back as it was written, however its bytes are cut', () => {
  fc.assert(
    fc.property(
      fc.array(frames, { maxLength: 5 }),
      fc.array(fc.nat(7), { minLength: 1 }),
      (sent, cuts) => {
        const whole = Buffer.concat(sent.map(encodeFrame));
        const chunks: Uint8Array[] = [];
        for (let at = 0, i = 0; at < whole.length; i++) {
          const length = 1 + (cuts[i % cuts.length] ?? 0);
          chunks.push(whole.subarray(at, at + length));
          at += length;
        }
        expect(wordsOf(...chunks)).toEqual(sent.map((frame) => ({ kind: 'frame', frame })));
      },
    ),
    { seed: 11, numRuns: 200 },
  );
});

test('any bytes at all give at most one word a byte and hold 30 characters', () => {
  fc.assert(
    fc.property(fc.uint8Array({ maxLength: 400 }), (chunk) => {
      const words = wordsOf(chunk);
      expect(words.length).toBeLessThanOrEqual(2 * chunk.length);
      for (const word of words) {
        if (word.kind === 'garbled') expect(word.line.length).toBeLessThanOrEqual(LONGEST_LINE);
      }
    }),
    { seed: 11, numRuns: 200 },
  );
});

test('a line of 1,000,000 characters is garbled once and the next line is read', () => {
  const words = wordsOf(new Uint8Array(1_000_000).fill(0x74), bytes('\rt0800\r'));
  expect(words).toEqual([
    { kind: 'garbled', line: 't'.repeat(30) },
    { kind: 'frame', frame: { id: 0x80, data: new Uint8Array(0) } },
  ]);
});

test('four digits after the data are a time stamp', () => {
  const [word] = wordsOf(bytes('t10021122EA5F\r'));
  expect(word).toEqual({
    kind: 'frame',
    frame: { id: 0x100, data: Uint8Array.of(0x11, 0x22), stamp: 0xea5f },
  });
});

test('CR, z and Z say done, BEL says refused, version and serial number are told', () => {
  expect(wordsOf(bytes('\rz\rZ\r\x07V1013\rNA123\r'))).toEqual([
    { kind: 'done' },
    { kind: 'done' },
    { kind: 'done' },
    { kind: 'refused' },
    { kind: 'told', text: 'V1013' },
    { kind: 'told', text: 'NA123' },
  ]);
});

for (const line of [
  't8000',
  't1009',
  't10021',
  't100211223',
  'T200000000',
  'x',
  't10G0',
  'r10011',
]) {
  test(`${line} is no frame`, () => {
    expect(wordsOf(bytes(`${line}\r`))).toEqual([{ kind: 'garbled', line }]);
  });
}

test('BEL in the middle of a line voids the line', () => {
  expect(wordsOf(bytes('t08\x07'))).toEqual([
    { kind: 'garbled', line: 't08' },
    { kind: 'refused' },
  ]);
});

test('a frame that CAN does not have is not written', () => {
  expect(() => encodeFrame({ id: 0x800, data: new Uint8Array(0) })).toThrow('identifier 2048');
  expect(() => encodeFrame({ id: 1, data: new Uint8Array(9) })).toThrow('9 bytes');
});
