import fc from 'fast-check';
import { beforeEach, expect, test } from 'vitest';
import { hertz, type Quantity } from '../../src/base/units.js';
import { problem } from '../../src/bench/refusal.js';
import { MOST_WAITING, NO_UPDATE, SetPointBuffer } from '../../src/emulator/set-point-buffer.js';
import type { SetPoints } from '../../src/emulator/stand.js';
import type { Settings } from '../../src/procedure/procedure.js';

const SETTINGS: Settings = { smoothing: 2, fixture: 'coupled' };

/** A stand of which each update is asked for by hand. */
class HandStand {
  isPlaying = false;
  readonly acts: string[] = [];
  torque = 0;
  answered = 0;
  preparing: Promise<void> = Promise.resolve();
  failure: Error | undefined;
  private onUpdate: (update: number) => void = () => undefined;

  async stream(
    updates: Quantity<'Hz'>,
    settings: Settings,
    onUpdate: (update: number) => void,
  ): Promise<SetPoints> {
    this.acts.push(`stream ${updates} Hz, smoothing ${settings.smoothing}`);
    await this.preparing;
    if (this.failure !== undefined) throw this.failure;
    this.onUpdate = onUpdate;
    return {
      set: (torque) => (this.torque = torque),
      answered: () => (this.answered += 1),
    };
  }

  start(): void {
    this.acts.push('start');
    this.isPlaying = true;
  }

  finish(): void {
    this.acts.push('finish');
    this.isPlaying = false;
  }

  /** One update; says what torque holds after it. */
  update(number: number): number {
    this.onUpdate(number);
    return this.torque;
  }
}

let stand: HandStand;
let buffer: SetPointBuffer;
let failures: number;
let streaming: () => { updates: Quantity<'Hz'>; settings: Settings };

const turn = (): Promise<void> => new Promise((resolve) => setImmediate(resolve));

beforeEach(() => {
  stand = new HandStand();
  failures = 0;
  streaming = () => ({ updates: hertz(1000), settings: SETTINGS });
  buffer = new SetPointBuffer({
    stand,
    torqueOf: (perMille) => perMille / 100,
    settings: () => streaming(),
    updating: (update) => {
      buffer.latch(update);
    },
    failed: () => {
      failures += 1;
    },
  });
});

test('the set point for update 0 begins a stream of 1000 Hz, and others begin none', async () => {
  buffer.take(1, 100);
  buffer.take(NO_UPDATE, 100);
  await turn();
  expect(stand.acts).toEqual([]);
  buffer.take(0, 100);
  await turn();
  expect(stand.acts).toEqual(['stream 1000 Hz, smoothing 2', 'start']);
});

test('a second one for update 0 begins no second stream, neither while it is prepared nor played', async () => {
  buffer.take(0, 100);
  buffer.take(0, 100);
  await turn();
  buffer.take(0, 100);
  await turn();
  expect(stand.acts).toHaveLength(2);
});

test('set points that come ahead wait, each for its own update', async () => {
  buffer.take(0, 100);
  buffer.take(2, 300);
  buffer.take(1, -200);
  await turn();
  expect([0, 1, 2, 3].map((number) => stand.update(number))).toEqual([1, -2, 3, 3]);
  expect([buffer.target, buffer.size]).toEqual([300, 0]);
});

test('an update that is held back keeps the torque, and the next comes in its own time', async () => {
  buffer.take(0, 100);
  buffer.take(2, 300);
  await turn();
  expect([0, 1, 2].map((number) => stand.update(number))).toEqual([1, 1, 3]);
});

test('a later set point that waits says that the next is held back, so that none is waited for', async () => {
  buffer.take(0, 100);
  await turn();
  stand.update(0);
  expect(stand.answered).toBe(0);
  buffer.take(2, 300);
  expect(stand.answered).toBe(1);
  stand.update(1);
  expect(stand.answered).toBe(2);
});

test('a set point for an update that is over is dropped', async () => {
  for (let i = 0; i < 5; i++) buffer.take(i, 100);
  await turn();
  for (let i = 0; i < 5; i++) stand.update(i);
  buffer.take(4, 900);
  buffer.take(2, 900);
  expect([buffer.size, stand.update(5)]).toEqual([0, 1]);
});

test('after 65,535 comes 0, and neither is late for the other', async () => {
  buffer.take(0, 100);
  await turn();
  for (let i = 0; i < 0xfffe; i++) stand.update(i);
  buffer.take(0xfffe, 200);
  buffer.take(NO_UPDATE, 900); // the number that stands for none
  buffer.take(0, 400);
  expect([0xfffe, 0xffff, 0x1_0000].map((number) => stand.update(number))).toEqual([2, 2, 4]);
});

test('128 set points wait and no more, and there is room again for each that is latched', async () => {
  for (let i = 0; i < 200; i++) buffer.take(i, i);
  expect(buffer.size).toBe(MOST_WAITING);
  await turn();
  stand.update(0);
  buffer.take(150, 700);
  buffer.take(151, 800);
  expect(buffer.size).toBe(MOST_WAITING);
  for (let i = 1; i < 150; i++) stand.update(i);
  expect([stand.torque, stand.update(150), stand.update(151)]).toEqual([1.27, 7, 7]);
});

test('halt ends a stream that is played and forgets what waits', async () => {
  for (let i = 0; i < 9; i++) buffer.take(i, 100);
  await turn();
  stand.update(0);
  buffer.halt();
  expect([buffer.size, buffer.target, stand.acts.at(-1)]).toEqual([0, 0, 'finish']);
});

test('halt with nothing played asks nothing of the stand', () => {
  buffer.halt();
  expect(stand.acts).toEqual([]);
});

test('a stream begins anew after the one before, without what waited for that', async () => {
  for (let i = 0; i < 9; i++) buffer.take(i, 100);
  await turn();
  stand.update(0);
  stand.finish();
  buffer.take(0, 500);
  await turn();
  expect([stand.update(0), stand.update(1)]).toEqual([5, 5]);
});

test.each(['clear', 'halt'] as const)(
  '%s while a stream is made ready starts nothing',
  async (how) => {
    let ready: () => void = () => undefined;
    stand.preparing = new Promise((resolve) => (ready = resolve));
    buffer.take(0, 100);
    buffer[how]();
    ready();
    await turn();
    expect([stand.acts.length, stand.isPlaying, failures]).toEqual([1, false, 0]);
    buffer.take(0, 100);
    await turn();
    expect(stand.isPlaying).toBe(true);
  },
);

test('a stand that refuses is a failure, and the next stream may begin', async () => {
  stand.failure = problem('bench/permit-void', 'Power is off.', 'Energize first.');
  buffer.take(0, 100);
  await turn();
  expect(failures).toBe(1);
  stand.failure = undefined;
  buffer.take(0, 100);
  await turn();
  expect([failures, stand.isPlaying]).toEqual([1, true]);
});

test('a stand that refuses because power was taken off meanwhile is no failure', async () => {
  stand.failure = problem('bench/permit-void', 'Power is off.', 'Energize first.');
  buffer.take(0, 100);
  buffer.clear();
  await turn();
  expect(failures).toBe(0);
});

test('settings that make no stream are a failure, and end nothing', async () => {
  streaming = () => ({ updates: hertz(1 / 0), settings: SETTINGS });
  buffer.take(0, 100);
  await turn();
  expect([failures, stand.acts]).toEqual([1, []]);
});

test('whatever comes, no more than 128 wait, and none latches but for its own update', async () => {
  const set = fc.tuple(fc.nat(0xffff), fc.integer({ min: -0x8000, max: 0x7fff }));
  await fc.assert(
    fc.asyncProperty(fc.array(set, { maxLength: 400 }), async (sets) => {
      buffer.clear();
      stand.finish();
      buffer.take(0, 1);
      await turn();
      for (const [update, target] of sets) buffer.take(update, target);
      expect(buffer.size).toBeLessThanOrEqual(MOST_WAITING);
      for (let i = 0; i < 200; i++) {
        const own = sets.filter(([update]) => update === i).map(([, target]) => target / 100);
        const before = stand.torque;
        expect([before, ...own, ...(i === 0 ? [0.01] : [])]).toContain(stand.update(i));
      }
    }),
    { numRuns: 50, seed: 3 },
  );
});
