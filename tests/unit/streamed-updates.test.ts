import fc from 'fast-check';
import { expect, test } from 'vitest';
import { hertz } from '../../src/base/units.js';
import { Link } from '../../src/bench/link.js';
import { Noise } from '../../src/bench/noise.js';
import { UNDISTURBED } from '../../src/bench/spread.js';
import { StreamedUpdates } from '../../src/emulator/streamed-updates.js';

const clean = { ...UNDISTURBED.link, jitter: 0 };

function streamed(link = clean, timeout = 0.1, most = 10_000): StreamedUpdates {
  return new StreamedUpdates(hertz(1000), { link, timeout, noise: new Noise('stream') }, most);
}

function latched(stream: StreamedUpdates, told: readonly (number | undefined)[]): void {
  for (const level of told) {
    if (level !== undefined) stream.set(level);
    stream.latch();
  }
}

test('what is told last before an update is latched by it, once', () => {
  const stream = streamed();
  stream.set(1);
  stream.set(2);
  stream.latch();
  stream.latch();
  expect([...stream.held.subarray(0, 2)]).toEqual([2, 2]);
  expect(stream.tally()).toMatchObject({ updates: 1, missing: 1 });
  expect(stream.next).toBe(2);
});

test('before the first set point it holds nothing', () => {
  const stream = streamed();
  latched(stream, [undefined, undefined, 3]);
  expect([...stream.held.subarray(0, 3)]).toEqual([0, 0, 3]);
});

test('what is no number is not heard', () => {
  const stream = streamed();
  latched(stream, [1, NaN, Infinity]);
  expect([...stream.held.subarray(0, 3)]).toEqual([1, 1, 1]);
  expect(stream.tally().missing).toBe(2);
});

test('after 100 ms without any it holds nothing and is quiet, until one comes', () => {
  const stream = streamed();
  latched(stream, [...new Array<undefined>(0), 5, ...new Array<undefined>(149), 6]);
  expect(stream.held[99]).toBe(5);
  expect(stream.held[100]).toBe(0);
  expect(stream.held[150]).toBe(6);
  expect(stream.isQuiet(99.9)).toBe(false);
  expect(stream.isQuiet(100)).toBe(true);
  expect(stream.isQuiet(149.9)).toBe(true);
  expect(stream.isQuiet(150)).toBe(false);
  expect(stream.tally().gap).toBeCloseTo(0.15, 9);
});

test('where updates are missing it holds what a waveform of the same fate holds', () => {
  const fates = fc.array(fc.boolean(), { minLength: 2, maxLength: 300 });
  fc.assert(
    fc.property(fates, fc.integer({ min: 1, max: 40 }), (comes, patience) => {
      const first = [true, ...comes];
      const command = Float64Array.from(first, (_, i) => i + 1);
      const stream = streamed(clean, patience / 1000);
      latched(stream, first.map((is, i) => (is ? i + 1 : undefined))); // prettier-ignore
      // One run of silence at a time is what a waveform can have.
      const from = first.indexOf(false);
      if (from < 0) return;
      const after = first.indexOf(true, from);
      const to = after < 0 ? first.length : after;
      const waveform = { rate: hertz(1000), command, silence: { from, to } };
      const link = new Link(waveform, clean, patience / 1000, new Noise('link'));
      expect(stream.held.subarray(0, to)).toEqual(link.held.subarray(0, to));
      for (let i = 0; i < to; i += 0.5) expect(stream.isQuiet(i)).toBe(link.isQuiet(i));
    }),
    { numRuns: 200 },
  );
});

test('it jitters by 10 µs rms from update to update', () => {
  const stream = streamed(UNDISTURBED.link);
  latched(stream, new Array<number>(10_000).fill(1));
  expect(Math.abs(stream.tally().jitter / 10e-6 - 1)).toBeLessThan(0.04);
});

test('of 10 000 updates a share of 10 % is lost on the way', () => {
  const stream = streamed({ ...clean, lostUpdates: 0.1 });
  latched(stream, new Array<number>(10_000).fill(1));
  expect(Math.abs(stream.tally().missing - 1000)).toBeLessThan(120);
});

test('a burst of 30 ms leaves a gap of 31 ms within the first second', () => {
  const stream = streamed({ ...clean, burst: 0.03 });
  latched(stream, new Array<number>(1100).fill(1));
  expect(stream.tally()).toMatchObject({ missing: 30, gap: expect.closeTo(0.031, 9) as number });
});

test('when it can keep no more it is full and latches nothing', () => {
  const stream = streamed(clean, 0.1, 3);
  latched(stream, [1, 2, 3, 4]);
  expect(stream.isFull).toBe(true);
  expect(stream.next).toBe(3);
  expect(stream.tally().updates).toBe(3);
});
