import fc from 'fast-check';
import { expect, test } from 'vitest';
import { hertz } from '../../src/base/units.js';
import { CHANNELS } from '../../src/bench/bench.js';
import type { Block, Channel } from '../../src/bench/bench.js';
import type { Take } from '../../src/capture/capture.js';
import { record } from '../../src/capture/record.js';

const RATE = hertz(20_000);
const plan = (expected: number) => ({
  settings: { smoothing: 2, fixture: 'coupled' as const },
  rate: RATE,
  expected,
});

/** Sample i of channel c is i + c/10: every sample tells where it belongs. */
function block(start: number, length: number, device: Partial<Block['device']> = {}): Block {
  const samples: Partial<Record<Channel, Float32Array>> = {};
  for (const [c, channel] of CHANNELS.entries()) {
    samples[channel] = Float32Array.from({ length }, (_, i) => start + i + c / 10);
  }
  const time = (start + length) / RATE;
  const report = {
    updates: Math.floor(time * 1000),
    missing: 0,
    time,
    fault: 0,
    torqueEnabled: true,
  };
  return { start, samples, device: { ...report, ...device } };
}

async function* from(blocks: Iterable<Block>): AsyncGenerator<Block> {
  for (const one of blocks) yield await Promise.resolve(one);
}

const ignore = (): void => undefined;

function gather(blocks: Iterable<Block>, expected: number): Promise<Take> {
  return record(from(blocks), plan(expected), ignore);
}

test('blocks in order make a whole take, with the last device report', async () => {
  const take = await gather([block(0, 400), block(400, 400), block(800, 200)], 1000);
  expect(take.gaps).toEqual([]);
  expect(take.misplaced).toBe(0);
  expect(take.channels.torque?.[999]).toBeCloseTo(999.2, 3);
  expect(take.device).toEqual({ updates: 50, missing: 0, time: 0.05, fault: 0 });
  expect(take.settings).toEqual({ smoothing: 2, fixture: 'coupled' });
});

test('every split into blocks gives the take of the whole', async () => {
  const whole = await gather([block(0, 3000)], 3000);
  await fc.assert(
    fc.asyncProperty(
      fc.array(fc.integer({ min: 1, max: 700 }), { maxLength: 40 }),
      async (cuts) => {
        const blocks: Block[] = [];
        let start = 0;
        for (const length of [...cuts, 3000]) {
          const size = Math.min(length, 3000 - start);
          if (size > 0) blocks.push(block(start, size));
          start += size;
        }
        const take = await gather(blocks, 3000);
        expect(take.channels).toEqual(whole.channels);
        expect([take.gaps, take.misplaced, take.device]).toEqual([[], 0, whole.device]);
      },
    ),
    { seed: 3, numRuns: 40 },
  );
});

test('whatever is lost is a gap of NaN, and everything else is where it belongs', async () => {
  await fc.assert(
    fc.asyncProperty(fc.array(fc.boolean(), { minLength: 10, maxLength: 10 }), async (kept) => {
      const blocks = kept.flatMap((keep, i) => (keep ? [block(i * 100, 100)] : []));
      const take = await gather(blocks, 1000);
      const lost = take.gaps.reduce((sum, gap) => sum + gap.samples, 0);
      expect(lost).toBe(100 * kept.filter((keep) => !keep).length);
      const isLost = (i: number): boolean =>
        take.gaps.some((gap) => i >= gap.at && i < gap.at + gap.samples);
      const torque = take.channels.torque ?? [];
      const wrong = [...torque].filter((value, i) =>
        isLost(i) ? !Number.isNaN(value) : Math.abs(value - i - 0.2) > 1e-3,
      );
      expect(wrong).toEqual([]);
      expect(kept.every((keep, i) => keep !== isLost(i * 100))).toBe(true);
    }),
    { seed: 5, numRuns: 60 },
  );
});

test('a gap in the middle and one at the end keep their places', async () => {
  const take = await gather([block(0, 400), block(500, 300)], 1000);
  expect(take.gaps).toEqual([
    { at: 400, samples: 100 },
    { at: 800, samples: 200 },
  ]);
});

test('a take without any block is one gap without channels', async () => {
  const take = await gather([], 1000);
  expect(take.gaps).toEqual([{ at: 0, samples: 1000 }]);
  expect(take.channels).toEqual({});
});

const misplaced: readonly (readonly [string, readonly Block[], number, number])[] = [
  ['twice the same block', [block(0, 400), block(0, 400), block(400, 600)], 400, 0],
  [
    'a late block does not fill its gap',
    [block(0, 400), block(500, 500), block(400, 100)],
    100,
    100,
  ],
  ['a block over the end is cut', [block(0, 400), block(400, 800)], 200, 0],
  ['a block after the end', [block(0, 1000), block(1000, 400)], 400, 0],
  ['an overlap by one sample loses the block', [block(0, 400), block(399, 601)], 601, 600],
  ['a place that is no number', [block(0, 1000), block(NaN, 10), block(0.5, 10)], 20, 0],
  ['a place before the start', [block(-5, 10), block(0, 1000)], 10, 0],
];
for (const [name, blocks, count, lost] of misplaced) {
  test(`${name}: ${count} samples are left out, ${lost} are lost`, async () => {
    const take = await gather(blocks, 1000);
    expect(take.misplaced).toBe(count);
    expect(take.gaps.reduce((sum, gap) => sum + gap.samples, 0)).toBe(lost);
    expect(take.channels.command?.[200]).toBe(200);
  });
}

test('a repeated or empty block is not handed on, so that it cannot keep the dead-man fed', async () => {
  const seen: number[] = [];
  const blocks = [block(0, 400), block(0, 400), block(400, 0), block(400, 600), block(1000, 400)];
  await record(from(blocks), plan(1000), (one) => {
    seen.push(one.start);
  });
  expect(seen).toEqual([0, 400]);
});

test('each block is waited for before the next is asked for', async () => {
  const order: string[] = [];
  async function* blocks(): AsyncGenerator<Block> {
    for (const start of [0, 500]) {
      order.push(`ask ${start}`);
      yield await Promise.resolve(block(start, 500));
    }
  }
  await record(blocks(), plan(1000), async (one) => {
    await Promise.resolve();
    order.push(`checked ${one.start}`);
  });
  expect(order).toEqual(['ask 0', 'checked 0', 'ask 500', 'checked 500']);
});

/** Blocks that say whether they were closed, and how often they were asked. */
class Watched implements AsyncIterableIterator<Block> {
  closed = false;
  asked = 0;
  constructor(private readonly make: (asked: number) => Block) {}
  [Symbol.asyncIterator](): this {
    return this;
  }
  next(): Promise<IteratorResult<Block>> {
    this.asked += 1;
    return Promise.resolve({ done: false, value: this.make(this.asked - 1) });
  }
  return(): Promise<IteratorResult<Block>> {
    this.closed = true;
    return Promise.resolve({ done: true, value: undefined });
  }
}

for (const how of ['throws', 'rejects'] as const) {
  test(`when the check of a block ${how}, the bench is closed and the cause comes out`, async () => {
    const blocks = new Watched((i) => block(i * 400, 400));
    const cause = new Error('over-torque');
    const check = (one: Block): Promise<void> => {
      if (one.start < 400) return Promise.resolve();
      if (how === 'rejects') return Promise.reject(cause);
      throw cause;
    };
    await expect(record(blocks, plan(4000), check)).rejects.toBe(cause);
    expect([blocks.closed, blocks.asked]).toEqual([true, 2]);
  });
}

test('a bench that repeats itself without end is closed after a second of samples', async () => {
  const blocks = new Watched(() => block(0, 400));
  const take = await record(blocks, plan(4000), ignore);
  expect(blocks.closed).toBe(true);
  expect(take.misplaced).toBe(20_400);
  expect(take.gaps).toEqual([{ at: 400, samples: 3600 }]);
});

test('a bench that sends nothing without end is closed', async () => {
  const blocks = new Watched(() => block(0, 0));
  await record(blocks, plan(40), ignore);
  expect([blocks.closed, blocks.asked]).toEqual([true, 20_040]);
});

test('all buffers are allocated before the first block is asked for', async () => {
  const blocks = new Watched((i) => block(i * 400, 400));
  await expect(record(blocks, plan(-1), ignore)).rejects.toThrow(RangeError);
  expect(blocks.asked).toBe(0);
});

test('a channel that comes late is NaN before, one that never comes is missing', async () => {
  const { command, torque, current } = block(0, 500).samples;
  const first = { ...block(0, 500), samples: { command, torque } as Block['samples'] };
  const second = { ...block(500, 500), samples: { command, torque, current } as Block['samples'] };
  const take = await gather([first, second], 1000);
  expect(Object.keys(take.channels).sort()).toEqual(['command', 'current', 'torque']);
  expect(take.channels.current?.[499]).toBeNaN();
  expect(take.channels.current?.[500]).toBeCloseTo(0.1, 6);
});

test('a fault once reported stays, also when later blocks report none', async () => {
  const take = await gather([block(0, 400), block(400, 400, { fault: 7 }), block(800, 200)], 1000);
  expect(take.device.fault).toBe(7);
});

test('the line through device time finds 900 ppm and a step of 10 ms', async () => {
  const blocks = (time: (seconds: number) => number): Block[] =>
    Array.from({ length: 100 }, (_, i) => block(i * 400, 400, { time: time((i + 1) * 0.02) }));
  const fast = await gather(
    blocks((t) => t * (1 + 900e-6)),
    40_000,
  );
  expect(fast.clock?.skew).toBeCloseTo(900e-6, 9);
  expect(fast.clock?.departure).toBeLessThan(1e-9);
  const stepped = await gather(
    blocks((t) => (t > 1 ? t + 0.01 : t)),
    40_000,
  );
  expect(stepped.clock?.departure).toBeCloseTo(0.005, 3);
  expect((await gather([block(0, 400)], 400)).clock).toBeUndefined();
});
