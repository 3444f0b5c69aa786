import { expect, test } from 'vitest';
import type { Columns, Frame } from '../../src/serve/nest-view.js';
import {
  addFrame,
  emptyTraces,
  LAST,
  recentEnds,
  scaleFor,
  scaleKept,
} from '../../src/page/drawn/traces.js';

const flat = (count: number, value: number | null): Columns => ({
  low: Array.from({ length: count }, () => value),
  high: Array.from({ length: count }, () => value),
});

function frame(from: number, step: number, produced: Columns): Frame {
  const other = flat(produced.low.length, 0);
  return { stage: 0, take: 0, from, step, command: other, torque: other, produced };
}

test('no spike is lost, however many columns fall on one', () => {
  const traces = emptyTraces(10, 5);
  const produced = { low: [1, 1, -7, 1, 1], high: [2, 2, 2, 9, 2] };
  addFrame(traces, frame(2, 0.1, produced), 0);
  expect([...traces.whole.produced.low]).toEqual([NaN, -7, NaN, NaN, NaN]);
  expect([...traces.whole.produced.high]).toEqual([NaN, 9, NaN, NaN, NaN]);
  expect(traces.most).toBe(9);
});

test('a later frame widens a column and narrows none', () => {
  const traces = emptyTraces(10, 5);
  addFrame(traces, frame(0, 1, { low: [-1], high: [1] }), 0);
  addFrame(traces, frame(1, 1, { low: [0], high: [3] }), 0);
  expect([traces.whole.produced.low[0], traces.whole.produced.high[0]]).toEqual([-1, 3]);
});

test('a wide column reaches every column of the stage that it covers', () => {
  const traces = emptyTraces(10, 10);
  addFrame(traces, frame(2, 3, { low: [4], high: [4] }), 0);
  const seen = [...traces.whole.produced.low].map((value) => !Number.isNaN(value));
  expect(seen.flatMap((is, at) => (is ? [at] : []))).toEqual([2, 3, 4]);
});

test('a take that begins later lies later', () => {
  const traces = emptyTraces(10, 10);
  addFrame(traces, frame(0, 1, flat(1, 4)), 7);
  expect(traces.whole.produced.low[7]).toBe(4);
  expect(traces.until).toBe(8);
});

test('columns without samples leave a gap', () => {
  const traces = emptyTraces(3, 3);
  addFrame(traces, frame(0, 1, { low: [1, null, 3], high: [1, null, 3] }), 0);
  expect([...traces.whole.produced.low]).toEqual([1, NaN, 3]);
  expect(traces.recent.produced.at).toEqual([2]);
});

test('samples beyond the end of the stage stay on its last column', () => {
  const traces = emptyTraces(2, 2);
  addFrame(traces, frame(0, 1, flat(5, 1)), 0);
  expect([...traces.whole.produced.low]).toEqual([1, 1]);
});

test('no more than the last 160 ms are kept as they came', () => {
  const traces = emptyTraces(60, 100);
  for (let k = 0; k < 1000; k++) addFrame(traces, frame(k * 0.05, 0.0005, flat(100, k)), 0);
  const { at, low, high } = traces.recent.produced;
  expect(LAST).toBe(0.16);
  expect(at.length).toBeLessThanOrEqual(325);
  expect(at.length).toBeGreaterThanOrEqual(320);
  expect([low.length, high.length]).toEqual([at.length, at.length]);
  expect(at.at(-1)).toBeCloseTo(50 - 0.0005, 9);
  expect(recentEnds(traces)).toEqual([0, 999]);
});

test('nothing seen has no ends', () => {
  expect(recentEnds(emptyTraces(1, 4))).toBeUndefined();
});

const scales: readonly (readonly [number, number, readonly [number, number, number]])[] = [
  [-6, 6, [-10, 10, 5]],
  [0, 20, [0, 20, 5]],
  [0, 1.5, [0, 1.5, 0.5]],
  [-0.2, 0.2, [-0.2, 0.2, 0.1]],
  [4.1, 4.3, [4.1, 4.3, 0.05]],
];

for (const [low, high, [from, to, step]] of scales) {
  test(`a scale for ${low} to ${high} goes from ${from} to ${to} by ${step}`, () => {
    const scale = scaleFor(low, high);
    expect(scale.from).toBeCloseTo(from, 9);
    expect(scale.to).toBeCloseTo(to, 9);
    expect(scale.step).toBeCloseTo(step, 9);
  });
}

test('a scale stays while values fill it, and goes when they leave it or shrink', () => {
  const scale = { from: -10, to: 10, step: 5 };
  expect(scaleKept(scale, -6, 6)).toBe(scale);
  expect(scaleKept(scale, -11, 6)).not.toBe(scale);
  expect(scaleKept(scale, 1, 2)).not.toBe(scale);
  const small = scaleKept(undefined, 0, 0);
  expect(scaleKept(small, 0.01, 0.02)).toBe(small);
});
