import fc from 'fast-check';
import { expect, test } from 'vitest';
import {
  FrameDecoder,
  FrameEncoder,
  HEADER_BYTES,
  MOST_PAYLOAD,
  type Frame,
  type FrameKind,
} from '../../src/link/wire-frame.js';

const KINDS = ['control', 'samples', 'waveform'] as const;
const frames = fc.array(
  fc.record({
    kind: fc.constantFrom<FrameKind>(...KINDS),
    payload: fc.uint8Array({ maxLength: 300 }),
  }),
  { maxLength: 8 },
);

function decoded(bytes: Uint8Array, sizes: readonly number[] = [bytes.length], first = 0) {
  const heard: Frame[] = [];
  const decoder = new FrameDecoder((frame) => heard.push(frame), first);
  let at = 0;
  for (let turn = 0; at < bytes.length; turn++) {
    const size = Math.max(1, sizes[turn % sizes.length] ?? 1);
    decoder.push(bytes.subarray(at, at + size));
    at += size;
  }
  return { heard, decoder };
}

function joined(list: readonly Uint8Array[]): Uint8Array {
  return new Uint8Array(Buffer.concat(list));
}

function encoded(payload: Uint8Array, change: (bytes: Uint8Array) => void = () => undefined) {
  const bytes = new FrameEncoder().next('control', payload);
  change(bytes);
  return bytes;
}

test('frames come out as they went in, however the bytes were cut', () => {
  fc.assert(
    fc.property(
      frames,
      fc.array(fc.integer({ min: 1, max: 40 }), { minLength: 1, maxLength: 6 }),
      (list, sizes) => {
        const encoder = new FrameEncoder();
        const bytes = joined(list.map(({ kind, payload }) => encoder.next(kind, payload)));
        const { heard, decoder } = decoded(bytes, sizes);
        expect(decoder.fault).toBeUndefined();
        expect(decoder.pending).toBe(0);
        expect(heard).toEqual(list.map((frame, sequence) => ({ ...frame, sequence })));
      },
    ),
    { numRuns: 200 },
  );
});

test('one changed bit anywhere in a frame makes it void', () => {
  fc.assert(
    fc.property(
      fc.uint8Array({ minLength: 1, maxLength: 64 }),
      fc.nat(),
      fc.nat({ max: 7 }),
      (payload, where, bit) => {
        const bytes = encoded(payload, (all) => {
          const at = where % all.length;
          all[at] = (all[at] ?? 0) ^ (1 << bit);
        });
        const { heard, decoder } = decoded(bytes);
        expect(heard).toEqual([]);
        // A longer length is only found out when its bytes do not come.
        expect(decoder.fault !== undefined || decoder.pending > 0).toBe(true);
      },
    ),
    { numRuns: 200 },
  );
});

test('any bytes at all are void or wait for more, and no more than one frame is kept', () => {
  fc.assert(
    fc.property(fc.uint8Array({ maxLength: 400 }), (bytes) => {
      const { decoder } = decoded(bytes, [7]);
      expect(decoder.pending).toBeLessThanOrEqual(HEADER_BYTES + MOST_PAYLOAD);
    }),
    { numRuns: 200 },
  );
});

const VOID = [
  ['first byte', 0, 0x48, 'link/garbled', 'sent 0x48 where a frame begins with 0xb5'],
  ['kind', 1, 4, 'link/garbled', 'sent a frame of kind 4, not 1, 2 or 3'],
  ['reserved bytes', 2, 1, 'link/garbled', 'sent a frame with 1 in bytes 2 and 3, not 0'],
  ['length', 11, 1, 'link/garbled', 'sent a frame of 16777217 bytes; at most 4194304 are allowed'],
] as const;

for (const [what, at, value, code, words] of VOID) {
  test(`a wrong ${what} makes the frame void, and all that follows`, () => {
    const bytes = encoded(Uint8Array.of(7), (all) => {
      all[at] = value;
    });
    const good = new FrameEncoder().next('control', Uint8Array.of(1));
    const { heard, decoder } = decoded(joined([bytes, good]));
    expect(decoder.fault).toEqual({ code, what: words });
    expect(heard).toEqual([]);
  });
}

test('a frame ahead of its place is a gap, one behind it a duplicate, across the wrap as well', () => {
  const at = (sequence: number): Uint8Array =>
    new FrameEncoder(sequence).next('control', new Uint8Array(0));
  expect(decoded(at(7), undefined, 5).decoder.fault).toEqual({
    code: 'link/gap',
    what: 'sent frame 7; frame 5 is the next',
  });
  expect(decoded(at(4), undefined, 5).decoder.fault?.code).toBe('link/duplicate');
  expect(decoded(at(1), undefined, 2 ** 32 - 1).decoder.fault?.code).toBe('link/gap');
  expect(decoded(at(2 ** 32 - 1), undefined, 0).decoder.fault?.code).toBe('link/duplicate');
  const encoder = new FrameEncoder(2 ** 32 - 1);
  const none = new Uint8Array(0);
  const wrapped = joined([encoder.next('control', none), encoder.next('control', none)]);
  expect(decoded(wrapped, undefined, 2 ** 32 - 1).heard.map((f) => f.sequence)).toEqual([
    2 ** 32 - 1,
    0,
  ]);
});

test('a payload above 4 MiB is never made', () => {
  const encoder = new FrameEncoder();
  expect(() => encoder.next('waveform', new Uint8Array(MOST_PAYLOAD + 1))).toThrow('4194305 bytes');
  const { heard } = decoded(encoder.next('waveform', new Uint8Array(MOST_PAYLOAD)), [65_536]);
  expect(heard[0]?.payload.length).toBe(MOST_PAYLOAD);
});
