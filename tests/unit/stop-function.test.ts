import { expect, test } from 'vitest';
import { pressInstant, StopFunction } from '../../src/bench/stop-function.js';

test('the press falls within 1 s and 3 s, by the name of the take alone, and never twice at once', () => {
  const names = Array.from({ length: 200 }, (_, i) => `TW-1/H12-26-00001/0/${i}`);
  const instants = names.map(pressInstant);
  expect(Math.min(...instants)).toBeGreaterThanOrEqual(1);
  expect(Math.max(...instants)).toBeLessThanOrEqual(3);
  expect(new Set(instants).size).toBe(200);
  expect(pressInstant(names[7] ?? '')).toBe(instants[7]);
});

test('without a press nothing happens, for as long as one likes', () => {
  const stop = new StopFunction(0);
  stop.beginTake();
  expect(stop.ahead).toBe(Infinity);
  expect(stop.advance(1e9)).toEqual([]);
  expect(stop.opened).toBeUndefined();
});

test('a press comes at its sample, and is counted from the start of the take', () => {
  const stop = new StopFunction(0);
  stop.advance(1000);
  stop.beginTake(537);
  expect(stop.ahead).toBe(537);
  expect(stop.advance(400)).toEqual([]);
  expect(stop.ahead).toBe(137);
  expect(stop.advance(137)).toEqual(['pressed']);
  expect(stop.open()).toBe('cut now');
  expect(stop.opened).toBe(537);
  expect(stop.ahead).toBe(Infinity);
});

test('a slow contactor cuts so many samples after the first line that opened', () => {
  const stop = new StopFunction(250);
  stop.beginTake();
  stop.advance(100);
  expect(stop.open()).toBe('cut later');
  stop.advance(50);
  expect(stop.open()).toBe('cut later'); // a second line does not put it off
  expect(stop.opened).toBe(100);
  expect(stop.ahead).toBe(200);
  expect(stop.advance(200)).toEqual(['cut']);
  expect(stop.advance(1000)).toEqual([]);
});

test('with power off nothing is still to come', () => {
  const stop = new StopFunction(250);
  stop.beginTake(300);
  stop.open();
  stop.forget();
  expect(stop.ahead).toBe(Infinity);
});
