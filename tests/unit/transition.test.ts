import { expect, test } from 'vitest';
import { predictedRinging } from '../../src/pattern/bounds.js';
import {
  findTransition,
  fitOnset,
  overshoot,
  settledAt,
  smoothed,
} from '../../src/scoring/transition.js';
import { answering, normalFrom, slewed, steps, takeOf } from '../support/made-capture.js';

const UNIT = { low: 0, high: 1 };

test('a plateau that noise carries over the 10 % level does not move the 10 % instant', () => {
  const y = [0, 0.12, 0, 0, 0.05, 0.5, 0.95, 1];
  expect(findTransition(y, UNIT)?.at(0.1)).toBeCloseTo(4 + 0.05 / 0.45, 12);
});

test('a falling transition is read with its levels exchanged', () => {
  const y = [10, 10, 9, 6, 3, 1, 0, 0];
  const rising = y.map((v) => 10 - v);
  const [down, up] = [
    findTransition(y, { low: 10, high: 0 }),
    findTransition(rising, { low: 0, high: 10 }),
  ];
  expect(down?.at(0.1)).toBe(up?.at(0.1));
  expect(down?.at(0.9)).toBe(up?.at(0.9));
});

test('no transition, no crossing, no settling: undefined, never a number', () => {
  expect(findTransition([0, 0, 0.2, 0.3], UNIT)).toBeUndefined();
  expect(findTransition([], UNIT)).toBeUndefined();
  expect(findTransition([0, 0.6, 0.7], UNIT)?.at(0.9)).toBeUndefined();
  expect(findTransition([0, 1], { low: 1, high: 1 })).toBeUndefined();
  expect(settledAt([0, 1, 0.9], UNIT, 0.02)).toBeUndefined();
});

test('the greatest of noisy samples grows with the window: 2.8 σ of 200, 4 σ of 20 000', () => {
  const normal = normalFrom(7);
  const most = (n: number): number => {
    let sum = 0;
    for (let k = 0; k < 40; k++) {
      sum += overshoot(
        Float64Array.from({ length: n }, () => 1 + 0.01 * normal()),
        UNIT,
      );
    }
    return sum / 40 / 0.01;
  };
  expect(most(200)).toBeCloseTo(2.75, 0);
  expect(most(20_000)).toBeCloseTo(4, 0);
});

test('the smoothing parabola keeps a parabola and thins noise to 0.51 of it over nine samples', () => {
  const parabola = Float64Array.from({ length: 30 }, (_, i) => 3 - 0.1 * (i - 12) ** 2);
  smoothed(parabola, 4).forEach((v, i) => {
    expect(v).toBeCloseTo(parabola[i] as number, 10);
  });
  const impulse = new Float64Array(30);
  impulse[15] = 1;
  const weights = smoothed(impulse, 4);
  const power = weights.subarray(5, 25).reduce((sum, w) => sum + w * w, 0);
  expect(Math.sqrt(power)).toBeCloseTo(Math.sqrt(59 / 231), 10); // published centre weight 59/231
});

test('ringing after a raised-cosine edge: 2.4 %, 0.3 %, and π/4 at half a turn', () => {
  expect(predictedRinging(0.004, 361)).toBeCloseTo(0.024, 3);
  expect(predictedRinging(0.00415, 361)).toBeLessThan(0.0035);
  expect(predictedRinging(0.004, 424)).toBeCloseTo(0.055, 3);
  expect(predictedRinging(0.004, 311)).toBeCloseTo(0.139, 3);
  expect(predictedRinging(0.001, 500)).toBeCloseTo(Math.PI / 4, 9);
  expect(predictedRinging(0, 361)).toBe(1);
});

const onsets = [
  { change: 3, slew: 6000, lag: 0.0002, dead: 0.0006 },
  { change: 3, slew: 6000, lag: 0.0002, dead: 0.0016 },
  { change: 3, slew: 3000, lag: 0.0002, dead: 0.0006 },
  { change: 3, slew: 6000, lag: 0.00053, dead: 0.0006 },
  { change: 12, slew: 6000, lag: 0.0002, dead: 0.00035 },
];

for (const { change, slew, lag, dead } of onsets) {
  test(`the onset of ${change} N·m at ${slew} N·m/s, lag ${lag * 1000} ms, is found at ${dead * 1000} ms`, () => {
    const pattern = steps([0, change], 0.02);
    const motor = answering(pattern, slewed(slew, lag, dead));
    const { current } = takeOf({ pattern, motor }).channels;
    const y = Float64Array.from(current ?? [], (v) => v * 0.6);
    const end = y.findIndex((v) => v > 0.3 * change);
    const time = Float64Array.from({ length: end + 1 - 380 }, (_, i) => (i + 0.5 - 20) / 20_000);
    const cut = y.subarray(380, 380 + time.length);
    expect(Math.abs((fitOnset(time, cut)?.dead ?? Number.NaN) - dead)).toBeLessThan(1e-6);
  });
}

test('nothing that rises gives no onset', () => {
  const time = Float64Array.from({ length: 40 }, (_, i) => i / 20_000);
  expect(fitOnset(time, new Float64Array(40))).toBeUndefined();
  expect(fitOnset(time.subarray(0, 3), new Float64Array(3))).toBeUndefined();
  expect(
    fitOnset(
      time,
      Float64Array.from(time, (t) => -t),
    ),
  ).toBeUndefined();
});
