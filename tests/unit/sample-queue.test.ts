import { expect, test } from 'vitest';
import { MOST_BLOCKS, SampleQueue } from '../../src/link/sample-queue.js';
import type { SampleFrame } from '../../src/link/wire-samples.js';

const block = (number: number, values = 1): SampleFrame => ({
  ...{ take: 1, block: number, start: number, clock: 0, channels: 1 },
  report: { updates: 0, missing: 0, time: 0, fault: 0, torqueEnabled: false },
  values: new Float32Array(values),
});

test('blocks come out in order, then the end', () => {
  const queue = new SampleQueue();
  expect(queue.take()).toBe('over');
  queue.begin();
  expect(queue.take()).toBeUndefined();
  for (const number of [0, 1]) expect(queue.add(block(number))).toBe(true);
  queue.end();
  expect(queue.take()).toMatchObject({ block: 0 });
  expect(queue.take()).toMatchObject({ block: 1 });
  expect(queue.take()).toBe('over');
});

test('256 blocks find room, the next does not; another take begins empty', () => {
  const queue = new SampleQueue();
  queue.begin();
  for (let i = 0; i < MOST_BLOCKS; i++) expect(queue.add(block(i))).toBe(true);
  expect(queue.add(block(MOST_BLOCKS))).toBe(false);
  queue.begin();
  expect(queue.take()).toBeUndefined();
  expect(queue.add(block(0))).toBe(true);
});

test('32 MiB of samples find room, one more does not', () => {
  const queue = new SampleQueue();
  queue.begin();
  for (let i = 0; i < 8; i++) expect(queue.add(block(i, 2 ** 20))).toBe(true);
  expect(queue.add(block(8))).toBe(false);
});

test('whoever waits is woken by a block and by the end', async () => {
  const queue = new SampleQueue();
  queue.begin();
  const first = queue.changed();
  queue.add(block(0));
  await first;
  const second = queue.changed();
  queue.end();
  await second;
  expect(queue.take()).toMatchObject({ block: 0 });
});
