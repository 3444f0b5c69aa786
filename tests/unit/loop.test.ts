import { expect, test } from 'vitest';
import type { Pattern } from '../../src/procedure/procedure.js';
import { hertz, newtonMetre } from '../../src/base/units.js';
import { LOOPS } from '../../src/scoring/loop.js';
import type { Outcome } from '../../src/scoring/scoring.js';
import {
  captureOf,
  context,
  hold,
  type Making,
  reasonOf,
  scoreIn,
  stageOf,
  takeOf,
  valueOf,
} from '../support/made-capture.js';

function score(id: string, making: Making, options = {}): Outcome {
  return scoreIn(LOOPS, id, { pattern: making.pattern, takes: [takeOf(making)], options });
}

const triangle = (amplitude: number, frequency: number, cycles: number): Pattern => ({
  kind: 'triangle',
  amplitude: newtonMetre(amplitude),
  frequency: hertz(frequency),
  cycles,
});

/** Triangle from 0 up, and the sense in which it moves. */
function wave(
  amplitude: number,
  frequency: number,
): { u: (t: number) => number; sense: (t: number) => number } {
  const place = (t: number): number => {
    const cycles = t * frequency + 0.25;
    return cycles - Math.floor(cycles);
  };
  return {
    u: (t) => (t < 0 ? 0 : amplitude * (place(t) < 0.5 ? 4 * place(t) - 1 : 3 - 4 * place(t))),
    sense: (t) => (place(t) < 0.5 ? 1 : -1),
  };
}

const noise = { currentNoise: 0.02, torqueNoise: 0.002 };

for (const friction of [0, 0.025, 0.075]) {
  test(`friction of ${friction * 1000} mN·m is read through a lag of 7 ms at 1 Hz, within 0.5 mN·m`, () => {
    const { u, sense } = wave(6, 1);
    const lag = 0.007; // alone it would widen the loop by 2 · 7 ms · 24 N·m/s = 336 mN·m
    const motor = (t: number): number => u(t - lag);
    const shaft = (t: number): number => u(t - lag) - friction * sense(t - lag) + 0.03;
    const making = { pattern: triangle(6, 1, 3), motor, shaft, ...noise };
    const half = valueOf(score('static-friction', making, { conditioning: 1 }));
    expect(Math.abs(half - friction)).toBeLessThan(0.0005);
    const wide = valueOf(score('hysteresis', making, { conditioning: 1 }));
    expect(Math.abs(wide - (2 * friction) / 12)).toBeLessThan(0.0003);
  });
}

test('one cycle that starts from rest is enough for friction, not for hysteresis after conditioning', () => {
  const { u, sense } = wave(0.3, 0.5);
  const shaft = (t: number): number => u(t) - 0.02 * (t < 0.1 ? 0 : sense(t));
  const making = { pattern: triangle(0.3, 0.5, 1), motor: u, shaft, ...noise };
  expect(Math.abs(valueOf(score('static-friction', making)) - 0.02)).toBeLessThan(0.0005);
  expect(reasonOf(score('hysteresis', making))).toContain('conditioning');
});

test('hysteresis is not evaluated when the current lags more than any smoothing does', () => {
  const { u } = wave(6, 0.5);
  const making = { pattern: triangle(6, 0.5, 2), motor: (t: number) => u(t - 0.04), shaft: u };
  expect(reasonOf(score('hysteresis', making))).toContain('cannot be told apart');
});

for (const band of [0, 0.015, 0.04]) {
  test(`a deadband of ${band * 1000} mN·m is read within 3 mN·m, friction of 25 mN·m or not`, () => {
    const { u, sense } = wave(0.3, 0.1);
    const dull = (v: number): number => Math.sign(v) * Math.max(0, Math.abs(v) - band);
    const shaft = (t: number): number => dull(u(t)) - 0.025 * sense(t);
    const outcome = score('deadband', {
      pattern: triangle(0.3, 0.1, 1),
      motor: u,
      shaft,
      ...noise,
    });
    expect(Math.abs(valueOf(outcome) - band)).toBeLessThan(0.003);
  });
}

test('a triangle too fast for its deadband is not evaluated', () => {
  const { u } = wave(6, 0.1);
  const outcome = score('deadband', { pattern: triangle(6, 0.1, 1), motor: u, shaft: u });
  expect(reasonOf(outcome)).toContain('in 20 ms');
});

test('odd captures give reasons: other pattern, no channels, empty or still channels', () => {
  const pattern = triangle(0.3, 0.5, 2);
  const take = takeOf({ pattern });
  const still = new Float32Array(take.expected);
  const stage = stageOf(pattern);
  const [reading] = stage.reads;
  if (reading === undefined) throw new Error('no reading');
  for (const entry of LOOPS) {
    const given = [
      { take, stage: stageOf(hold(1, 1)) },
      { take: { ...take, channels: {} }, stage },
      { take: { ...take, channels: { command: still, current: still, torque: still } }, stage },
      {
        take: {
          ...take,
          channels: { command: new Float32Array(0), current: still, torque: new Float32Array(0) },
        },
        stage,
      },
    ];
    for (const { take: odd, stage: of } of given) {
      expect(reasonOf(entry.score(captureOf(odd), of, reading, context))).not.toBe('');
    }
  }
});
