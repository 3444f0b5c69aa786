import fc from 'fast-check';
import { expect, test } from 'vitest';
import { hertz, newtonMetre } from '../../src/base/units.js';
import {
  LONGEST_REGISTER,
  maximalLengthSignal,
  SHORTEST_REGISTER,
} from '../../src/pattern/random.js';
import { durationOf, edges, held, parts, underlying } from '../../src/pattern/shapes.js';
import type { Pattern } from '../../src/procedure/procedure.js';
import {
  chirp,
  hold,
  list,
  multisine,
  pseudoRandom,
  ramp,
  recorded,
  sine,
  staircase,
  step,
  triangle,
} from '../support/patterns.js';

const durations: readonly (readonly [string, Pattern, number])[] = [
  ['hold 2 s', hold(1, 2), 2],
  ['step, 4 levels of 60 ms, 10 times', step([0, 3, 0, -3], { hold: 0.06, repeat: 10 }), 2.4],
  ['triangle, 2 cycles at 0.1 Hz', triangle(6, 0.1, 2), 20],
  ['staircase takes what it holds', staircase(100, sine(6, 1, 2.2)), 2.2],
  ['multisine, 18 periods of 1 s', multisine(), 18],
  ['pseudo-random of order 7 at 500 Hz, twice', pseudoRandom(7, 500, 2), 254 / 500],
  ['recording of 5 values at 100 Hz', recorded([1, 2, 3, 4, 5], 100), 0.05],
  ['list', list(hold(0, 0.1), hold(0, 0.2), sine(1, 5, 3)), 3.3],
];
for (const [name, pattern, seconds] of durations) {
  test(`duration of ${name} is ${seconds} s`, () => {
    expect(durationOf(pattern)).toBeCloseTo(seconds, 12);
    expect(underlying(pattern, 1000)).toHaveLength(Math.ceil(seconds * 1000 - 1e-6));
  });
}

test('a triangle starts at 0 and turns at +A after a quarter and −A after three quarters', () => {
  const samples = underlying(triangle(6, 1, 1), 8);
  expect([...samples]).toEqual([0, 3, 6, 3, 0, -3, -6, -3]);
});

test('an abrupt step changes level on the very update, also after 239 holds of 60 ms', () => {
  const pattern = step([0, 3], { hold: 0.06, repeat: 120 });
  const samples = held(pattern, 1000);
  const wanted = (i: number): number => (Math.floor(i / 60) % 2 === 0 ? 0 : 3);
  expect([...samples.keys()].filter((i) => samples[i] !== wanted(i))).toEqual([]);
  expect(samples).toHaveLength(14_400);
});

test('a raised-cosine edge of 4 ms passes its middle after 2 ms and is done after 4 ms', () => {
  const samples = underlying(step([-1, 3], { hold: 0.01, edge: 0.004 }), 1000);
  expect(samples[10]).toBe(-1);
  expect(samples[12]).toBeCloseTo(1, 12);
  expect(samples[14]).toBe(3);
});

test('a windowed burst starts and ends at nothing and peaks in its middle', () => {
  const pattern: Pattern = {
    kind: 'burst',
    amplitude: newtonMetre(2),
    frequency: hertz(10),
    cycles: 5,
    window: 'hann',
  };
  const samples = underlying(pattern, 10_000);
  expect(Math.abs(samples[1] ?? NaN)).toBeLessThan(1e-5);
  expect(samples[2750]).toBeCloseTo(-2 * 0.5 * (1 - Math.cos(2 * Math.PI * 0.55)), 9);
  expect(underlying({ ...pattern, window: 'none' }, 10_000)[250]).toBeCloseTo(2, 12);
});

test('a logarithmic chirp of equal ends is a sine', () => {
  const samples = underlying(chirp(5, 5, 1, 'logarithmic'), 200);
  expect(samples[10]).toBeCloseTo(1, 12);
});

test('a recording is held for the item and joined by lines as its source meant it', () => {
  const pattern = recorded([0, 1, -1], 100, 2);
  expect([...held(pattern, 400)]).toEqual([0, 0, 0, 0, 2, 2, 2, 2, -2, -2, -2, -2]);
  const joined = [0, 0.5, 1, 1.5, 2, 1, 0, -1, -2, -2, -2, -2];
  underlying(pattern, 400).forEach((value, i) => {
    expect(value).toBeCloseTo(joined[i] ?? NaN, 12);
  });
  expect([...held(staircase(50, pattern), 100)]).toEqual([0, 0, -2]);
});

test('a staircase at 333 Hz changes on the first update at or after each source instant', () => {
  const samples = held(staircase(333, ramp(0, 1, 1)), 1000);
  const changes = [...samples.keys()].filter((i) => i > 0 && samples[i] !== samples[i - 1]);
  expect(changes).toEqual(Array.from({ length: 332 }, (_, k) => Math.ceil(((k + 1) * 1000) / 333)));
});

test('parts resolves lists inside lists, keeps a staircase whole and says 0.3 for 0.1 + 0.2', () => {
  const inner = list(hold(1, 0.2), hold(2, 0.3));
  const found = parts(list(hold(0, 0.1), inner, staircase(100, inner)));
  expect(found.map(({ pattern, from, to }) => [pattern.kind, from, to])).toEqual([
    ['hold', 0, 0.1],
    ['hold', 0.1, 0.3],
    ['hold', 0.3, 0.6],
    ['staircase', 0.6, 1.1],
  ]);
});

test('a list plays each part from its own start, also backwards in time', () => {
  const pattern = staircase(10, list(hold(1, 0.1), ramp(2, 3, 0.2), hold(-1, 0.1)));
  expect([...held(pattern, 10)]).toEqual([1, 2, 2.5, -1]);
});

test('edges of a step pattern include those from repeat to repeat and skip equal levels', () => {
  expect(edges(step([0, 3, 3, -3], { hold: 0.06, repeat: 2 }))).toEqual([
    { time: 0.06, from: 0, to: 3 },
    { time: 0.18, from: 3, to: -3 },
    { time: 0.24, from: -3, to: 0 },
    { time: 0.3, from: 0, to: 3 },
    { time: 0.42, from: 3, to: -3 },
  ]);
});

for (let order = SHORTEST_REGISTER; order <= LONGEST_REGISTER; order++) {
  test(`the register of length ${order} shows each of its ${2 ** order - 1} states once`, () => {
    const signal = maximalLengthSignal(order);
    const length = 2 ** order - 1;
    expect(signal).toHaveLength(length);
    expect(signal.reduce((sum, value) => sum + value, 0)).toBe(1);
    const windows = new Set<number>();
    for (let i = 0; i < length; i++) {
      let state = 0;
      for (let k = 0; k < order; k++) state = 2 * state + (signal[(i + k) % length] === 1 ? 1 : 0);
      windows.add(state);
    }
    expect(windows.size).toBe(length);
    expect(windows.has(0)).toBe(false);
  });
}

test('a register of another length is refused', () => {
  expect(() => maximalLengthSignal(2)).toThrow('no shift register of length 2');
});

const amplitude = fc.double({ min: 0.1, max: 12, noNaN: true });
const frequency = fc.double({ min: 0.1, max: 200, noNaN: true });
const plain: fc.Arbitrary<readonly [Pattern, number]> = fc.oneof(
  fc.tuple(amplitude, frequency).map(([a, f]) => [sine(a, f, 0.5), a] as const),
  fc.tuple(amplitude, frequency).map(([a, f]) => [triangle(a, f, 3), a] as const),
  fc.tuple(amplitude, amplitude).map(([a, b]) => [ramp(-a, b, 0.3), Math.max(a, b)] as const),
  fc
    .tuple(amplitude, amplitude, fc.double({ min: 0, max: 0.02, noNaN: true }))
    .map(
      ([a, b, edge]) => [step([a, -b], { hold: 0.02, repeat: 3, edge }), Math.max(a, b)] as const,
    ),
);

test('no sample of a pattern, held or not, at any rate, exceeds the amplitude it is written with', () => {
  fc.assert(
    fc.property(
      plain,
      plain,
      fc.double({ min: 50, max: 2000, noNaN: true }),
      fc.double({ min: 50, max: 1000, noNaN: true }),
      ([one, peak], [other, otherPeak], rate, source) => {
        const whole = staircase(source, list(one, other));
        for (const samples of [held(whole, rate), underlying(whole, rate)]) {
          const most = samples.reduce((a, value) => Math.max(a, Math.abs(value)), 0);
          expect(most).toBeLessThanOrEqual(Math.max(peak, otherPeak) * (1 + 1e-12));
        }
      },
    ),
    { seed: 7, numRuns: 60 },
  );
});
