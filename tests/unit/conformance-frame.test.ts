import fc from 'fast-check';
import { expect, test } from 'vitest';
import {
  FrameCutter,
  LARGEST_PAYLOAD,
  readBlock,
  writeFrame,
} from '../../src/link/conformance-frame.js';

test('a control frame of {} is these 18 bytes', () => {
  // b5 01, 0, sequence 7, length 2, CRC-32 by zlib.crc32 of Python over the 12 bytes and the payload.
  expect(writeFrame(1, 7, Buffer.from('{}')).toString('hex')).toBe(
    'b50100000700000002000000b77240ed7b7d',
  );
});

test('whatever is written is read again, cut at any place', () => {
  const payloads = fc.array(fc.uint8Array({ maxLength: 300 }), { maxLength: 8 });
  const frames = fc.tuple(payloads, fc.integer({ min: 1, max: 40 }));
  fc.assert(
    fc.property(frames, ([given, piece]) => {
      const bytes = Buffer.concat(given.map((payload, i) => writeFrame(1 + (i % 2), i, payload)));
      const cutter = new FrameCutter();
      const read = [];
      for (let at = 0; at < bytes.length; at += piece) {
        read.push(...cutter.push(bytes.subarray(at, at + piece)));
      }
      expect(read.map(({ payload }) => [...payload])).toEqual(given.map((payload) => [...payload]));
    }),
    { numRuns: 200, seed: 7 },
  );
});

test('any single bit turned is refused, or waits for bytes that never come', () => {
  const frame = writeFrame(1, 0, Buffer.from('{"re":1,"ok":true}'));
  for (let bit = 0; bit < 8 * frame.length; bit++) {
    const turned = Buffer.from(frame);
    turned.writeUInt8(turned.readUInt8(bit >> 3) ^ (1 << (bit & 7)), bit >> 3);
    let frames: readonly unknown[] = [];
    try {
      frames = new FrameCutter().push(turned);
    } catch (error) {
      expect(String(error)).toMatch(/link\/garbled/u);
    }
    expect(frames).toEqual([]);
  }
});

for (const [name, bytes, code] of [
  ['a frame left out', writeFrame(1, 1, Buffer.from('{}')), 'link/gap'],
  ['text', Buffer.from('Traceback (most recent call last)'), 'link/garbled'],
  ['a waveform', writeFrame(3, 0, Buffer.alloc(8)), 'link/garbled'],
  ['4 MiB and a byte', writeFrame(1, 0, Buffer.alloc(0), LARGEST_PAYLOAD + 1), 'link/garbled'],
] as const) {
  test(`${name} is ${code}`, () => {
    expect(() => new FrameCutter().push(bytes)).toThrow(code);
  });
}

test('a frame that comes twice is link/duplicate', () => {
  const frame = writeFrame(1, 0, Buffer.from('{}'));
  expect(() => new FrameCutter().push(Buffer.concat([frame, frame]))).toThrow('link/duplicate');
});

test('samples that do not fill their frame are link/garbled', () => {
  const block = Buffer.alloc(104 + 8);
  block.writeUInt32LE(2, 24);
  block.writeUInt16LE(1, 28);
  block.writeUInt16LE(1, 30);
  block.writeFloatLE(-1.5, 108);
  expect(readBlock(block).values).toEqual(new Float32Array([0, -1.5]));
  expect(() => readBlock(block.subarray(0, 111))).toThrow(/has 111 bytes; it should have 112/u);
  expect(() => readBlock(Buffer.alloc(20))).toThrow('link/garbled');
});
