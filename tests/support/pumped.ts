import type { HandClock } from './clock.js';

/**
 * Moves a hand clock on by a part of a millisecond each turn of the event loop until a promise is settled.
 * Real sockets get their turns in between, so a peer that answers is in time, and one that does not is late.
 */
export async function pumped<T>(clock: HandClock, promise: Promise<T>): Promise<T> {
  const state = { isSettled: false };
  const settle = (): void => {
    state.isSettled = true;
  };
  promise.then(settle, settle);
  while (!state.isSettled) {
    await clock.advance(0.2);
    await new Promise((resolve) => setImmediate(resolve));
  }
  return promise;
}

/** Waits for turns of the event loop, so that what sockets hold is handed over; the clock stands still. */
export async function turns(count = 100): Promise<void> {
  for (let i = 0; i < count; i++) await new Promise((resolve) => setImmediate(resolve));
}
