import { expect, test } from 'vitest';
import { frameOf, type Frame } from '../../src/bench/converter.js';
import { Harness, type ChannelEnds } from '../../src/bench/wiring.js';

const ENDS: ChannelEnds = {
  ...{ command: 20, current: 30, torque: 20, supply: 80, winding: 200, sound: 20 },
};

/** Samples that all differ, of five channels. */
function filled(from = 0, sound = false): Frame {
  const frame = frameOf(8, sound);
  for (const [k, samples] of Object.values(frame).entries()) {
    samples.forEach((_, i) => {
      samples[i] = from + k + i / 8;
    });
  }
  return frame;
}

test('a sound harness hands the very frame on', () => {
  const frame = filled();
  expect(new Harness({}, ENDS).pass(frame)).toBe(frame);
});

test('a stuck channel stands on the value with which it began, for good', () => {
  const harness = new Harness({ dead: { torque: { kind: 'stuck' } } }, ENDS);
  const first = filled();
  expect(harness.pass(first).torque).toEqual(new Float32Array(8).fill(first.torque[0] ?? NaN));
  expect(harness.pass(filled(5)).torque).toEqual(new Float32Array(8).fill(first.torque[0] ?? NaN));
  expect(harness.pass(filled(5)).current).toEqual(filled(5).current);
});

test('an open wire lies at the end of the range', () => {
  const harness = new Harness({ dead: { supply: { kind: 'rail' } } }, ENDS);
  expect(harness.pass(filled()).supply).toEqual(new Float32Array(8).fill(80));
});

test('a channel that is missing is left out', () => {
  const harness = new Harness({ dead: { torque: { kind: 'missing' } } }, ENDS);
  expect(Object.keys(harness.pass(filled(0, true)))).toEqual([
    'command',
    'current',
    'supply',
    'winding',
    'sound',
  ]);
});

test('invalid samples come at even distances, also from block to block', () => {
  const harness = new Harness({ dead: { torque: { kind: 'invalid', every: 5 } } }, ENDS);
  const places = [0, 1, 2].flatMap((block) =>
    [...(harness.pass(filled()).torque ?? [])].flatMap((value, i) =>
      Number.isNaN(value) ? [8 * block + i] : [],
    ),
  );
  expect(places).toEqual([0, 5, 10, 15, 20]);
});

test('exchanged plugs: what is a full scale on one is a full scale on the other', () => {
  const frame = filled();
  const seen = new Harness({ swapped: ['torque', 'current'] }, ENDS).pass(frame);
  frame.torque.forEach((value, i) => {
    expect(seen.current?.[i]).toBeCloseTo((value / 20) * 30, 5);
    expect(seen.torque?.[i]).toBeCloseTo(((frame.current[i] ?? NaN) / 30) * 20, 5);
  });
  expect(seen.supply).toBe(frame.supply);
});
