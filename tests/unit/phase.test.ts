import { expect, test } from 'vitest';
import { secondEstimate, COHERENCE } from '../../src/scoring/coherence.js';
import { PHASES } from '../../src/scoring/phase.js';
import { measureResponses } from '../../src/scoring/response.js';
import type { Outcome } from '../../src/scoring/scoring.js';
import { SHAFT_RESPONSE, upTo } from '../../src/scoring/shaft-response.js';
import { hertz } from '../../src/base/units.js';
import {
  CALM,
  captureOf,
  contextOf,
  NOISY,
  readingOf,
  STAND,
  stageOf,
  trueGain,
  trueLag,
} from '../support/linear-unit.js';
import { multisine, sine } from '../support/patterns.js';

const stage = stageOf(multisine());
const noisy = captureOf(stage, () => NOISY);

function score(
  id: string,
  options: Readonly<Record<string, number>> = {},
  { capture = noisy, context = contextOf(), of = stage } = {},
): Outcome {
  const all = [...PHASES, ...COHERENCE, ...SHAFT_RESPONSE];
  const found = all.find((characteristic) => characteristic.id === id);
  if (found === undefined) throw new Error(`no characteristic ${id}`);
  return found.score(capture, of, readingOf(id, options), context);
}

function valueOf(outcome: Outcome): number {
  if (outcome.kind !== 'measured') throw new Error(outcome.reason);
  return outcome.value;
}

const reasonOf = (outcome: Outcome): string =>
  outcome.kind === 'measured' ? `measured ${outcome.value}` : outcome.reason;

for (const frequency of [5, 10, 20, 50, 110]) {
  test(`phase at ${frequency} Hz is within 0.3° of the truth, a seventh of its budget at 0 Hz`, () => {
    const found = valueOf(score('phase-at', { frequency }));
    expect(Math.abs(found - trueGain(CALM, frequency).angle)).toBeLessThan(0.3);
  });

  test(`group delay at ${frequency} Hz is within 0.15 ms of the slope of the true phase`, () => {
    const found = valueOf(score('group-delay', { frequency }));
    const [low, high] = [frequency - 0.01, frequency + 0.01];
    const slope = (trueGain(CALM, high).angle - trueGain(CALM, low).angle) / 0.02;
    expect(Math.abs(found + slope / 360)).toBeLessThan(0.00015);
  });
}

test('without noise the group delay at 5 Hz is the low-frequency lag within 2 µs', () => {
  const capture = captureOf(stage, () => CALM);
  const found = valueOf(score('group-delay', { frequency: 5 }, { capture }));
  expect(Math.abs(found - trueLag(CALM))).toBeLessThan(2e-6);
});

test('a frequency beyond the lines, and a stage without a multisine, give reasons', () => {
  expect(reasonOf(score('phase-at', { frequency: 300 }))).toContain('300 Hz cannot be read');
  expect(reasonOf(score('group-delay', { frequency: 0.2 }))).toContain('0.2 Hz');
  expect(reasonOf(score('phase-at', { frequency: 10 }, { of: stageOf(sine(1, 5, 1)) }))).toContain(
    'no multisine',
  );
});

test('coherence of a good unit is near 1, and the gain unbiased; 2 A of noise biases H2 by what γ² lacks', () => {
  expect(valueOf(score('least-coherence'))).toBeGreaterThan(0.99);
  expect(valueOf(score('gain-bias'))).toBeLessThan(0.1);
  const capture = captureOf(stage, () => ({ ...NOISY, currentNoise: 2 }));
  const least = valueOf(score('least-coherence', {}, { capture }));
  expect(least).toBeLessThan(0.95);
  expect(valueOf(score('gain-bias', {}, { capture }))).toBeCloseTo(-20 * Math.log10(least), 9);
});

test('H2 lies above H1 at every line, both with the same angle', () => {
  const responses = measureResponses(noisy.takes[0], stage, 2, contextOf());
  if ('kind' in responses) throw new Error(responses.reason);
  const { motor } = responses;
  const second = secondEstimate(motor);
  motor.ratio.re.forEach((re, k) => {
    const [im, re2, im2] = [motor.ratio.im[k] ?? 0, second.ratio.re[k] ?? 0, second.ratio.im[k]];
    expect(Math.hypot(re2, im2 ?? 0)).toBeGreaterThanOrEqual(Math.hypot(re, im));
    expect(Math.atan2(im2 ?? 0, re2)).toBeCloseTo(Math.atan2(im, re), 9);
  });
});

test('few periods and a band without lines have no coherence', () => {
  const short = stageOf(multisine({ periods: 6 }));
  const capture = captureOf(short, () => NOISY);
  expect(reasonOf(score('least-coherence', {}, { capture, of: short }))).toContain('8 periods');
  expect(reasonOf(score('gain-bias', { from: 201, to: 300 }))).toContain('201 Hz and 300 Hz');
});

/** −3 dB of the true unit against its gain at zero frequency, Hz. */
function trueBandwidth(): number {
  let [low, high] = [1, 1000];
  for (let i = 0; i < 60; i++) {
    const middle = (low + high) / 2;
    if (20 * Math.log10(trueGain(CALM, middle).size) < -3) high = middle;
    else low = middle;
  }
  return low;
}

test('at the shaft the bandwidth of setting 2 is that of the motor within 1 %, the stand taken out', () => {
  expect(Math.abs(valueOf(score('shaft-bandwidth')) / trueBandwidth() - 1)).toBeLessThan(0.01);
  expect(Math.abs(valueOf(score('shaft-gain-peaking')))).toBeLessThan(0.1);
});

test('above 0.6 of the resonance nothing is read at the shaft, and the reason says so', () => {
  const fast = captureOf(stage, () => ({ ...NOISY, smoothing: undefined }));
  const said = reasonOf(score('shaft-bandwidth', {}, { capture: fast }));
  expect(said).toContain('does not fall by 3 dB up to 199 Hz');
  expect(said).toContain('216.6 Hz, 0.6 of its resonance');
  const soft = contextOf({ ...STAND, resonance: hertz(190) });
  const loose = captureOf(stage, () => ({ ...NOISY, resonance: 190 }));
  const below = reasonOf(score('shaft-bandwidth', {}, { capture: loose, context: soft }));
  expect(below).toContain('114 Hz, 0.6 of its resonance');
  expect(reasonOf(score('shaft-gain-peaking', {}, { context: soft }))).toContain('ends at 150 Hz');
  const softest = contextOf({ ...STAND, resonance: hertz(5) });
  expect(reasonOf(score('shaft-bandwidth', {}, { context: softest }))).toContain('Fewer than 5');
});

test('the evidence of a reading at the shaft ends where the stand can be taken out', () => {
  const soft = contextOf({ ...STAND, resonance: hertz(300) });
  const outcome = score('shaft-gain-peaking', { to: 100 }, { context: soft });
  if (outcome.kind !== 'measured' || outcome.evidence?.kind !== 'response') throw new Error('none');
  expect(outcome.evidence.frequency.at(-1)).toBeLessThanOrEqual(180);
  expect(outcome.evidence.coherence.length).toBe(outcome.evidence.frequency.length);
});

test('a response cut at a frequency keeps the lines below', () => {
  const frequency = Float64Array.of(1, 2, 3);
  const whole = { frequency, ratio: { re: frequency, im: frequency }, coherence: frequency };
  expect(upTo({ ...whole, averages: 2 }, 2).frequency).toEqual(Float64Array.of(1, 2));
});
