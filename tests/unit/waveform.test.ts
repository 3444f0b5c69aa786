import { expect, test } from 'vitest';
import { hertz } from '../../src/base/units.js';
import { held } from '../../src/pattern/shapes.js';
import { compile, edges, parts } from '../../src/pattern/waveform.js';
import { hold, list, multisine, ramp, sine, staircase, step } from '../support/patterns.js';

test('the first update is at 0 and the last one before the end', () => {
  const { rate, command } = compile(ramp(0, 1, 0.01), hertz(1000));
  expect(rate).toBe(1000);
  expect(command).toHaveLength(10);
  expect(command[0]).toBe(0);
  expect(command[9]).toBeCloseTo(0.9, 12);
});

test('a duration between two updates is played to the end of the last', () => {
  expect(compile(hold(1, 0.0105), hertz(1000)).command).toHaveLength(11);
});

test('what is compiled is the held command, not the shape beneath', () => {
  const pattern = staircase(100, sine(6, 1, 1));
  expect(compile(pattern, hertz(1000)).command).toEqual(held(pattern, 1000));
  expect(new Set(compile(pattern, hertz(1000)).command.subarray(0, 10)).size).toBe(1);
});

test('100 parts of 0.1 s start on update 100, 200, 300 … without drift', () => {
  const levels = Array.from({ length: 100 }, (_, i) => hold(i + 1, 0.1));
  const { command } = compile(list(hold(0, 0.1), ...levels), hertz(1000));
  expect(command).toHaveLength(10_100);
  expect([...command].every((value, i) => value === Math.floor(i / 100))).toBe(true);
});

test('parts and edges name the updates at which the compiled command changes', () => {
  const pattern = step([0, 3, -3], { hold: 0.06, repeat: 5 });
  const whole = list(hold(0, 0.3), pattern);
  const { command } = compile(whole, hertz(1000));
  const start = parts(whole)[1]?.from ?? NaN;
  for (const edge of edges(pattern)) {
    const update = Math.round((start + edge.time) * 1000);
    expect([command[update - 1], command[update]]).toEqual([edge.from, edge.to]);
  }
});

test('every period of a multisine is the same', () => {
  const { command } = compile(multisine({ periods: 3 }), hertz(1000));
  expect(command).toHaveLength(3000);
  const apart = [...command.subarray(0, 2000)].map((v, i) =>
    Math.abs(v - (command[i + 1000] ?? NaN)),
  );
  expect(Math.max(...apart)).toBeLessThan(1e-9);
});
