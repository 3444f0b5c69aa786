import { expect, test } from 'vitest';
import { hertz } from '../../src/base/units.js';
import { UpdateStream } from '../../src/rig/cia402-stream.js';

const waveform = (
  levels: readonly number[],
  silence?: { from: number; to: number },
): ConstructorParameters<typeof UpdateStream>[0] => ({
  rate: hertz(1000),
  command: Float64Array.from(levels),
  ...(silence === undefined ? {} : { silence }),
});

test('set points come in order with their numbers, then zero for ever', () => {
  const stream = new UpdateStream(waveform([0, 1, -2]), 10_000, 500);
  expect(stream.isBegun).toBe(false);
  expect([1, 2, 3, 4, 5].map(() => stream.next())).toEqual([
    { target: 0, number: 0 },
    { target: 100, number: 1 },
    { target: -200, number: 2 },
    { target: 0, number: 3 },
    { target: 0, number: 4 },
  ]);
  expect(stream.isBegun).toBe(true);
});

test('with 4 set points ahead it begins with 0 … 3, those held back left out', () => {
  const levels = waveform([1, 2, 3, 4, 5], { from: 1, to: 3 });
  const stream = new UpdateStream(levels, 10_000, 500, 4);
  expect(stream.begin().map(({ number }) => number)).toEqual([0, 3]);
  expect(stream.next()).toEqual({ target: 500, number: 4 });
});

test('updates 2 and 3 held back on purpose are not sent and do not count as missing', () => {
  const stream = new UpdateStream(waveform([0, 1, 1, 1, 1, 0], { from: 2, to: 4 }), 10_000, 500);
  expect(Array.from({ length: 6 }, () => stream.next()?.number)).toEqual([
    0,
    1,
    undefined,
    undefined,
    4,
    5,
  ]);
  for (let i = 0; i < 5; i++) stream.count();
  stream.hear({ latched: 2, missing: 3 });
  expect(stream.tally).toEqual({ updates: 2, missing: 1 });
});

test('counters of 16 bits go on past 65,535', () => {
  const stream = new UpdateStream(waveform(new Array<number>(70_000).fill(0)), 10_000, 500);
  for (let due = 1; due <= 69_990; due++) {
    stream.count();
    if (due % 10 === 0) stream.hear({ latched: (due - 1) & 0xffff, missing: 1 });
  }
  expect(stream.tally).toEqual({ updates: 69_989, missing: 1 });
});

test('reports of the take before, and zeros after the waveform, are not counted', () => {
  const stream = new UpdateStream(waveform([0, 1, 0]), 10_000, 500);
  stream.hear({ latched: 900, missing: 7 });
  for (let i = 0; i < 10; i++) stream.count();
  stream.hear({ latched: 10, missing: 0 });
  for (let i = 0; i < 10; i++) stream.count();
  stream.hear({ latched: 15, missing: 5 });
  expect(stream.tally).toEqual({ updates: 3, missing: 0 });
});

test('a report that lags behind the last update does not end the count', () => {
  const stream = new UpdateStream(waveform([0, 1, 0]), 10_000, 500);
  for (let i = 0; i < 3; i++) stream.count();
  stream.hear({ latched: 2, missing: 0 });
  for (let i = 0; i < 10; i++) stream.count();
  stream.hear({ latched: 12, missing: 0 });
  expect(stream.tally).toEqual({ updates: 3, missing: 0 });
});

test('a drive that counts 4 updates more than SYNC arrived lost them on the way; 3 are a lag', () => {
  const stream = new UpdateStream(waveform(new Array<number>(100).fill(0)), 10_000, 500);
  for (let i = 0; i < 10; i++) stream.count();
  expect(stream.hear({ latched: 12, missing: 1 })).toBeUndefined();
  for (let i = 0; i < 10; i++) stream.count();
  expect(stream.hear({ latched: 23, missing: 1 })).toBe(4);
});

test('levels that rounding would bring above the ceiling stay below', () => {
  const stream = new UpdateStream(waveform([3.456, -3.456, 1e300]), 10_000, 345);
  expect([stream.next(), stream.next(), stream.next()].map((point) => point?.target)).toEqual([
    345, -345, 345,
  ]);
});
