import { expect, test } from 'vitest';
import { forward, inverse, powerOfTwo } from '../../src/base/fourier.js';
import { butterworth, zeroPhase, zeroPhaseGain } from '../../src/scoring/filter.js';
import {
  bandPower,
  blockMeans,
  lineOf,
  linesByPeriod,
  welch,
  windowOf,
} from '../../src/scoring/spectrum.js';
import { standardFromStep } from '../../src/scoring/uncertainty.js';
import { lcgNormal } from '../support/lcg.js';

const noise = (length: number, seed = 1): Float64Array => {
  const next = lcgNormal(seed);
  return Float64Array.from({ length }, () => next());
};
const apart = (a: Float64Array, b: Float64Array): number =>
  a.reduce((most, value, i) => Math.max(most, Math.abs(value - (b[i] ?? NaN))), 0);

test('forward and inverse give back 64 samples, and 50 zero-padded to 64', () => {
  const x = noise(64);
  expect(apart(inverse(forward(x)), x)).toBeLessThan(1e-14);
  const short = noise(50);
  const back = inverse(forward(short));
  expect(back.length).toBe(powerOfTwo(50));
  expect(apart(back.slice(0, 50), short)).toBeLessThan(1e-14);
  expect(apart(back.slice(50), new Float64Array(14))).toBeLessThan(1e-14);
});

test('lines of a period are those of the transform, also after averaging in blocks', () => {
  const x = noise(3 * 1024);
  const repeats = { start: 1024, period: 1024, periods: 2 };
  const [, second] = linesByPeriod(x, repeats, [1, 7, 500]);
  const whole = forward(x.slice(2048));
  [1, 7, 500].forEach((bin, k) => {
    expect(second?.re[k]).toBeCloseTo((2 * (whole.re[bin] ?? NaN)) / 1024, 12);
    expect(second?.im[k]).toBeCloseTo((2 * (whole.im[bin] ?? NaN)) / 1024, 12);
  });
  const tone = Float64Array.from({ length: 1000 }, (_, n) =>
    Math.cos((2 * Math.PI * 3 * n) / 1000 + 0.4),
  );
  const [line] = linesByPeriod(tone, { start: 0, period: 1000, periods: 1 }, [3]);
  expect(Math.hypot(line?.re[0] ?? NaN, line?.im[0] ?? NaN)).toBeCloseTo(1, 12);
  expect(Math.atan2(line?.im[0] ?? NaN, line?.re[0] ?? NaN)).toBeCloseTo(0.4, 12);
});

test('an odd period has its lines too', () => {
  const x = Float64Array.from({ length: 77 }, (_, n) => Math.sin((2 * Math.PI * 5 * n) / 77));
  const [line] = linesByPeriod(x, { start: 0, period: 77, periods: 1 }, [5]);
  expect(line?.im[0]).toBeCloseTo(-1, 12);
  expect(line?.re[0]).toBeCloseTo(0, 12);
});

test('density of white noise: its power over all frequencies is its variance', () => {
  const x = noise(40_000, 7);
  const { frequency, xx } = welch(x, x, { rate: 1000, segment: 3000, overlap: 1500 });
  const variance = x.reduce((sum, v) => sum + v * v, 0) / x.length;
  expect(bandPower(frequency, xx, 0, 500) / variance).toBeCloseTo(1, 1);
  expect(bandPower(frequency, xx, 100, 200) / variance).toBeCloseTo(0.2, 1);
});

test('a flat-top line is read to 0.1 % although it lies between bins', () => {
  const window = windowOf('flattop', 2000);
  const x = Float64Array.from(
    { length: 2000 },
    (_, n) => 3 * Math.cos((2 * Math.PI * 50.2 * n) / 1000),
  );
  const { re, im } = lineOf(x, window, 0.05);
  expect(Math.abs(Math.hypot(re, im) / 3 - 1)).toBeLessThan(0.001);
});

test('block means cover what they say', () => {
  expect([...blockMeans(Float64Array.of(9, 1, 3, 5, 7), 1, 2, 2)]).toEqual([2, 6]);
});

test('zero-phase filtering has no delay and the gain it states', () => {
  const filter = butterworth(4, 50, 1000);
  for (const [f, gain] of [
    [5, 1],
    [50, 0.5],
    [99, 1 / (1 + (99 / 50) ** 8)],
  ] as const) {
    const x = Float64Array.from({ length: 4000 }, (_, n) => Math.sin((2 * Math.PI * f * n) / 1000));
    const y = zeroPhase(filter, x).slice(1000, 3000);
    const [line] = linesByPeriod(y, { start: 0, period: 2000, periods: 1 }, [2 * f]);
    expect(-(line?.im[0] ?? NaN)).toBeCloseTo(zeroPhaseGain(filter, f), 6);
    expect(line?.re[0]).toBeCloseTo(0, 6);
    expect(Math.abs(zeroPhaseGain(filter, f) - gain)).toBeLessThan(0.003);
  }
});

test('zero-phase filtering leaves a constant and a straight line alone up to the ends', () => {
  const filter = butterworth(4, 50, 1000);
  const line = Float64Array.from({ length: 500 }, (_, n) => 3 + 0.01 * n);
  expect(apart(zeroPhase(filter, line), line)).toBeLessThan(1e-3);
  expect(
    apart(zeroPhase(filter, new Float64Array(50).fill(2)), new Float64Array(50).fill(2)),
  ).toBeLessThan(1e-12);
});

test('a step of 1 has a standard uncertainty of 1/√12', () => {
  expect(standardFromStep(1)).toBeCloseTo(1 / Math.sqrt(12), 15);
});
