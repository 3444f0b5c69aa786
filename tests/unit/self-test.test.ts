import { expect, test } from 'vitest';
import { readinessProblems } from '../../src/readiness/readiness.js';
import { ARITHMETIC, selfTest, selfTestCheck, type Arithmetic } from '../../src/run/self-test.js';
import { SOFTWARE } from '../../src/run/software.js';

test('every reference is found again, and the digest of the program is told', () => {
  const result = selfTest();
  expect(result.references.filter(({ ok }) => !ok)).toEqual([]);
  expect(result.references.length).toBeGreaterThanOrEqual(15);
  expect(result.ok).toBe(true);
  const check = selfTestCheck(result);
  expect(check).toMatchObject({ name: 'self-test', state: 'ok', clear: 'quality engineer' });
  expect(check.found).toContain(SOFTWARE.version);
  expect(check.found).toContain(`scoring issue ${SOFTWARE.scoring}`);
  expect(readinessProblems([check])).toEqual([]);
});

/** A defect of the arithmetic, and a word of each reference that must find it. */
const BROKEN: readonly (readonly [
  name: string,
  change: Partial<Arithmetic>,
  finds: readonly string[],
])[] = [
  [
    'crossings a sample late',
    {
      findTransition: (...given) => {
        const found = ARITHMETIC.findTransition(...given);
        if (found === undefined) return undefined;
        return { half: found.half, at: (share) => (found.at(share) ?? NaN) + share };
      },
    },
    ['rise time of a first-order lag', 'rise time of a step'],
  ],
  [
    'nothing is ever found',
    { findTransition: () => undefined },
    ['rise time of a first-order lag'],
  ],
  [
    'settling to half the band',
    { settledAt: (y, levels, band) => ARITHMETIC.settledAt(y, levels, band / 2) },
    ['settling of the same'],
  ],
  [
    'overshoot in percent',
    { overshoot: (...given) => 100 * ARITHMETIC.overshoot(...given) },
    ['overshoot'],
  ],
  [
    'a fit that gives up',
    { fitSine: () => undefined, fitSineAndFrequency: () => undefined },
    ['amplitude of a sine', 'frequency of a sine'],
  ],
  [
    'a transform that is off by 1e-9 of the product',
    { correlate: (...given) => ARITHMETIC.correlate(...given).map((r) => r * (1 + 1e-9)) },
    ['product of the record'],
  ],
  [
    'a delay of the wrong sign',
    {
      delayFromAngles: (lines) => {
        const { delay, standardError } = ARITHMETIC.delayFromAngles(lines);
        return { delay: -delay, standardError };
      },
    },
    ['delay from the slope'],
  ],
  [
    'a spread over n in place of n − 1',
    { standardDeviation: (x) => ARITHMETIC.standardDeviation(x) * Math.sqrt(1000 / 1001) },
    ['standard deviation'],
  ],
  ['k = 2 always', { coverageFactor: () => 2 }, ['coverage factor']],
  ['no weighting', { weightingLevel: () => 0 }, ['A-weighting']],
  [
    'arithmetic that throws',
    {
      lineOf: () => {
        throw new Error('no transform');
      },
    },
    ['ripple'],
  ],
];

for (const [name, change, finds] of BROKEN) {
  test(`${name} forbids testing and says what is off`, () => {
    const result = selfTest({ ...ARITHMETIC, ...change });
    expect(result.ok).toBe(false);
    const off = result.references.filter(({ ok }) => !ok).map((reference) => reference.name);
    for (const word of finds)
      expect(
        off.some((found) => found.includes(word)),
        word,
      ).toBe(true);
    const check = selfTestCheck(result);
    expect(check).toMatchObject({ state: 'failed', clear: 'quality engineer' });
    const [problem] = readinessProblems([check]);
    expect(problem?.what).toMatch(/^Not ready, self-test failed: /u);
    for (const word of finds) expect(problem?.what).toContain(word);
    if (name.includes('throws')) expect(problem?.what).toContain('no transform');
  });
}

test('a program that has not tested itself may not test', () => {
  const [problem] = readinessProblems([selfTestCheck(undefined)]);
  expect(problem?.what).toContain('self-test not run');
});

test('a result without references proves nothing', () => {
  expect(selfTestCheck({ software: SOFTWARE, references: [], ok: true }).state).toBe('failed');
});
