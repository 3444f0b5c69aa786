import { describe, expect, test } from 'vitest';
import { radian } from '../../src/base/units.js';
import type { Take } from '../../src/capture/capture.js';
import type { Pattern } from '../../src/procedure/procedure.js';
import type { Outcome } from '../../src/scoring/scoring.js';
import { ANGLES, periodicPart, widestGap } from '../../src/scoring/angles.js';
import { hold, KT, reasonOf, scoreIn, steps, takeOf, valueOf } from '../support/made-capture.js';

const DEGREE = Math.PI / 180;
/** 13 angles over one electrical turn of 36°: 36/13° apart they fall on 13 places of 3° as well. */
const ANGLES_13 = Array.from({ length: 13 }, (_, k) => ((36 * k) / 13) * DEGREE);

interface AtAngle {
  readonly torque: (angle: number) => number;
  readonly perAmpere?: (angle: number) => number;
}

function takesOf(pattern: Pattern, angles: readonly number[], made: AtAngle): readonly Take[] {
  return angles.map((angle, i) => ({
    ...takeOf({
      pattern,
      motor: (t) => levelAt(pattern, t),
      shaft: (t) => {
        const level = levelAt(pattern, t);
        const current = level / KT;
        return made.torque(angle) + current * (made.perAmpere?.(angle) ?? KT);
      },
      torqueNoise: 0.002,
      currentNoise: 0.02,
      seed: i + 1,
    }),
    settings: { smoothing: 0, fixture: 'coupled', angle: radian(angle) },
  }));
}

function levelAt(pattern: Pattern, t: number): number {
  if (pattern.kind === 'hold') return pattern.level;
  if (pattern.kind !== 'step') return 0;
  return pattern.levels[Math.floor(t / pattern.hold)] ?? 0;
}

function score(
  id: string,
  takes: readonly Take[],
  pattern: Pattern,
  options: Readonly<Record<string, number>>,
): Outcome {
  return scoreIn(ANGLES, id, { pattern, takes, options });
}

const quiet = hold(0, 0.5);
const cogs =
  (peak: number, from = 1.234) =>
  (angle: number): number =>
    0.03 + (peak / 2) * Math.sin(120 * angle + from);

describe('cogging', () => {
  const read = (angles: readonly number[], torque: (angle: number) => number): Outcome =>
    score('cogging', takesOf(quiet, angles, { torque }), quiet, { periods: 120 });

  for (const from of [0, 0.7, 2.5]) {
    test(`45 mN·m peak to peak are found within 1 mN·m, clamped at ${from} rad of a period`, () => {
      expect(Math.abs(valueOf(read(ANGLES_13, cogs(0.045, from))) - 0.045)).toBeLessThan(1e-3);
    });
  }

  test('a second harmonic counts with its peaks', () => {
    const both = (a: number): number => 0.02 * Math.sin(120 * a) + 0.008 * Math.sin(240 * a);
    const fine = Array.from({ length: 10_000 }, (_, i) => both(((3 * i) / 10_000) * DEGREE));
    const truth = Math.max(...fine) - Math.min(...fine);
    expect(Math.abs(valueOf(read(ANGLES_13, both)) - truth)).toBeLessThan(1e-3);
  });

  test('a zero that drifts by 5 mN·m over the takes does not count', () => {
    const takes = takesOf(quiet, ANGLES_13, { torque: cogs(0.045) }).map((take, i) => ({
      ...take,
      channels: {
        ...take.channels,
        torque: take.channels.torque?.map((v) => v + (0.005 * i) / 12) ?? new Float32Array(),
      },
    }));
    const found = valueOf(score('cogging', takes, quiet, { periods: 120 }));
    expect(Math.abs(found - 0.045)).toBeLessThan(1e-3);
  });

  test('the plot shows 13 angles with their torque', () => {
    const found = read(ANGLES_13, cogs(0.045));
    if (found.kind !== 'measured' || found.evidence?.kind !== 'angles') throw new Error('no plot');
    expect(found.evidence.points).toHaveLength(13);
    expect(found.evidence.unit).toBe('N·m');
  });

  test('twelve angles of 3° see one place of every period and are refused', () => {
    const blind = Array.from({ length: 12 }, (_, k) => 3 * k * DEGREE);
    expect(reasonOf(read(blind, cogs(0.045)))).toMatch(/leave .*% of the period of 3° unseen/u);
  });

  test('eleven angles are too few', () => {
    expect(reasonOf(read(ANGLES_13.slice(0, 11), cogs(0.045)))).toContain('11 angles');
  });

  test('a take without an angle, and a hold that is not at zero, are refused', () => {
    const [first, ...others] = takesOf(quiet, ANGLES_13, { torque: cogs(0.045) });
    if (first === undefined) throw new Error('no takes');
    const loose: Take = { ...first, settings: { smoothing: 0, fixture: 'coupled' } };
    const options = { periods: 120 };
    expect(reasonOf(score('cogging', [loose, ...others], quiet, options))).toContain(
      'no indexed angle',
    );
    const loaded = hold(1, 0.5);
    const held = takesOf(loaded, ANGLES_13, { torque: cogs(0.045) });
    expect(reasonOf(score('cogging', held, loaded, options))).toContain('at 1 N·m');
  });
});

describe('torque over angle', () => {
  const both = steps([0, 3, -3, 0], 0.25);
  const perAmpere = (angle: number): number => KT * (1 + 0.004 * Math.cos(20 * angle + 0.4));
  const options = { 'pole-pairs': 10 };

  test('0.8 % from least to greatest over an electrical turn is found, cogging left out', () => {
    const takes = takesOf(both, ANGLES_13, { torque: cogs(0.045), perAmpere });
    const values = ANGLES_13.map(perAmpere);
    const truth = (Math.max(...values) - Math.min(...values)) / KT;
    // Greatest and least of 13 readings: noise of each, 2 mN·m over 0.15 s, is far below this.
    expect(
      Math.abs(valueOf(score('torque-over-angle', takes, both, options)) - truth),
    ).toBeLessThan(2e-4);
  });

  test('steps of one sign cannot take cogging out', () => {
    const one = steps([0, 3], 0.25);
    const takes = takesOf(one, ANGLES_13, { torque: cogs(0.045), perAmpere });
    expect(reasonOf(score('torque-over-angle', takes, one, options))).toContain('both signs');
  });

  test('angles a whole half-turn of the field apart are refused', () => {
    const blind = Array.from({ length: 12 }, (_, k) => 18 * k * DEGREE);
    const takes = takesOf(both, blind, { torque: cogs(0.045), perAmpere });
    expect(reasonOf(score('torque-over-angle', takes, both, options))).toContain('period of 18°');
  });

  test('a current that does not flow is no torque constant', () => {
    const dead = takesOf(both, ANGLES_13, { torque: cogs(0.045), perAmpere }).map((take) => ({
      ...take,
      channels: { ...take.channels, current: new Float32Array(take.expected) },
    }));
    expect(reasonOf(score('torque-over-angle', dead, both, options))).toContain('No current');
  });
});

test('the widest gap is a share of the period: 1/13 for 13 even angles, 1 for a single place', () => {
  expect(widestGap(ANGLES_13, 3 * DEGREE)).toBeCloseTo(1 / 13, 9);
  expect(widestGap([0, 3 * DEGREE, 6 * DEGREE], 3 * DEGREE)).toBeGreaterThan(0.999);
});

test('too few points determine nothing', () => {
  expect(periodicPart([{ angle: 0, value: 1 }], 120)).toBeUndefined();
});
