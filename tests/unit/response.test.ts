import { expect, test } from 'vitest';
import { hertz, second } from '../../src/base/units.js';
import { firstDescent, smoothCurve } from '../../src/scoring/curve.js';
import { measureResponses, RESPONSE } from '../../src/scoring/response.js';
import type { Outcome } from '../../src/scoring/scoring.js';
import {
  CALM,
  captureOf,
  contextOf,
  NOISY,
  readingOf,
  STAND,
  stageOf,
  trueGain,
} from '../support/linear-unit.js';
import { lcgNormal } from '../support/lcg.js';
import { multisine, sine } from '../support/patterns.js';

const stage = stageOf(multisine());
const noisy = captureOf(stage, () => NOISY);

function score(id: string, capture = noisy, context = contextOf()): Outcome {
  const found = RESPONSE.find((characteristic) => characteristic.id === id);
  if (found === undefined) throw new Error(`no characteristic ${id}`);
  return found.score(capture, stage, readingOf(id), context);
}

function valueOf(outcome: Outcome): number {
  if (outcome.kind !== 'measured') throw new Error(outcome.reason);
  return outcome.value;
}

/** Frequency at which the true response comes down to a level, by halving. */
function trueFrequency(isBelow: (f: number) => boolean): number {
  let [low, high] = [1, 1000];
  for (let i = 0; i < 60; i++) {
    const middle = (low + high) / 2;
    if (isBelow(middle)) high = middle;
    else low = middle;
  }
  return low;
}
const bandwidth = trueFrequency((f) => 20 * Math.log10(trueGain(CALM, f).size) < -3);
const phase = trueFrequency((f) => trueGain(CALM, f).angle < -90);

test('the true values are those of setting 2: about 126 Hz and 111 Hz', () => {
  expect(bandwidth).toBeGreaterThan(124.5);
  expect(bandwidth).toBeLessThan(126.5);
  expect(phase).toBeCloseTo(111.1, 1);
});

test('bandwidths with noise are within 0.2 % of the truth (2 % needed)', () => {
  expect(Math.abs(valueOf(score('bandwidth')) / bandwidth - 1)).toBeLessThan(0.002);
  expect(Math.abs(valueOf(score('phase-bandwidth')) / phase - 1)).toBeLessThan(0.002);
});

test('ten times the noise still gives the bandwidths within 2 %', () => {
  const loud = captureOf(stage, () => ({ ...NOISY, currentNoise: 0.2 }));
  expect(Math.abs(valueOf(score('bandwidth', loud)) / bandwidth - 1)).toBeLessThan(0.02);
  expect(Math.abs(valueOf(score('phase-bandwidth', loud)) / phase - 1)).toBeLessThan(0.02);
});

test('a well-damped unit has no gain peaking, whatever the stand does', () => {
  expect(Math.abs(valueOf(score('gain-peaking')))).toBeLessThan(0.05);
});

test('the delay of the current channel is taken out, as the stand model gives it', () => {
  const context = contextOf({ ...STAND, currentDelay: second(0.0002) });
  const later = trueFrequency((f) => trueGain(CALM, f).angle + 360 * f * 0.0002 < -90);
  expect(valueOf(score('phase-bandwidth', noisy, context)) / later).toBeCloseTo(1, 2);
});

test('the evidence carries gain, angle and coherence of every line', () => {
  const outcome = score('bandwidth');
  if (outcome.kind !== 'measured' || outcome.evidence?.kind !== 'response') throw new Error('none');
  const { frequency, gain, angle, coherence } = outcome.evidence;
  expect(frequency.length).toBe(75);
  const k = frequency.findIndex((f) => f >= 100);
  const truth = trueGain(CALM, frequency[k] ?? NaN);
  expect(gain[k]).toBeCloseTo(20 * Math.log10(truth.size), 1);
  expect(angle[k]).toBeCloseTo(truth.angle, 0);
  expect(Math.min(...coherence)).toBeGreaterThan(0.999);
});

test('shaft-side the stand is divided out up to 0.6 of its resonance', () => {
  const responses = measureResponses(noisy.takes[0], stage, 2, contextOf());
  if ('kind' in responses) throw new Error(responses.reason);
  const k = responses.shaft.frequency.findIndex((f) => f >= 100);
  const size = (side: 'motor' | 'transducer' | 'shaft'): number =>
    Math.hypot(responses[side].ratio.re[k] ?? NaN, responses[side].ratio.im[k] ?? NaN);
  // The stand adds 8 % at 100 Hz.
  expect(size('transducer') / size('motor')).toBeGreaterThan(1.07);
  expect(size('shaft') / size('motor')).toBeCloseTo(1, 2);
});

test('one averaged period would have a coherence of 1: it is refused', () => {
  const short = stageOf(multisine({ periods: 3 }));
  const capture = captureOf(short, () => CALM);
  const found = RESPONSE[0]?.score(capture, short, readingOf('bandwidth'), contextOf());
  expect(found?.kind).toBe('not-evaluated');
  expect(JSON.stringify(found)).toContain('2 periods or more');
});

test('noise that drowns the torque is no bandwidth but a reason', () => {
  const noise = lcgNormal(3);
  const [take] = noisy.takes;
  const drowned = {
    ...noisy,
    takes: [
      {
        ...take,
        channels: {
          ...take.channels,
          current: (take.channels.current ?? new Float32Array()).map((i) => i + 30 * noise()),
        },
      },
    ],
  } as unknown as typeof noisy;
  expect(score('bandwidth', drowned).kind).toBe('not-evaluated');
});

test('a channel that never arrived, and another pattern, are reasons', () => {
  const [take] = noisy.takes;
  const { command, torque } = take.channels;
  const bare = { ...noisy, takes: [{ ...take, channels: { command, torque } }] };
  expect(JSON.stringify(score('bandwidth', bare as unknown as typeof noisy))).toContain('current');
  const other = stageOf(sine(3, 5, 3));
  const found = RESPONSE[0]?.score(noisy, other, readingOf('bandwidth'), contextOf());
  expect(JSON.stringify(found)).toContain('no multisine');
});

test('a gain that stays above −3 dB is no bandwidth', () => {
  const low = stageOf(multisine({ to: hertz(1), lines: 1, periods: 4 }));
  const found = RESPONSE[0]?.score(
    captureOf(low, () => CALM),
    low,
    readingOf('x'),
    contextOf(),
  );
  expect(JSON.stringify(found)).toContain('fewer than 5 lines');
  const narrow = stageOf(multisine({ to: hertz(60), lines: 40, periods: 6 }));
  const above = RESPONSE[0]?.score(
    captureOf(narrow, () => CALM),
    narrow,
    readingOf('x'),
    contextOf(),
  );
  expect(JSON.stringify(above)).toContain('does not fall by 3 dB');
});

test('a smooth curve follows a parabola exactly and crosses where it does', () => {
  const frequency = Float64Array.from({ length: 30 }, (_, i) => 10 * 1.1 ** i);
  const value = frequency.map((f) => 1 - f * f * 1e-4);
  const curve = smoothCurve({ frequency, value });
  const worst = curve.frequency.reduce(
    (most, f, i) => Math.max(most, Math.abs((curve.value[i] ?? NaN) - (1 - f * f * 1e-4))),
    0,
  );
  expect(worst).toBeLessThan(1e-10);
  const f = firstDescent(curve, 0.5) ?? NaN;
  expect(f).toBeCloseTo(Math.sqrt(5000), 1);
  expect(firstDescent(curve, 2)).toBeUndefined();
  expect(firstDescent(curve, -99)).toBeUndefined();
});
