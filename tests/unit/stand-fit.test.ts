import { describe, expect, test } from 'vitest';
import { second } from '../../src/base/units.js';
import { fitStand, STAND_FIT, type StandLines } from '../../src/scoring/stand-fit.js';
import type { Outcome } from '../../src/scoring/scoring.js';
import { inverseOf, product } from '../support/complex.js';
import {
  CALM,
  captureOf,
  contextOf,
  type LinearUnit,
  NOISY,
  readingOf,
  STAND,
  stageOf,
} from '../support/linear-unit.js';
import { hold } from '../support/made-capture.js';
import { multisine } from '../support/patterns.js';
import { hertz, newtonMetre } from '../../src/base/units.js';
import type { Pattern } from '../../src/procedure/procedure.js';

const BAND = { from: 20, to: 480 };
const CHIRP: Pattern = {
  kind: 'chirp',
  from: hertz(15),
  to: hertz(490),
  amplitude: newtonMetre(0.6),
  duration: second(4),
  sweep: 'linear',
};
const chirped: Pattern = { kind: 'list', parts: [CHIRP, hold(0, 0.3)] };
const lines = multisine({ from: hertz(20), to: hertz(480), lines: 80, periods: 6 });

const score = (
  id: string,
  unit: LinearUnit,
  pattern: Pattern = lines,
  options: Readonly<Record<string, number>> = {},
  context = contextOf({ ...STAND, torqueDelay: second(CALM.torqueDelay) }),
): Outcome => {
  const found = STAND_FIT.find((entry) => entry.id === id);
  if (found === undefined) throw new Error(`no ${id}`);
  const stage = stageOf(pattern, [0]);
  const capture = captureOf(stage, () => ({ ...unit, smoothing: undefined }));
  return found.score(capture, stage, readingOf(id, { ...BAND, ...options }), context);
};
const value = (outcome: Outcome): number => {
  if (outcome.kind !== 'measured') throw new Error(outcome.reason);
  return outcome.value;
};
const relative = (outcome: Outcome, truth: number): number => Math.abs(value(outcome) / truth - 1);

describe('a stand that is a mass on a spring', () => {
  for (const [name, pattern] of [
    ['multisine', lines],
    ['chirp', chirped],
  ] as const) {
    for (const resonance of [345, 361, 378]) {
      test(`a ${name} finds ${resonance} Hz within 0.3 % and a damping of 3 % within a tenth, noise on`, () => {
        const unit = { ...NOISY, resonance };
        expect(relative(score('stand-resonance', unit, pattern), resonance)).toBeLessThan(0.003);
        expect(relative(score('stand-damping', unit, pattern), 0.03)).toBeLessThan(0.1);
      });
    }
  }

  test('the spread over periods is stated', () => {
    const found = score('stand-resonance', NOISY);
    expect(found).toMatchObject({ kind: 'measured', repeats: 4 });
    expect(found.kind === 'measured' && found.spread).toBeGreaterThan(0);
  });

  // 20 µs turn a line of 361 Hz by 2.6°; read without care that is 4.5 % of angle against 6 % of 2ζ.
  test('a delay of the stand model 20 µs off moves neither by more than that', () => {
    const off = contextOf({ ...STAND, torqueDelay: second(CALM.torqueDelay + 20e-6) });
    expect(relative(score('stand-resonance', CALM, lines, {}, off), 361)).toBeLessThan(0.003);
    expect(relative(score('stand-damping', CALM, lines, {}, off), 0.03)).toBeLessThan(0.1);
  });

  test('a torque constant 5 % off moves neither', () => {
    const weak = { ...CALM, torqueConstant: 0.57 };
    expect(relative(score('stand-resonance', weak), 361)).toBeLessThan(0.001);
    expect(relative(score('stand-damping', weak), 0.03)).toBeLessThan(0.03);
  });

  // k = J·(2πf)² = 1.3e-3 · (2π·361)² = 6688.5 N·m/rad
  test('the compliance is 149.5 µrad/(N·m) for 1.3e-3 kg·m² and 361 Hz', () => {
    const found = score('stand-compliance', CALM, lines, { inertia: 1.3e-3 });
    expect(relative(found, 1 / 6688.5)).toBeLessThan(0.006);
  });
});

test('friction with damping in its contacts does not move the fit', () => {
  const [resonance, damping, friction, contact] = [361, 0.03, 0.05, 4e-4];
  const frequency = Float64Array.from({ length: 60 }, (_, k) => 20 + 8 * k);
  const shaft = { re: new Float64Array(60), im: new Float64Array(60) };
  const slip = { re: new Float64Array(60), im: new Float64Array(60) };
  const motor = { re: new Float64Array(60), im: new Float64Array(60) };
  frequency.forEach((f, k) => {
    const r = f / resonance;
    const [sr, si] = [Math.cos(k * k), Math.sin(k * k)]; // no two lines alike
    const friend = { re: sr, im: si };
    const stand = { re: 1 - r * r, im: 2 * damping * r };
    const torque = inverseOf(stand);
    const held = product(friend, { re: friction, im: friction * contact * 2 * Math.PI * f });
    [shaft.re[k], shaft.im[k]] = [torque.re, torque.im];
    [slip.re[k], slip.im[k]] = [sr, si];
    [motor.re[k], motor.im[k]] = [1 + held.re, held.im];
  });
  const made: StandLines = { frequency, motor, shaft, slip };
  const fit = fitStand(made, 350);
  expect(fit?.resonance).toBeCloseTo(resonance, 6);
  expect(fit?.damping).toBeCloseTo(damping, 8);
  expect(fit?.friction).toBeCloseTo(friction, 8);
});

describe('refusals', () => {
  const reason = (outcome: Outcome): string =>
    outcome.kind === 'not-evaluated' ? outcome.reason : `measured ${outcome.value}`;
  test('lines that do not reach the resonance', () => {
    const low = multisine({ from: hertz(20), to: hertz(200), lines: 60, periods: 4 });
    expect(reason(score('stand-resonance', CALM, low))).toContain('does not pass a resonance');
  });
  test('a chirp that is cut while the stand still rings', () => {
    expect(reason(score('stand-resonance', CALM, CHIRP))).toContain('must ring out');
  });
  test('another pattern', () => {
    expect(reason(score('stand-resonance', CALM, hold(1, 1)))).toContain(
      'no multisine and no chirp',
    );
  });
  test('periods that are all conditioning', () => {
    const found = score('stand-resonance', CALM, lines, { conditioning: 5 });
    expect(reason(found)).toContain('2 periods or more; 1 are left');
  });
  test('an inertia of nothing', () => {
    expect(reason(score('stand-compliance', CALM, lines, { inertia: 0 }))).toContain('above 0');
  });
});
