import { expect, test } from 'vitest';
import { Harness } from '../../src/bench/wiring.js';
import { BLOCK, BufferedTake, type TakeWish } from '../../src/emulator/take.js';

const ENDS = { command: 20, current: 40, torque: 20, supply: 80, winding: 200, sound: 0 };
const sound = new Harness({}, ENDS);

function made(wish: Partial<TakeWish> = {}) {
  let asked = 0;
  const take = new BufferedTake({
    ...{ samples: 10 * BLOCK, channels: ['command', 'torque'], lossEvery: 0 },
    asked: () => {
      asked += 1;
    },
    ...wish,
  });
  let updates = 0;
  const report = () => ({
    ...{ updates, missing: 0, linkLost: 0, gap: 0, jitter: 0, duty: 0, time: 0 },
    ...{ fault: 0, torqueEnabled: true },
  });
  /** Lets the plant put in samples, each with its own number, block by block. */
  const put = (count: number, harness = sound): void => {
    for (let left = count; left > 0 && take.isRunning;) {
      const part = Math.min(left, take.toBlockEnd);
      for (let i = take.filled; i < take.filled + part; i += 1) take.frame.torque[i] = i;
      take.filled += part;
      left -= part;
      updates = take.filled / 20;
      take.settle(harness, report());
    }
  };
  return { take, put, report, asked: () => asked };
}

async function isDone(outcome: Promise<unknown>): Promise<boolean> {
  const waits = Symbol('waits');
  await Promise.resolve();
  await Promise.resolve();
  await Promise.resolve();
  return (await Promise.race([outcome, Promise.resolve(waits)])) !== waits;
}

test('it waits for its trigger, and has nothing until then', () => {
  const { take } = made();
  expect([take.isWaiting, take.isOver, take.isRunning, take.available]).toEqual([
    true,
    false,
    false,
    0,
  ]);
  take.begin(0);
  expect([take.isWaiting, take.isRunning, take.room]).toEqual([false, true, 8 * BLOCK]);
});

test('a reader waits for all that it asked for, and has it with the report of that block', async () => {
  const { take, put, asked } = made();
  take.begin(0);
  const read = take.read(100, BLOCK);
  expect(asked()).toBe(1);
  put(BLOCK + 99);
  expect(await isDone(read)).toBe(false);
  put(1);
  expect(await isDone(read)).toBe(true);
  const block = await read;
  expect(block?.start).toBe(100);
  expect([...(block?.samples.torque ?? [])]).toEqual(
    Array.from({ length: BLOCK }, (_, i) => 100 + i),
  );
  expect(Object.keys(block?.samples ?? {})).toEqual(['command', 'torque']);
  expect(block?.device.updates).toBe((BLOCK + 100) / 20);
});

test('a block that was read before has the report of its own end', async () => {
  const { take, put } = made();
  take.begin(0);
  put(3 * BLOCK);
  expect((await take.read(0, BLOCK))?.device.updates).toBe(20);
  expect((await take.read(0, 3 * BLOCK))?.device.updates).toBe(60);
});

test('at its end a reader gets fewer samples, and then undefined', async () => {
  const { take, put } = made({ samples: BLOCK + 10 });
  take.begin(0);
  put(2 * BLOCK);
  expect(take.isOver).toBe(true);
  expect((await take.read(BLOCK, BLOCK))?.samples.torque?.length).toBe(10);
  expect(await take.read(BLOCK + 10, BLOCK)).toBeUndefined();
});

test('ended, it has nothing for those who wait nor for those who come', async () => {
  const { take, put } = made();
  take.begin(0);
  put(BLOCK);
  const waiting = take.read(0, 2 * BLOCK);
  take.end();
  expect(await waiting).toBeUndefined();
  expect(await take.read(0, BLOCK)).toBeUndefined();
  expect([take.isOver, take.isRunning]).toEqual([true, false]);
});

test('what was handed over is not changed by what comes', async () => {
  const { take, put } = made();
  take.begin(0);
  put(BLOCK);
  const block = await take.read(0, BLOCK);
  take.frame.torque.fill(-1);
  expect(block?.samples.torque?.[5]).toBe(5);
});

test('torque that is taken away ends it with its block', () => {
  const { take, put } = made();
  take.begin(0);
  put(BLOCK + 7);
  take.trip();
  expect(take.isRunning).toBe(true);
  put(10 * BLOCK);
  expect(take.available).toBe(2 * BLOCK);
  expect(take.isOver).toBe(true);
});

test('asked to go on after a stop it has 500 samples more, and tells where the line opened', async () => {
  const { take, put } = made({ afterStop: 500 });
  take.begin(0);
  put(BLOCK + 7);
  take.open(BLOCK + 7);
  take.open(BLOCK + 9); // another line
  put(10 * BLOCK);
  expect(take.available).toBe(BLOCK + 507);
  expect(take.opened).toBe(BLOCK + 7);
  expect((await take.read(0, BLOCK))?.opened).toBeUndefined();
  expect((await take.read(BLOCK, BLOCK))?.opened).toBe(BLOCK + 7);
});

test('a line that opens before it began is none of its own', () => {
  const { take } = made({ afterStop: 500 });
  take.open(0);
  expect(take.opened).toBeUndefined();
});

test('its reader, and what it asks for, give it room', async () => {
  const { take, put } = made({ samples: 100 * BLOCK });
  take.begin(0);
  put(8 * BLOCK);
  expect(take.room).toBe(0);
  await take.read(2 * BLOCK, BLOCK);
  expect(take.room).toBe(2 * BLOCK);
  void take.read(2 * BLOCK, 20 * BLOCK);
  expect(take.room).toBe(14 * BLOCK);
});

test('two blocks of five are lost, and what comes next begins later', async () => {
  const { take, put } = made({ lossEvery: 5 });
  take.begin(3); // the first of the take is block 4, so 5 and 6 are lost
  put(10 * BLOCK);
  expect((await take.read(0, BLOCK))?.start).toBe(0);
  expect((await take.read(BLOCK, BLOCK))?.start).toBe(3 * BLOCK);
  const [start, length] = [0, 10 * BLOCK];
  expect((await take.read(start, length))?.samples.torque?.length).toBe(BLOCK);
  expect((await take.read(3 * BLOCK, length))?.samples.torque?.length).toBe(3 * BLOCK);
});

test('a reader of lost blocks waits for the next that is not', async () => {
  const { take, put } = made({ lossEvery: 5 });
  take.begin(3);
  put(BLOCK);
  const read = take.read(BLOCK, BLOCK);
  put(2 * BLOCK);
  expect(await isDone(read)).toBe(false);
  put(BLOCK);
  expect((await read)?.start).toBe(3 * BLOCK);
});

test('channels pass the harness; one that never comes is no number', async () => {
  const { take, put } = made();
  const harness = new Harness(
    { dead: { command: { kind: 'missing' }, torque: { kind: 'stuck' } } },
    ENDS,
  );
  take.begin(0);
  put(3, harness);
  put(BLOCK, harness);
  const block = await take.read(0, BLOCK);
  expect([...(block?.samples.command ?? [])].every(Number.isNaN)).toBe(true);
  expect(new Set(block?.samples.torque)).toEqual(new Set([0]));
});

test.each([
  [-1, 5],
  [0.5, 5],
  [0, 0],
  [NaN, 1],
  [0, 1.5],
])('a read of %d + %d samples is refused', async (from, count) => {
  await expect(made().take.read(from, count)).rejects.toThrow('link/refused');
});

test('of 17 readers that wait, one is refused', async () => {
  const { take } = made();
  const reads = Array.from({ length: 16 }, () => take.read(0, 1));
  await expect(take.read(0, 1)).rejects.toThrow('link/refused');
  take.end();
  expect(await Promise.all(reads)).toEqual(new Array(16).fill(undefined));
});
