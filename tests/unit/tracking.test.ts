import { expect, test } from 'vitest';
import { seeded } from '../../src/pattern/random.js';
import type { Outcome } from '../../src/scoring/scoring.js';
import { TRACKING } from '../../src/scoring/tracking.js';
import {
  CALM,
  captureOf,
  contextOf,
  NOISY,
  readingOf,
  stageOf,
  trueLag,
} from '../support/linear-unit.js';
import { hold, recorded } from '../support/patterns.js';

/** 6 s of a smooth wander at 100 values a second: three sines that share no period. */
const wander = Array.from({ length: 600 }, (_, k) => {
  const t = k / 100;
  return (
    2 * Math.sin(2 * Math.PI * 0.7 * t) +
    Math.sin(2 * Math.PI * 1.9 * t + 1) +
    0.5 * Math.sin(2 * Math.PI * 3.3 * t)
  );
});
const stage = stageOf(recorded(wander, 100));
const calm = captureOf(stage, () => CALM);
const noisy = captureOf(stage, () => NOISY);

function score(id: string, capture = noisy, of = stage): Outcome {
  const found = TRACKING.find((characteristic) => characteristic.id === id);
  if (found === undefined) throw new Error(`no characteristic ${id}`);
  return found.score(capture, of, readingOf(id), contextOf());
}

function valueOf(outcome: Outcome): number {
  if (outcome.kind !== 'measured') throw new Error(outcome.reason);
  return outcome.value;
}

test('with the lag left in, the error is that of the shape against itself so much earlier', () => {
  // The hold makes 5 ms of it. Slopes: Σ (ω·A)²/2 of the three sines over Σ A²/2, times the lag.
  const parts = [
    [0.7, 2],
    [1.9, 1],
    [3.3, 0.5],
  ] as const;
  const lag = trueLag(CALM) + 0.005;
  const [moved, whole] = parts.reduce(
    ([m, w], [f, a]) => [m + (2 * a * Math.sin(Math.PI * f * lag)) ** 2, w + a * a],
    [0, 0],
  );
  const put = Math.sqrt(moved / whole);
  const found = valueOf(score('tracking-error-unshifted'));
  const left = valueOf(score('tracking-error'));
  // What holding leaves when the lag is out adds in power.
  expect(Math.abs(found / Math.hypot(put, left) - 1)).toBeLessThan(0.02);
  expect(found).toBeGreaterThan(3 * left);
});

test('more lag is more error with the lag left in, and none with it taken out', () => {
  const late = captureOf(stage, () => ({ ...CALM, deadTime: 0.0106 }));
  const [before, after] = [calm, late].map((c) => valueOf(score('tracking-error-unshifted', c)));
  expect(after).toBeGreaterThan(2 * (before ?? 0));
  const [shifted, unshifted] = [calm, late].map((c) => valueOf(score('tracking-error', c)));
  expect(Math.abs((unshifted ?? 0) / (shifted ?? 1) - 1)).toBeLessThan(0.05);
});

test('the peak is above the root mean square by two to five times, and grows by a burst that is put in', () => {
  const ratio = valueOf(score('tracking-peak')) / valueOf(score('tracking-error'));
  expect(ratio).toBeGreaterThan(2);
  expect(ratio).toBeLessThan(5);
  const take = calm.takes[0];
  const rms = Math.sqrt((4 + 1 + 0.25) / 2);
  const current = (take.channels.current ?? new Float32Array(0)).slice();
  // A wave of ± 1 N·m over 20 ms at 3 s: long against the 500 Hz up to which it is read, and no shift.
  for (let i = 0; i < 400; i++) {
    current[60_000 + i] = (current[60_000 + i] ?? 0) + (i < 200 ? 1 : -1) / 0.6;
  }
  const capture = {
    ...calm,
    takes: [{ ...take, channels: { ...take.channels, current } }] as const,
  };
  const outcome = score('tracking-peak', capture);
  // The low-pass lets a jump swing beyond its level, by a fifth at most.
  expect(valueOf(outcome) * rms).toBeGreaterThan(0.95);
  expect(valueOf(outcome) * rms).toBeLessThan(1.35);
  if (outcome.kind !== 'measured' || outcome.evidence?.kind !== 'trace') throw new Error('none');
  const { time } = outcome.evidence;
  expect(time[0]).toBeLessThan(3);
  expect(time.at(-1)).toBeGreaterThan(3);
});

test('odd captures give reasons: no source, no channel, a torque of its own', () => {
  const random = seeded(1);
  const take = calm.takes[0];
  const wild = Float32Array.from({ length: take.expected }, () => random() - 0.5);
  const of = (channels: typeof take.channels): typeof calm =>
    ({ ...calm, takes: [{ ...take, channels }] }) as unknown as typeof calm;
  for (const { id } of TRACKING) {
    const reasons = [
      score(id, calm, stageOf(hold(1, 6))),
      score(id, of({})),
      score(id, of({ ...take.channels, current: wild })),
    ].map((outcome) => (outcome.kind === 'measured' ? '' : outcome.reason));
    expect(reasons[0]).toContain('no recording');
    expect(reasons[1]).toContain('no channel');
    expect(reasons[2]).not.toBe('');
  }
});
