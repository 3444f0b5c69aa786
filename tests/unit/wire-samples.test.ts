import fc from 'fast-check';
import { expect, test } from 'vitest';
import {
  decodeSamples,
  decodeWaveform,
  encodeSamples,
  encodeWaveform,
  MOST_FRAMES,
  type SampleFrame,
} from '../../src/link/wire-samples.js';

const count = fc.nat({ max: 2 ** 31 });
const positive = fc.double({ min: 0, max: 1e6, noNaN: true });
const report = fc.record(
  {
    updates: count,
    missing: count,
    linkLost: positive,
    gap: positive,
    jitter: positive,
    duty: positive,
    time: positive,
    fault: count,
    torqueEnabled: fc.boolean(),
  },
  { requiredKeys: ['updates', 'missing', 'time', 'fault', 'torqueEnabled'] },
);
const value = fc.float({ noNaN: true, noDefaultInfinity: true });
const sampleFrame = fc
  .record(
    {
      take: count,
      block: count,
      start: count,
      clock: positive,
      channels: fc.constant(3),
      report,
      opened: count,
      rows: fc.array(fc.tuple(value, value, value), { minLength: 1, maxLength: 20 }),
    },
    { requiredKeys: ['take', 'block', 'start', 'clock', 'channels', 'report', 'rows'] },
  )
  .map(({ rows, ...rest }): SampleFrame => ({ ...rest, values: Float32Array.from(rows.flat()) }));

const ONE: SampleFrame = {
  ...{ take: 1, block: 0, start: 0, clock: 0.02, channels: 2 },
  report: { updates: 1, missing: 0, time: 0.02, fault: 0, torqueEnabled: true },
  values: Float32Array.of(1, 2),
};

test('a sample frame comes out as it went in, and what was not told stays untold', () => {
  fc.assert(
    fc.property(sampleFrame, (frame) => {
      expect(decodeSamples(encodeSamples(frame))).toEqual(frame);
    }),
    { numRuns: 200 },
  );
});

test('a sample frame reads the same at each of 4 offsets, also where numbers do not lie in line', () => {
  const payload = encodeSamples(ONE);
  for (const offset of [0, 1, 2, 3]) {
    const bytes = new Uint8Array(offset + payload.length);
    bytes.set(payload, offset);
    expect(decodeSamples(bytes.subarray(offset))).toEqual(ONE);
  }
});

test('any bytes are refused in words or read as finite values', () => {
  fc.assert(
    fc.property(fc.uint8Array({ maxLength: 300 }), (bytes) => {
      const read = decodeSamples(bytes);
      expect(typeof read === 'string' || read.values.every(Number.isFinite)).toBe(true);
    }),
    { numRuns: 200 },
  );
});

function changed(change: (view: DataView) => void): SampleFrame | string {
  const payload = encodeSamples(ONE);
  change(new DataView(payload.buffer));
  return decodeSamples(payload);
}

const WRONG = [
  [
    'start −1',
    (v: DataView) => {
      v.setFloat64(8, -1, true);
    },
    'sent a block that begins at sample -1',
  ],
  [
    'start 0.5',
    (v: DataView) => {
      v.setFloat64(8, 0.5, true);
    },
    'begins at sample 0.5',
  ],
  [
    'clock NaN',
    (v: DataView) => {
      v.setFloat64(16, NaN, true);
    },
    'sent a block with clock NaN s',
  ],
  [
    '0 samples',
    (v: DataView) => {
      v.setUint32(24, 0, true);
    },
    'sent a block of 0 samples',
  ],
  [
    '65537 samples',
    (v: DataView) => {
      v.setUint32(24, MOST_FRAMES + 1, true);
    },
    'sent a block of 65537 samples',
  ],
  [
    '3 channels',
    (v: DataView) => {
      v.setUint16(28, 3, true);
    },
    'as 112 bytes, not 116',
  ],
  [
    'format 2',
    (v: DataView) => {
      v.setUint16(30, 2, true);
    },
    'sent samples in format 2, not 1',
  ],
  [
    'updates ∞',
    (v: DataView) => {
      v.setFloat64(32, Infinity, true);
    },
    'reports Infinity as updates',
  ],
  [
    'duty −1',
    (v: DataView) => {
      v.setFloat64(72, -1, true);
    },
    'reports -1 as duty',
  ],
  [
    'opened −2',
    (v: DataView) => {
      v.setFloat64(96, -2, true);
    },
    'marked sample -2',
  ],
  [
    'a sample of ∞',
    (v: DataView) => {
      v.setFloat32(108, Infinity, true);
    },
    'sent Infinity as value 1',
  ],
] as const;

for (const [what, change, words] of WRONG) {
  test(`a block with ${what} is refused`, () => {
    expect(changed(change)).toContain(words);
  });
}

test('a payload of 103 bytes is too short for a block', () => {
  expect(decodeSamples(new Uint8Array(103))).toContain('of 103 bytes; 104 come before');
});

test('a waveform frame comes out as it went in; NaN in it is refused', () => {
  const frame = { part: 3, what: 'stiffness', values: Float64Array.of(1e-300, -2.5) } as const;
  expect(decodeWaveform(encodeWaveform(frame))).toEqual(frame);
  const odd = encodeWaveform({ ...frame, values: Float64Array.of(1, NaN) });
  expect(decodeWaveform(odd)).toBe('sent NaN as value 1 of a waveform');
  expect(decodeWaveform(new Uint8Array(12))).toBe('sent a waveform frame of 12 bytes');
  const unknown = encodeWaveform(frame);
  new DataView(unknown.buffer).setUint32(4, 9, true);
  expect(decodeWaveform(unknown)).toBe('sent a waveform frame of what 9');
});
