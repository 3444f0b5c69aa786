import { expect, test } from 'vitest';
import type { Capture, Screened } from '../../src/capture/capture.js';
import { distortionOf, PURITY } from '../../src/scoring/purity.js';
import { standGain } from '../../src/scoring/response.js';
import type { Outcome } from '../../src/scoring/scoring.js';
import {
  CALM,
  captureOf,
  contextOf,
  NOISY,
  readingOf,
  STAND,
  stageOf,
} from '../support/linear-unit.js';
import { hold, sine } from '../support/patterns.js';

type Fit = Screened<Capture>;

/** The capture with something added to its torque channel, a function of time in s. */
function adding(capture: Fit, extra: (time: number) => number): Fit {
  const [take] = capture.takes;
  const torque = (take.channels.torque ?? new Float32Array()).map(
    (v, n) => v + extra(n / take.rate),
  );
  return { ...capture, takes: [{ ...take, channels: { ...take.channels, torque } }] };
}

function score(id: string, capture: Fit, stage: ReturnType<typeof stageOf>, zero = 0): Outcome {
  const found = PURITY.find((characteristic) => characteristic.id === id);
  if (found === undefined) throw new Error(`no characteristic ${id}`);
  return found.score(capture, stage, readingOf(id), contextOf(STAND, zero));
}

function valueOf(outcome: Outcome): number {
  if (outcome.kind !== 'measured') throw new Error(outcome.reason);
  return outcome.value;
}

const wave = (amplitude: number, f: number) => (t: number) =>
  amplitude * Math.sin(2 * Math.PI * f * t);
const standAt = (f: number): number => Math.hypot(standGain(f, STAND).re, standGain(f, STAND).im);

const resting = stageOf(hold(0, 6));
const rest = captureOf(resting, () => ({ ...NOISY, torqueNoise: 0.02, zero: 0.3 }));

test('noise is the share of white noise between 0.5 Hz and 500 Hz; the zero does not count', () => {
  const wanted = 0.02 * Math.sqrt(499.5 / 10_000);
  // 500 Hz over 5.7 s are 2800 independent values of power: 2.7 % of rms is two standard deviations.
  expect(Math.abs(valueOf(score('noise', rest, resting)) / wanted - 1)).toBeLessThan(0.04);
});

test('a line inside the band counts in full, one outside does not', () => {
  const quiet = captureOf(resting, () => CALM);
  expect(valueOf(score('noise', adding(quiet, wave(0.01, 37)), resting))).toBeCloseTo(
    0.01 / Math.SQRT2,
    5,
  );
  expect(valueOf(score('noise', adding(quiet, wave(0.01, 700)), resting))).toBeLessThan(1e-4);
});

test('noise is read at zero and from 2 s or more', () => {
  const loaded = stageOf(hold(6, 4));
  expect(JSON.stringify(score('noise', rest, loaded))).toContain('read at zero');
  const short = stageOf(hold(0, 1.5));
  const capture = captureOf(short, () => CALM);
  expect(JSON.stringify(score('noise', capture, short))).toContain('2 s are needed');
});

const loaded = stageOf(hold(6, 4));
const load = captureOf(loaded, () => ({ ...CALM, zero: 0.5 }));

test('ripple: stand divided out, zero taken off, mains left out, warming up not counted', () => {
  const at130 = adding(load, wave(0.06 * standAt(130), 130));
  const wanted = 0.06 / Math.SQRT2 / 6;
  expect(valueOf(score('ripple', at130, loaded, 0.5)) / wanted).toBeCloseTo(1, 2);
  const mains = adding(adding(at130, wave(0.1, 50)), wave(0.1, 180));
  expect(valueOf(score('ripple', mains, loaded, 0.5)) / wanted).toBeCloseTo(1, 2);
  const fading = adding(at130, (t) => -0.02 * (t - 2.15));
  expect(valueOf(score('ripple', fading, loaded, 0.5)) / wanted).toBeCloseTo(1, 2);
});

test('ripple at zero torque has no meaning', () => {
  const capture = captureOf(resting, () => CALM);
  expect(JSON.stringify(score('ripple', capture, resting))).toContain('0.1 N·m or more');
});

const swinging = stageOf(sine(3, 5, 3));
const swing = captureOf(swinging, () => ({ ...NOISY, skew: 300e-6, zero: 0.2 }));

test('distortion: a third harmonic of 1 % is 1 %, with noise, zero and a clock 300 ppm fast', () => {
  const f = 15 * (1 + 300e-6);
  const bent = adding(swing, wave(0.03 * standAt(15), f));
  expect(Math.abs(valueOf(score('distortion', bent, swinging)) - 0.01)).toBeLessThan(2e-4);
  expect(valueOf(score('distortion', swing, swinging))).toBeLessThan(3e-4);
});

test('distortion counts harmonics 2 to 10 and not the 11th', () => {
  const x = Float64Array.from({ length: 2000 }, (_, n) => {
    const w = (2 * Math.PI * 5 * n) / 1000;
    return Math.sin(w) + 0.03 * Math.cos(2 * w) + 0.04 * Math.sin(10 * w) + 0.5 * Math.sin(11 * w);
  });
  // The 11th is half as tall as the first and still pulls the fitted frequency by no more than this shows.
  expect(distortionOf(x, 1000, 5.01, () => 1)).toBeCloseTo(0.05, 4);
  expect(distortionOf(new Float64Array(2000), 1000, 5, () => 1)).toBeUndefined();
});

test('distortion needs three cycles and a 10th harmonic well below the stand', () => {
  const short = stageOf(sine(3, 5, 0.8));
  expect(
    JSON.stringify(
      score(
        'distortion',
        captureOf(short, () => CALM),
        short,
      ),
    ),
  ).toContain('3 cycles');
  const fast = stageOf(sine(3, 30, 1));
  expect(
    JSON.stringify(
      score(
        'distortion',
        captureOf(fast, () => CALM),
        fast,
      ),
    ),
  ).toContain('too near the stand');
});
