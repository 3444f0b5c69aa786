import { expect, test } from 'vitest';
import type { Block } from '../../src/bench/bench.js';
import { NestTrace } from '../../src/serve/nest-trace.js';
import type { Frame } from '../../src/serve/nest-view.js';
import { handClock } from '../support/clock.js';

const RATE = 20_000;
const KT = 0.6;

function scene(): {
  readonly trace: NestTrace;
  readonly frames: Frame[];
  readonly clock: ReturnType<typeof handClock>;
} {
  const frames: Frame[] = [];
  const clock = handClock();
  const trace = new NestTrace(RATE, KT, clock, (frame) => {
    frames.push(frame);
  });
  return { trace, frames, clock };
}

function block(start: number, values: readonly number[], current = values): Block {
  const command = Float32Array.from(values);
  return {
    start,
    samples: { command, current: Float32Array.from(current), torque: command },
    device: { updates: 0, missing: 0, time: 0, fault: 0, torqueEnabled: true },
  };
}

const flat = (length: number, value = 0): number[] => new Array<number>(length).fill(value);

test('a spike of one sample stands in its column, and nowhere else', () => {
  const { trace, frames } = scene();
  const values = flat(400);
  values[137] = 9;
  values[138] = -7;
  trace.stage(3);
  trace.begin();
  trace.block(block(0, values));
  trace.end();
  const [frame] = frames;
  expect(frame).toMatchObject({ stage: 3, take: 0, from: 0, step: 0.001 });
  expect(frame?.command.low).toHaveLength(20);
  expect(frame?.command.high.indexOf(9)).toBe(6);
  expect(frame?.command.low.indexOf(-7)).toBe(6);
  expect(frame?.command.high.filter((v) => v !== 0)).toEqual([9]);
  expect(frame?.produced.high[6]).toBeCloseTo(9 * KT, 3);
});

test('frames follow each other without a gap or an overlap, 25 a second at most', async () => {
  const { trace, frames, clock } = scene();
  trace.begin();
  for (let i = 0; i < 50; i += 1) {
    trace.block(block(400 * i, flat(400, i)));
    await clock.advance(20);
  }
  trace.end();
  expect(frames.length).toBeGreaterThanOrEqual(24);
  expect(frames.length).toBeLessThanOrEqual(27);
  const columns = frames.flatMap(({ command }) => command.high);
  expect(columns).toHaveLength(1000);
  expect(columns).toEqual(Array.from({ length: 1000 }, (_, i) => Math.floor(i / 20)));
  let next = 0;
  for (const { from, step, command } of frames) {
    expect(from).toBeCloseTo(next, 9);
    next = from + step * command.high.length;
  }
});

test('blocks that come a little early or late cost no frame', async () => {
  const { trace, frames, clock } = scene();
  trace.begin();
  for (let i = 0; i < 50; i += 1) {
    trace.block(block(400 * i, flat(400, i)));
    await clock.advance(i % 2 === 0 ? 19 : 20);
  }
  trace.end();
  expect(frames.length).toBeGreaterThanOrEqual(24);
  expect(frames.length).toBeLessThanOrEqual(27);
});

test('a bench that runs faster than time gets wider columns, and the spike is still there', () => {
  const { trace, frames, clock } = scene();
  expect(clock.monotonic()).toBe(0);
  trace.begin();
  trace.block(block(0, flat(20)));
  for (let i = 0; i < 100; i += 1) {
    trace.block(block(20 + 400 * i, i === 57 ? [...flat(399), 5] : flat(400)));
  }
  trace.end();
  const last = frames.at(-1);
  expect(last?.command.high.length).toBeLessThanOrEqual(200);
  expect(last?.step).toBeGreaterThan(0.001);
  expect(last?.command.high.filter((v) => v === 5)).toHaveLength(1);
});

test('what was not sampled is nothing, not zero', () => {
  const { trace, frames } = scene();
  trace.begin();
  trace.block({
    ...block(0, flat(40, NaN)),
    samples: { command: Float32Array.from(flat(40, NaN)) },
  });
  trace.end();
  expect(frames[0]?.command.low).toEqual([null, null]);
  expect(frames[0]?.torque.low).toEqual([]);
});

test('the next take and the next stage begin anew at zero', () => {
  const { trace, frames } = scene();
  trace.stage(0);
  trace.begin();
  trace.block(block(0, flat(400, 1)));
  trace.begin();
  trace.block(block(0, flat(400, 2)));
  trace.stage(1);
  trace.begin();
  trace.block(block(0, flat(400, 3)));
  trace.end();
  expect(frames.map(({ stage, take, from }) => [stage, take, from])).toEqual([
    [0, 0, 0],
    [0, 1, 0],
    [1, 0, 0],
  ]);
});
