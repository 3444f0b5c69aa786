import { expect, test } from 'vitest';
import { hertz } from '../../src/base/units.js';
import type { Take } from '../../src/capture/capture.js';
import { compile } from '../../src/pattern/waveform.js';
import type { Outcome } from '../../src/scoring/scoring.js';
import { UPDATES } from '../../src/scoring/updates.js';
import { hold, RATE, reasonOf, scoreIn, takeOf, valueOf } from '../support/made-capture.js';
import { multisine, sine } from '../support/patterns.js';

const lively = sine(3, 20, 0.5);

function score(id: string, takes: readonly Take[], pattern = lively): Outcome {
  return scoreIn(UPDATES, id, { pattern, takes });
}

/** A take whose updates arrive `late(k)` s after they are due; Infinity for never. */
function arriving(late: (update: number) => number, pattern = lively, skew = 0): Take {
  const take = takeOf({ pattern });
  const plan = compile(pattern, hertz(1000)).command;
  const period = 1 / (1000 * (1 + skew));
  const held = (t: number): number => {
    for (let k = Math.min(plan.length - 1, Math.floor(t / period)); k >= 0; k--) {
      if (k * period + late(k) <= t) return plan[k] ?? 0;
    }
    return 0;
  };
  const command = Float32Array.from({ length: take.expected }, (_, i) => held((i + 0.5) / RATE));
  return { ...take, channels: { ...take.channels, command }, clock: { skew, departure: 0 } };
}

for (const [name, converter] of [
  ['at once', 0],
  ['0.8 ms late', 0.0008],
  ['1.4 ms late', 0.0014],
] as const) {
  test(`of updates that all are seen ${name} none is late; one that is 0.6 ms later still is, 0.4 ms is not`, () => {
    expect(valueOf(score('late-updates', [arriving(() => converter)]))).toBe(0);
    const one = (by: number): Take => arriving((k) => converter + (k === 103 ? by : 0));
    expect(valueOf(score('late-updates', [one(0.0006)]))).toBe(1);
    expect(valueOf(score('late-updates', [one(0.0004)]))).toBe(0);
  });
}

test('an update that never comes counts, takes are summed, and jitter of 0.1 ms does not', () => {
  const lost = arriving((k) => (k === 50 || k === 200 ? Infinity : 0.0008));
  const shaky = arriving((k) => 0.0008 + 0.0001 * Math.sin(k * k));
  expect(valueOf(score('late-updates', [lost, shaky]))).toBe(2);
});

test('a device clock 800 ppm fast over 4 s makes no update late', () => {
  const pattern = multisine({ periods: 4 });
  const take = arriving(() => 0.0008, pattern, 800e-6);
  expect(valueOf(score('late-updates', [take], pattern))).toBe(0);
});

test('a level that does not change shows no late update; a command of another pattern is told', () => {
  expect(reasonOf(score('late-updates', [takeOf({ pattern: hold(1, 1) })], hold(1, 1)))).toContain(
    'only 0 of 1000',
  );
  const take = takeOf({ pattern: lively });
  const still = { ...take, channels: { command: new Float32Array(take.expected) } };
  expect(reasonOf(score('late-updates', [still]))).toContain('does not follow');
  expect(reasonOf(score('late-updates', [{ ...take, channels: {} }]))).toContain('no channel');
});

test('gap and jitter are those of the worst take, in s', () => {
  const take = takeOf({ pattern: lively });
  const at = (gap: number, jitter: number): Take => ({
    ...take,
    device: { ...take.device, gap, jitter },
  });
  const takes = [at(0.001, 2e-6), at(0.0034, 1e-6), at(0.0011, 9e-6)];
  expect(valueOf(score('update-gap', takes))).toBe(0.0034);
  expect(valueOf(score('update-jitter', takes))).toBe(9e-6);
  expect(reasonOf(score('update-gap', [at(-1, 0)]))).toContain('-1 s');
  const { updates, missing, time, fault } = take.device;
  const silent = { updates, missing, time, fault };
  expect(reasonOf(score('update-jitter', [{ ...take, device: silent }]))).toContain('not report');
});

test('clock skew is the mean of the takes with its spread', () => {
  const take = takeOf({ pattern: lively });
  const at = (skew: number): Take => ({ ...take, clock: { skew, departure: 0 } });
  const outcome = score('clock-skew', [at(40e-6), at(44e-6)]);
  expect(valueOf(outcome)).toBeCloseTo(42e-6, 12);
  expect(outcome.kind === 'measured' && outcome.spread).toBeCloseTo(4e-6 / Math.SQRT2, 12);
  expect(reasonOf(score('clock-skew', [at(40e-6), take]))).toContain('3 blocks');
});

test('missing updates are counted over all takes', () => {
  const takes = [2, 3].map((missing) => takeOf({ pattern: lively, missing }));
  expect(valueOf(score('missing-updates', takes))).toBe(5);
});
