import { crc32 } from 'node:zlib';
import { expect, test } from 'vitest';
import { FrameEncoder } from '../../src/link/wire-frame.js';

/** Check value of CRC-32/ISO-HDLC, the CRC of IEEE 802.3, over the digits 1 … 9; published widely, from memory. */
const CHECK_VALUE = 0xcbf43926;

test('the CRC of the nine digits is the published check value 0xCBF43926', () => {
  expect(crc32('123456789')).toBe(CHECK_VALUE);
});

/**
 * Frames made by another implementation, Python 3 with its own struct and zlib:
 * h = struct.pack('<BBHII', 0xb5, kind, 0, sequence, len(p)); h + struct.pack('<I', zlib.crc32(h + p)) + p.
 */
const FRAMES = [
  {
    kind: 'control',
    sequence: 0x01020304,
    payload: '{"event":"log","what":"on"}',
    bytes: 'b5010000040302011b000000e44a47a47b226576656e74223a226c6f67222c2277686174223a226f6e227d',
  },
  { kind: 'samples', sequence: 0, payload: '', bytes: 'b502000000000000000000005a51f4cf' },
] as const;

for (const { kind, sequence, payload, bytes } of FRAMES) {
  test(`a ${kind} frame of ${payload.length} bytes is, byte for byte, that of another implementation`, () => {
    const frame = new FrameEncoder(sequence).next(kind, new TextEncoder().encode(payload));
    expect(Buffer.from(frame).toString('hex')).toBe(bytes);
  });
}
