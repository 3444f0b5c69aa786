import { expect, test } from 'vitest';
import { hertz } from '../../src/base/units.js';
import type { SampleFrame } from '../../src/link/wire-samples.js';
import { samplesOf, WireTake } from '../../src/rig/wire-take.js';

const RATE = 20_000;
const ORDER = { samples: 4000, rate: hertz(RATE), on: 'now' } as const;
const CHANNELS = ['current', 'torque'] as const;

function frame(block: number, over: Partial<SampleFrame> = {}): SampleFrame {
  const start = over.start ?? 400 * block;
  return {
    ...{ take: 1, block, start, clock: (start + 400) / RATE, channels: 2 },
    report: { updates: 0, missing: 0, time: 0, fault: 0, torqueEnabled: false },
    values: new Float32Array(800),
    ...over,
  };
}

function after(blocks: number, order: ConstructorParameters<typeof WireTake>[1] = ORDER): WireTake {
  const take = new WireTake(1, order, CHANNELS);
  for (let i = 0; i < blocks; i++) expect(take.add(frame(i))).toBeUndefined();
  return take;
}

const WRONG = [
  ['block 2 for 3', frame(2), 'link/duplicate'],
  ['block 4 for 3', frame(4), 'link/gap'],
  ['samples that were there', frame(3, { start: 1199 }), 'link/duplicate'],
  ['a clock 5.1 ms ahead', frame(3, { clock: 0.0851 }), 'link/clock'],
  ['a clock 5.1 ms behind', frame(3, { clock: 0.0749 }), 'link/clock'],
  ['a clock before the last', frame(3, { clock: 0.0599 }), 'link/clock'],
  ['3 channels for 2', frame(3, { channels: 3, values: new Float32Array(1200) }), 'link/garbled'],
  ['401 samples for 20 ms', frame(3, { values: new Float32Array(802) }), 'link/ability'],
  ['samples beyond the take', frame(3, { start: 3601, clock: 0.20005 }), 'link/garbled'],
  ['a stop that is still to come', frame(3, { opened: 1601 }), 'link/garbled'],
] as const;

for (const [what, next, code] of WRONG) {
  test(`a fourth block with ${what} is ${code}`, () => {
    expect(after(3).add(next)?.code).toBe(code);
  });
}

test('a clock 4.9 ms ahead, and lost samples that the clock agrees with, are let through', () => {
  expect(after(3).add(frame(3, { clock: 0.0849 }))).toBeUndefined();
  expect(after(3).add(frame(3, { start: 2000 }))).toBeUndefined();
});

test('a clock that departs by 1 ms a block, as slow clocks do, is let through', () => {
  const take = after(0);
  for (let i = 0; i < 10; i++) {
    expect(take.add(frame(i, { clock: (400 * (i + 1)) / RATE + i / 1000 }))).toBeUndefined();
  }
});

test('a mark of a stop stays where it is', () => {
  const order = { ...ORDER, afterStop: 800 };
  expect(after(3, order).add(frame(3, { opened: 1300 }))).toBeUndefined();
  const take = after(3, order);
  take.add(frame(3, { opened: 1300 }));
  expect(take.add(frame(4, { opened: 1301 }))?.code).toBe('link/garbled');
  expect(take.add(frame(4))?.code).toBe('link/garbled');
  expect(take.add(frame(4, { opened: 1300 }))).toBeUndefined();
});

test('a take is whole with its last sample, but not after a stop; then its end is told', () => {
  const take = after(9);
  expect([take.isWholeWith(frame(8)), take.isWholeWith(frame(9))]).toEqual([false, true]);
  expect(take.isWholeWith(frame(9, { opened: 5 }))).toBe(false);
  take.end();
  expect(take.isOver).toBe(true);
  expect(take.add(frame(9))?.what).toBe('sent block 9 after the end of its take');
});

test('interleaved values are taken apart by channel', () => {
  const values = Float32Array.of(1, 10, 2, 20, 3, 30);
  expect(samplesOf({ values, channels: 2 }, CHANNELS)).toEqual({
    current: Float32Array.of(1, 2, 3),
    torque: Float32Array.of(10, 20, 30),
  });
});
