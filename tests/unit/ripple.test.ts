import { expect, test } from 'vitest';
import { standGain } from '../../src/scoring/response.js';
import { RIPPLE, withoutStand } from '../../src/scoring/ripple.js';
import type { Outcome } from '../../src/scoring/scoring.js';
import {
  context,
  hold,
  type Making,
  reasonOf,
  scoreIn,
  takeOf,
  valueOf,
} from '../support/made-capture.js';

function score(id: string, making: Making): Outcome {
  return scoreIn(RIPPLE, id, { pattern: making.pattern, takes: [takeOf(making)] });
}

/** A line of the motor as the transducer shows it, amplitude in N·m. */
const line =
  (frequency: number, amplitude: number) =>
  (t: number): number => {
    const { re, im } = standGain(frequency, context.stand);
    const w = 2 * Math.PI * frequency;
    return amplitude * (re * Math.cos(w * t) - im * Math.sin(w * t));
  };
const level = 6;
const pattern = hold(level, 4);
const [first, second] = [line(72, 0.0025 * level), line(144, 0.0015 * level)];
const shaft = (t: number): number => level + first(t) + second(t) - 0.002 * t;
const good: Making = { pattern, shaft, torqueNoise: 0.002 };

test('peak to peak of 0.25 % at 72 Hz and 0.15 % at 144 Hz is that of the motor, not of the stand', () => {
  let [most, least] = [-Infinity, Infinity];
  for (let t = 0; t < 1 / 72; t += 1e-5) {
    const w = 2 * Math.PI * 72 * t;
    const value = 0.0025 * Math.cos(w) + 0.0015 * Math.cos(2 * w);
    [most, least] = [Math.max(most, value), Math.min(least, value)];
  }
  const quiet = valueOf(score('ripple-peak', { ...good, torqueNoise: 0 }));
  // The low-pass at 200 Hz takes 0.5 % of the line at 144 Hz.
  expect(Math.abs(quiet / (most - least) - 1)).toBeLessThan(0.02);
  const heard = valueOf(score('ripple-peak', good));
  expect(heard - quiet).toBeLessThan(0.0005);
});

test('hum of 8 mN·m and its harmonics are taken out of the peak and of the lines', () => {
  const hum = (t: number): number =>
    0.008 * Math.sin(2 * Math.PI * 50 * t + 1) + 0.004 * Math.sin(2 * Math.PI * 120 * t);
  const loud = { ...good, torqueNoise: 0, shaft: (t: number) => shaft(t) + hum(t) };
  const still = { ...good, torqueNoise: 0 };
  const [a, b] = [loud, still].map((making) => valueOf(score('ripple-peak', making)));
  expect(Math.abs((a ?? 0) / (b ?? 1) - 1)).toBeLessThan(0.01);
  expect(valueOf(score('ripple-line', loud))).toBeCloseTo(0.0025, 5);
});

test('the strongest line is 0.25 % within 1 %, and the spectrum names 144 Hz its second', () => {
  const outcome = score('ripple-line', good);
  expect(Math.abs(valueOf(outcome) / 0.0025 - 1)).toBeLessThan(0.01);
  if (outcome.kind !== 'measured' || outcome.evidence?.kind !== 'spectrum') throw new Error('none');
  const { marks = [], frequency, level: levels, unit } = outcome.evidence;
  expect(unit).toBe('dB re 1 mN·m');
  expect(frequency.length).toBe(levels.length);
  expect(marks.slice(0, 2).map(({ label }) => label)).toEqual(['72 Hz', '2 × 72 Hz']);
  expect(marks[0]?.level).toBeCloseTo(20 * Math.log10(0.0025 * level * 1000), 1);
});

test('taking the stand out of a line at 200 Hz gives its amplitude at the motor within 0.5 %', () => {
  const x = Float64Array.from({ length: 4000 }, (_, i) => line(200, 1)(i / 4000));
  const motor = withoutStand(x, 4000, context.stand);
  expect(motor.length).toBe(x.length - 2);
  expect(Math.abs(Math.max(...motor) - 1)).toBeLessThan(0.005);
});

test('odd holds give reasons: at zero, too short, none', () => {
  for (const { id } of RIPPLE) {
    expect(reasonOf(score(id, { pattern: hold(0, 4) }))).toContain('0.1 N·m');
    const short = { pattern: hold(6, 2), shaft: () => 6 };
    expect(reasonOf(score(id, short))).toContain('2 s are needed');
  }
});
