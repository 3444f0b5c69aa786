import type { Clock } from '../../src/base/clock.js';

/** A clock that stands still until a test moves it. */
export interface HandClock extends Clock {
  /** Moves wall and monotonic time on and wakes whoever waited that long. */
  advance(ms: number): Promise<void>;
  /** Sets the wall time, also backwards; monotonic time does not move. */
  set(now: number): void;
}

/**
 * Makes a hand-moved clock.
 *
 * @param now - ms since the Unix epoch at the start.
 */
export function handClock(now = Date.parse('2026-11-25T14:00:00.000Z')): HandClock {
  let wall = now;
  let monotonic = 0;
  let waiting: { readonly until: number; readonly wake: () => void }[] = [];
  return {
    now: () => wall,
    monotonic: () => monotonic,
    wait: (ms) =>
      new Promise((wake) => {
        if (ms <= 0) wake();
        else waiting.push({ until: monotonic + ms, wake });
      }),
    set: (instant) => {
      wall = instant;
    },
    async advance(ms) {
      const end = monotonic + ms;
      for (;;) {
        const due = waiting.filter((w) => w.until <= end).sort((a, b) => a.until - b.until)[0];
        if (due === undefined) break;
        waiting = waiting.filter((w) => w !== due);
        wall += due.until - monotonic;
        monotonic = due.until;
        due.wake();
        // One turn of the event loop: whoever was woken may wait again before time moves on.
        await new Promise((resolve) => setImmediate(resolve));
      }
      wall += end - monotonic;
      monotonic = end;
    },
  };
}
