import { expect, test } from 'vitest';
import { heldLines, heldSine } from '../../src/scoring/grain.js';
import { periodicPart } from '../../src/scoring/lag.js';
import type { Outcome } from '../../src/scoring/scoring.js';
import { grainForLag, SWEEP } from '../../src/scoring/sweep.js';
import {
  CALM,
  captureOf,
  contextOf,
  NOISY,
  readingOf,
  SETTINGS,
  stageOf,
  type LinearUnit,
} from '../support/linear-unit.js';
import { ramp, sine, staircase } from '../support/patterns.js';

const SWEPT = staircase(100, sine(6, 1, 2.2));
const stage = stageOf(SWEPT, [0, 1, 2, 3, 4, 5]);
const atSetting =
  (unit: LinearUnit, table: readonly (number | undefined)[] = SETTINGS) =>
  (setting: number): LinearUnit => ({ ...unit, smoothing: table[setting] });
const calm = captureOf(stage, atSetting(CALM));
const noisy = captureOf(stage, atSetting(NOISY));

function score(
  id: string,
  options: Readonly<Record<string, number>> = {},
  { capture = noisy, of = stage } = {},
): Outcome {
  const found = SWEEP.find((characteristic) => characteristic.id === id);
  if (found === undefined) throw new Error(`no characteristic ${id}`);
  return found.score(capture, of, readingOf(id, options), contextOf());
}

function valueOf(outcome: Outcome): number {
  if (outcome.kind !== 'measured') throw new Error(outcome.reason);
  return outcome.value;
}

const reasonOf = (outcome: Outcome): string =>
  outcome.kind === 'measured' ? `measured ${outcome.value}` : outcome.reason;

/** Amplitude of a line of a sine of 6 N·m and 1 Hz that is held at 100 Hz, N·m. */
const heldAmplitude = (f: number): number => (6 * Math.sin(Math.PI / 100)) / (Math.PI * (f / 100));
const gainOf = (f: number, smoothing: number | undefined): number =>
  1 / Math.hypot(1, f / 800) / (1 + (f / (smoothing ?? Infinity)) ** 2);

test('the grain number of a bare hold is 1/√12 but for what the low-pass takes and the current loop', () => {
  const quick = captureOf(stage, () => ({ ...CALM, smoothing: undefined, loop: 8000 }));
  const found = valueOf(score('grain-number', { smoothing: 0 }, { capture: quick }));
  // Beside the source rate the low-pass leaves 1 − 1/257 of the line; 2 kHz end the sum.
  expect(Math.abs(found * Math.sqrt(12) - 1)).toBeLessThan(0.03);
});

test('grain numbers fall from setting to setting, with the grain', () => {
  const numbers = [0, 1, 2, 3, 4, 5].map((s) => valueOf(score('grain-number', { smoothing: s })));
  expect(numbers[0]).toBeGreaterThan(0.26);
  numbers.slice(1).forEach((value, i) => {
    expect(value).toBeLessThan(numbers[i] ?? 0);
  });
});

for (const [setting, smoothing] of SETTINGS.slice(0, 5).entries()) {
  test(`setting ${setting}: lines beside 1 to 5 times the source rate within 1 %, noise or not`, () => {
    let squares = 0;
    for (let k = 1; k <= 5; k++) {
      for (const f of [100 * k - 1, 100 * k + 1]) {
        squares += (heldAmplitude(f) * gainOf(f, smoothing)) ** 2;
      }
    }
    const put = Math.sqrt(squares);
    const quiet = valueOf(score('grain-harmonics', { smoothing: setting }, { capture: calm }));
    expect(Math.abs(quiet / put - 1)).toBeLessThan(0.01);
    const heard = valueOf(score('grain-harmonics', { smoothing: setting }));
    expect(Math.abs(heard - put)).toBeLessThan(Math.max(0.01 * put, 3e-4));
  });
}

test('the spectrum marks each multiple of the source rate at its strongest line, in dB re 1 mN·m', () => {
  const outcome = score('grain-harmonics', { smoothing: 0 }, { capture: calm });
  if (outcome.kind !== 'measured' || outcome.evidence?.kind !== 'spectrum') throw new Error('none');
  const { frequency, level, marks = [] } = outcome.evidence;
  expect(marks.map(({ label }) => label)).toEqual([1, 2, 3, 4, 5].map((k) => `${k} × 100 Hz`));
  expect(frequency.length).toBe(level.length);
  const wanted = 20 * Math.log10(1000 * heldAmplitude(99) * gainOf(99, undefined));
  expect(marks[0]?.frequency).toBe(99);
  expect(marks[0]?.level).toBeCloseTo(wanted, 1);
});

test('two equal poles lie on the curve within 1 % of the grain of setting 0, noise or not', () => {
  for (const capture of [calm, noisy]) {
    const outcome = score('trade-off-departure', {}, { capture });
    expect(Math.abs(valueOf(outcome))).toBeLessThan(0.01);
    expect(outcome.kind === 'measured' && outcome.evidence?.kind).toBe('smoothing');
  }
});

test('exchanged settings stay on the curve; a setting with the lag of another filter leaves it', () => {
  const swapped = captureOf(stage, atSetting(NOISY, [undefined, 400, 200, 50, 100, 25]));
  expect(Math.abs(valueOf(score('trade-off-departure', {}, { capture: swapped })))).toBeLessThan(
    0.01,
  );
  // A delay of 1.6 ms instead of poles lags like setting 2 and smooths nothing.
  const late = captureOf(stage, (setting) => ({
    ...atSetting(NOISY)(setting),
    ...(setting === 2 ? { smoothing: undefined, deadTime: 0.0022 } : {}),
  }));
  const found = valueOf(score('trade-off-departure', {}, { capture: late }));
  expect(found).toBeGreaterThan(0.25);
});

test('grain for a lag: lines of setting 0 through poles of 200 Hz are the grain of setting 2', () => {
  const take = calm.takes[0];
  const periodic = periodicPart(take, stage);
  if ('kind' in periodic) throw new Error(periodic.reason);
  const part = heldSine(periodic, stage);
  if ('kind' in part) throw new Error(part.reason);
  const { current } = take.channels;
  const lines = heldLines(current ?? new Float32Array(0), part, take.rate);
  const predicted = 0.6 * grainForLag(lines, 2 / (2 * Math.PI * 200));
  let power = 0;
  for (let k = 1; k <= 20; k++) {
    for (const f of [100 * k - 1, 100 * k + 1]) {
      const kept = 1 - 1 / (1 + (f / 50) ** 8);
      power += (heldAmplitude(f) * gainOf(f, 200) * kept) ** 2 / 2;
    }
  }
  expect(Math.abs(predicted / Math.sqrt(power) - 1)).toBeLessThan(0.01);
});

test('odd stages give reasons: a ramp, no setting 0, one setting, a setting that leads', () => {
  const climbing = stageOf(staircase(100, ramp(0, 6, 2)), [0, 1]);
  for (const { id } of SWEEP) {
    const said = reasonOf(score(id, { smoothing: 0 }, { of: climbing }));
    expect(said).toMatch(/sine/u);
  }
  const from1 = stageOf(SWEPT, [1, 2]);
  const capture = captureOf(from1, atSetting(CALM));
  expect(reasonOf(score('trade-off-departure', {}, { capture, of: from1 }))).toContain(
    'smoothing 0',
  );
  expect(reasonOf(score('grain-harmonics', { smoothing: 9 }))).toContain('smoothing 9');
  const two = stageOf(SWEPT, [0, 1]);
  const ahead = captureOf(two, (setting) => ({
    ...CALM,
    smoothing: undefined,
    deadTime: setting === 0 ? 0.001 : 0.0006,
  }));
  expect(reasonOf(score('trade-off-departure', {}, { capture: ahead, of: two }))).toContain(
    'less than',
  );
});
