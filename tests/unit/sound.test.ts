import { expect, test } from 'vitest';
import { Noise } from '../../src/bench/noise.js';
import { Microphone } from '../../src/bench/sound.js';
import { soundLevel } from '../../src/scoring/weighting.js';

const RATE = 20_000;
const ROOM = 0.63e-3;

/** Sound of a torque in N·m at 20 kHz. */
function heard(
  torque: (i: number) => number,
  seconds = 4,
  noisiness = 1,
  room = ROOM,
): Float64Array {
  const microphone = new Microphone(noisiness, room, 1 / RATE);
  microphone.reseed(new Noise('room'));
  return Float64Array.from({ length: seconds * RATE }, (_, i) => microphone.hear(torque(i)));
}

const level = (pressure: Float64Array): number => soundLevel(pressure, RATE, 'A') ?? NaN;

test('a room of 0.63 mPa is 30 dB(A)', () => {
  expect(Math.abs(level(heard(() => 0, 10)) - 30)).toBeLessThan(0.2);
});

test('a torque that stands still is not heard', () => {
  const held = heard(() => 6, 5).subarray(RATE);
  const nothing = heard(() => 0, 5).subarray(RATE);
  expect(Math.abs(level(held) - level(nothing))).toBeLessThan(0.01);
});

test('a torque that sways at 900 Hz radiates 0.13 mPa for each N·m/s; an octave away it is less', () => {
  const sway = (frequency: number): number => {
    const turn = (2 * Math.PI * frequency) / RATE;
    const pressure = heard((i) => 1e-3 * Math.sin(turn * i), 2, 1, 0).subarray(RATE);
    const rms = Math.sqrt(pressure.reduce((sum, p) => sum + p * p, 0) / pressure.length);
    return rms / ((1e-3 * 2 * Math.PI * frequency) / Math.SQRT2);
  };
  const most = sway(900);
  expect(Math.abs(most / 0.13e-3 - 1)).toBeLessThan(0.02);
  // ζ = 0.35: an octave away the gain is 1/√(1 + (1.5/0.7)²) = 0.42 of that.
  expect(Math.abs(sway(450) / most / 0.423 - 1)).toBeLessThan(0.05);
  expect(Math.abs(sway(1800) / most / 0.423 - 1)).toBeLessThan(0.05);
});

test('an item that is twice as noisy is 6 dB louder', () => {
  const torque = (i: number): number => (Math.floor(i / 200) % 2 === 0 ? 0.1 : 0);
  const [good, loud] = [1, 2].map((noisiness) => level(heard(torque, 4, noisiness, 0)));
  expect((loud ?? NaN) - (good ?? NaN)).toBeCloseTo(20 * Math.log10(2), 6);
});

test('each edge twice as steep is 6 dB louder', () => {
  // Ramps of 5 and 10 ms to the same level: the corners radiate, and they are as steep.
  const ramps = (samples: number) => (i: number) => Math.min(1, (i % 1000) / samples) * 0.5;
  const saw = (samples: number): number =>
    level(heard((i) => (i % 2000 < 1000 ? ramps(samples)(i) : 0.5 - ramps(samples)(i)), 4, 1, 0));
  expect(Math.abs(saw(100) - saw(200) - 6.02)).toBeLessThan(0.5);
});
