import { describe, expect, test } from 'vitest';
import { StandTime, type Timed } from '../../src/emulator/time.js';
import { handClock } from '../support/clock.js';

/** A stand that only counts its samples. */
class CountingStand implements Timed {
  isNeeded = false;
  isAsked = false;
  isFalling = false;
  isPlaying = false;
  isEnergized = false;
  isFed = false;
  running: { room: number; readonly toBlockEnd: number } | undefined;
  samples = 0;
  looks = 0;
  readonly steps: number[] = [];
  /** Samples that it goes on by at a time, where an update waits for its source. */
  most = Number.POSITIVE_INFINITY;

  advance(samples: number): number {
    const part = Math.min(samples, this.most);
    this.samples += part;
    if (part > 0) this.steps.push(part);
    if (this.running !== undefined) this.running.room -= part;
    return part;
  }

  watchClock(): void {
    this.looks += 1;
  }
}

function made(pace: 'real' | 'patient', state: Partial<CountingStand>) {
  const stand = Object.assign(new CountingStand(), state);
  const clock = handClock();
  let ahead = 0;
  let waits = 0;
  const time = new StandTime(
    pace,
    {
      now: () => clock.now(),
      monotonic: () => clock.monotonic() + ahead,
      wait: (ms) => {
        waits += 1;
        return clock.wait(ms);
      },
    },
    stand,
  );
  const jump = (ms: number): void => {
    ahead += ms;
  };
  return { stand, clock, time, jump, waits: () => waits };
}

async function turns(count = 20): Promise<void> {
  for (let i = 0; i < count; i += 1) await new Promise((resolve) => setImmediate(resolve));
}

describe('real pace', () => {
  test('20 samples go by for each ms of the clock, with a look at the dead-man', async () => {
    const { stand, clock, time } = made('real', { isNeeded: true });
    time.wake();
    await clock.advance(1000);
    expect(stand.samples).toBe(20_000);
    expect(stand.looks).toBe(1000);
  });

  test('nothing runs while nothing is needed, and time that went by meanwhile is not made up', async () => {
    const { stand, clock, time, waits } = made('real', {});
    time.wake();
    await clock.advance(500);
    expect([stand.samples, stand.looks, waits()]).toEqual([0, 0, 0]);
    stand.isNeeded = true;
    time.wake();
    await clock.advance(10);
    stand.isNeeded = false;
    await clock.advance(500);
    expect(stand.samples).toBeLessThanOrEqual(220);
    expect(waits()).toBeLessThanOrEqual(12);
  });

  test('a look that is 80 ms late catches up, one that is 120 ms late begins anew', async () => {
    const { stand, clock, time, jump } = made('real', { isNeeded: true });
    time.wake();
    await clock.advance(10);
    jump(80);
    await clock.advance(1);
    expect(stand.samples).toBe(91 * 20);
    jump(120);
    await clock.advance(1);
    expect(stand.samples).toBe(91 * 20);
    await clock.advance(10);
    expect(stand.samples).toBe(101 * 20);
  });

  test('it can be brought up to the clock between two looks', async () => {
    const { stand, clock, time } = made('real', { isNeeded: true });
    time.wake();
    await clock.advance(5.5);
    time.catchUp();
    expect(stand.samples).toBe(110);
  });

  test('where an update waits it is looked at again in the next turn, and no time is lost', async () => {
    const { stand, clock, time } = made('real', { isNeeded: true, most: 20 });
    time.wake();
    await clock.advance(2);
    await turns();
    expect(stand.samples).toBe(40);
    stand.most = 0;
    await clock.advance(3);
    await turns();
    expect(stand.samples).toBe(40);
    stand.most = 20;
    await turns();
    expect(stand.samples).toBe(100);
    time.close();
  });
});

describe('patient pace', () => {
  test('what asks for time gets it at once, block by block', async () => {
    const { stand, clock, time } = made('patient', { isNeeded: true, isAsked: true });
    time.wake();
    await turns(10);
    expect(stand.steps.every((samples) => samples === 400)).toBe(true);
    expect(stand.samples).toBeGreaterThanOrEqual(9 * 400);
    expect(clock.monotonic()).toBe(0);
    time.close();
  });

  test('without power a take goes on while it has room, and then nothing runs', async () => {
    const running = { room: 1000, toBlockEnd: 400 };
    const { stand, time, waits } = made('patient', { isNeeded: true, running });
    time.wake();
    await turns();
    expect(stand.samples).toBe(1000);
    expect(waits()).toBe(0);
    running.room = 400;
    time.wake();
    await turns();
    expect(stand.samples).toBe(1400);
  });

  test('with power a fed take goes on to the end of its block, an unfed one at a fifth', async () => {
    const state = { isNeeded: true, isEnergized: true, isPlaying: true, isFed: true };
    const { stand, clock, time } = made('patient', {
      ...state,
      running: { room: 10_000, toBlockEnd: 150 },
    });
    stand.most = 150;
    time.wake();
    await turns(2);
    expect(stand.steps[0]).toBe(150);
    stand.isFed = false;
    stand.most = Number.POSITIVE_INFINITY;
    await turns();
    const before = stand.samples;
    await clock.advance(100);
    expect(Math.abs(stand.samples - before - 400)).toBeLessThanOrEqual(4);
  });

  test('without a take what plays goes on at a fifth, also where somebody asks for time', async () => {
    const { stand, clock, time } = made('patient', {
      ...{ isNeeded: true, isPlaying: true, isEnergized: true, isAsked: true, isFalling: true },
    });
    time.wake();
    await turns();
    await clock.advance(500);
    expect(Math.abs(stand.samples - 2000)).toBeLessThanOrEqual(8);
  });

  test('a standstill of 10 s lets no more than 20 ms of the plant go by at once', async () => {
    const { stand, clock, time, jump } = made('patient', { isNeeded: true, isPlaying: true });
    time.wake();
    await turns();
    jump(10_000);
    await clock.advance(1);
    expect(stand.samples).toBeLessThanOrEqual(400);
  });

  test('torque that falls is watched at once, and beside an unread take at a fifth', async () => {
    const { stand, clock, time } = made('patient', { isNeeded: true, isFalling: true });
    time.wake();
    await turns(3);
    expect(stand.samples).toBeGreaterThanOrEqual(800);
    stand.running = { room: 0, toBlockEnd: 400 };
    await turns(3);
    const before = stand.samples;
    await clock.advance(50);
    expect(Math.abs(stand.samples - before - 200)).toBeLessThanOrEqual(4);
  });
});

test.each(['real', 'patient'] as const)('closed, %s time stands still', async (pace) => {
  const { stand, clock, time } = made(pace, { isNeeded: true, isAsked: true });
  time.wake();
  time.close();
  await clock.advance(100);
  await turns();
  time.wake();
  time.catchUp();
  expect(stand.samples).toBe(0);
});
