import fc from 'fast-check';
import { expect, test } from 'vitest';
import { acceptanceZone, decide, decideAtLeast } from '../../src/decision/rule.js';
import { DECISION_RULES, type DecisionRule, type Tolerance } from '../../src/procedure/limits.js';

const between = { kind: 'between', lower: 2, upper: 3 } as const;
const atMost = { kind: 'at-most', upper: 8 } as const;
const atLeast = { kind: 'at-least', lower: 45 } as const;

const inside = 'inconclusive inside';
const outside = 'inconclusive outside';

const guarded: readonly (readonly [
  value: number,
  U: number,
  tolerance: Tolerance,
  want: string,
])[] = [
  [2.5, 0.25, between, 'conforming'],
  [2.25, 0.25, between, 'conforming'], // exactly w inside
  [2.125, 0.25, between, inside],
  [2, 0.25, between, inside], // the limit itself
  [1.875, 0.25, between, outside],
  [1.75, 0.25, between, outside], // exactly w outside
  [1.5, 0.25, between, 'nonconforming'],
  [2.75, 0.25, between, 'conforming'],
  [3, 0.25, between, inside],
  [3.25, 0.25, between, outside],
  [3.2500000000000004, 0.25, between, 'nonconforming'],
  [2.5, 0.5, between, inside], // only one point is left to accept: nothing
  [2.5, 0.75, between, inside],
  [8, 0, atMost, 'conforming'],
  [8.000000000000002, 0, atMost, 'nonconforming'],
  [7.5, 0.5, atMost, 'conforming'],
  [7.75, 0.5, atMost, inside],
  [8.5, 0.5, atMost, outside],
  [8.75, 0.5, atMost, 'nonconforming'],
  [-1000, 0.5, atMost, 'conforming'],
  [45.5, 0.5, atLeast, 'conforming'],
  [45.25, 0.5, atLeast, inside],
  [44.5, 0.5, atLeast, outside],
  [44.25, 0.5, atLeast, 'nonconforming'],
  [1e300, 0.5, atLeast, 'conforming'],
];

function read(verdict: ReturnType<typeof decide>): string {
  return 'side' in verdict ? `${verdict.outcome} ${verdict.side}` : verdict.outcome;
}

for (const [value, U, tolerance, want] of guarded) {
  test(`guarded: ${value} with U = ${U} against ${JSON.stringify(tolerance)} is ${want}`, () => {
    expect(read(decide(value, U, tolerance, 'guarded'))).toBe(want);
  });
}

/** Around the upper limit 8 with U = 0.8, so w = 0.66 one-sided; then around 2 … 3 with U = 0.2. */
const banded: readonly (readonly [
  rule: DecisionRule,
  tolerance: Tolerance,
  U: number,
  cells: Readonly<Record<string, string>>,
])[] = [
  [
    'guarded-one-sided',
    atMost,
    0.8,
    {
      '7.34': 'conforming',
      '7.341': inside,
      '8': inside,
      '8.001': outside,
      '8.66': outside,
      '8.661': 'nonconforming',
    },
  ],
  [
    'guarded-one-sided',
    between,
    0.2,
    {
      '1.834': 'nonconforming',
      '1.835': outside,
      '2.1649': inside,
      '2.165': 'conforming',
      '2.835': 'conforming',
      '2.8351': inside,
      '3.165': outside,
      '3.166': 'nonconforming',
    },
  ],
  [
    'four-way',
    atMost,
    0.8,
    {
      '7.2': 'conforming',
      '7.201': 'conditional inside',
      '8': 'conditional inside',
      '8.001': 'conditional outside',
      '8.8': 'conditional outside',
      '8.801': 'nonconforming',
    },
  ],
  [
    'four-way',
    between,
    0.2,
    {
      '1.799': 'nonconforming',
      '1.8': 'conditional outside',
      '2': 'conditional inside',
      '2.2': 'conforming',
      '2.8': 'conforming',
      '2.801': 'conditional inside',
      '3.2': 'conditional outside',
      '3.201': 'nonconforming',
    },
  ],
  ['four-way', between, 0, { '2': 'conforming', '3': 'conforming', '3.001': 'nonconforming' }],
  // Nothing conforms without a condition, so nothing conforms on condition.
  ['four-way', between, 0.5, { '2.5': inside, '3.4': outside, '3.6': 'nonconforming' }],
  [
    'guarded-rejection',
    atMost,
    0.8,
    { '7.9': 'conforming', '8.001': 'conforming', '8.8': 'conforming', '8.801': 'nonconforming' },
  ],
  [
    'guarded-rejection',
    between,
    0.2,
    {
      '1.799': 'nonconforming',
      '1.8': 'conforming',
      '2.5': 'conforming',
      '3.2': 'conforming',
      '3.201': 'nonconforming',
    },
  ],
  ['guarded-rejection', atLeast, 0.5, { '44.5': 'conforming', '44.49': 'nonconforming' }],
];

for (const [rule, tolerance, U, cells] of banded) {
  for (const [value, want] of Object.entries(cells)) {
    test(`${rule}: ${value} with U = ${U} against ${JSON.stringify(tolerance)} is ${want}`, () => {
      expect(read(decide(Number(value), U, tolerance, rule))).toBe(want);
    });
  }
}

const simple: readonly (readonly [value: number, tolerance: Tolerance, want: string])[] = [
  [2, between, 'conforming'],
  [3, between, 'conforming'],
  [1.9999999999999998, between, 'nonconforming'],
  [3.0000000000000004, between, 'nonconforming'],
  [8, atMost, 'conforming'],
  [12.004, { kind: 'at-most', upper: 12 }, 'nonconforming'],
  [45, atLeast, 'conforming'],
  [44.99999999999999, atLeast, 'nonconforming'],
  [-0, { kind: 'at-most', upper: 0 }, 'conforming'],
];

for (const [value, tolerance, want] of simple) {
  for (const U of [undefined, 0.5]) {
    test(`simple: ${value} against ${JSON.stringify(tolerance)} is ${want}, U = ${String(U)}`, () => {
      expect(read(decide(value, U, tolerance, 'simple'))).toBe(want);
    });
  }
}

const invalid: readonly (readonly [
  value: number,
  U: number | undefined,
  tolerance: Tolerance,
  rule: DecisionRule,
  reasons: readonly string[],
])[] = [
  [2.5, undefined, between, 'guarded', ['U not stated']],
  [NaN, 0.1, between, 'guarded', ['the value is NaN']],
  [NaN, undefined, between, 'simple', ['the value is NaN']],
  [Infinity, undefined, atLeast, 'simple', ['the value is Infinity']],
  [-Infinity, 0.1, atMost, 'guarded', ['the value is -Infinity']],
  [2.5, NaN, between, 'guarded', ['U is NaN, not a number of 0 or more']],
  [2.5, NaN, between, 'simple', ['U is NaN, not a number of 0 or more']],
  [2.5, -0.1, between, 'guarded', ['U is -0.1, not a number of 0 or more']],
  [2.5, Infinity, between, 'guarded', ['U is Infinity, not a number of 0 or more']],
  [2.5, 0.1, { kind: 'between', lower: NaN, upper: 3 }, 'simple', ['a limit is not a number']],
  [2.5, 0.1, { kind: 'at-most', upper: Infinity }, 'simple', ['a limit is not a number']],
  [NaN, undefined, between, 'guarded', ['the value is NaN', 'U not stated']],
  [2.5, undefined, between, 'guarded-one-sided', ['U not stated']],
  [2.5, undefined, between, 'four-way', ['U not stated']],
  [2.5, undefined, between, 'guarded-rejection', ['U not stated']],
  [NaN, 0.1, between, 'guarded-rejection', ['the value is NaN']],
];

for (const [value, U, tolerance, rule, reasons] of invalid) {
  test(`${rule}: ${value} with U = ${String(U)} against ${JSON.stringify(tolerance)}: ${reasons.join(', ')}`, () => {
    expect(decide(value, U, tolerance, rule)).toEqual({ outcome: 'invalid', reasons });
  });
}

test('no number at all conforms to a tolerance whose ends are exchanged', () => {
  const exchanged = { kind: 'between', lower: 3, upper: 2 } as const;
  for (const value of [1, 2, 2.5, 3, 4]) {
    for (const U of [0.1, 1]) {
      expect(decide(value, U, exchanged, 'simple').outcome).toBe('nonconforming');
      for (const rule of DECISION_RULES) {
        const { outcome } = decide(value, U, exchanged, rule);
        expect(['conforming', 'conditional']).not.toContain(outcome);
      }
    }
  }
});

const zones: readonly (readonly [Tolerance, number | undefined, Tolerance | undefined])[] = [
  [between, 0.25, { kind: 'between', lower: 2.25, upper: 2.75 }],
  [between, 0, between],
  [between, 0.5, undefined],
  [between, 0.6, undefined],
  [between, undefined, undefined],
  [between, NaN, undefined],
  [atMost, 0.5, { kind: 'at-most', upper: 7.5 }],
  [atLeast, 0.5, { kind: 'at-least', lower: 45.5 }],
  // On paper −0.2 and 0.2; added in binary −0.19999999999999998 and 0.19999999999999998.
  [{ kind: 'between', lower: -0.3, upper: 0.3 }, 0.1, { kind: 'between', lower: -0.2, upper: 0.2 }],
  // Cancellation: the sum has fewer digits than its parts.
  [{ kind: 'at-least', lower: -0.3 }, 0.2999, { kind: 'at-least', lower: -0.0001 }],
  [{ kind: 'at-least', lower: 0 }, 0, { kind: 'at-least', lower: 0 }],
  [{ kind: 'at-least', lower: 1e-200 }, 1e-201, { kind: 'at-least', lower: 1e-200 + 1e-201 }],
  [{ kind: 'at-least', lower: 1e22 }, 1, { kind: 'at-least', lower: 1e22 }],
];

for (const [tolerance, U, want] of zones) {
  test(`${JSON.stringify(tolerance)} with U = ${String(U)} accepts ${JSON.stringify(want)}`, () => {
    expect(acceptanceZone(tolerance, U, 'guarded')).toEqual(want);
    expect(acceptanceZone(tolerance, U, 'simple')).toBe(tolerance);
  });
}

test('a value that equals limit + U on paper conforms, one digit less does not', () => {
  const digits = fc.integer({ min: -10_000_000, max: 10_000_000 });
  const band = fc.integer({ min: 1, max: 1_000_000 });
  const places = fc.integer({ min: 0, max: 9 });
  fc.assert(
    fc.property(digits, band, places, (lower, w, decimals) => {
      const scale = 10 ** decimals; // n / 10^d is the binary64 number nearest to the decimal
      const tolerance = { kind: 'at-least', lower: lower / scale } as const;
      const verdict = (n: number): string =>
        decide(n / scale, w / scale, tolerance, 'guarded').outcome;
      expect(verdict(lower + w)).toBe('conforming');
      expect(verdict(lower + w - 1)).toBe('inconclusive');
      expect(verdict(lower - w)).toBe('inconclusive');
      expect(verdict(lower - w - 1)).toBe('nonconforming');
    }),
    { seed: 106, numRuns: 2000 },
  );
});

test('a larger U never turns a value into a conforming or nonconforming one', () => {
  const number = fc.double({ min: -100, max: 100, noNaN: true });
  const positive = fc.double({ min: 0, max: 10, noNaN: true });
  fc.assert(
    fc.property(number, positive, positive, (value, U, more) => {
      const small = decide(value, U, between, 'guarded').outcome;
      const large = decide(value, U + more, between, 'guarded').outcome;
      if (small !== large) expect(large).toBe('inconclusive');
    }),
    { seed: 17025, numRuns: 2000 },
  );
});

const BOUNDS = [
  { tolerance: { kind: 'at-least', lower: 60 }, value: 70, outcome: 'conforming' },
  { tolerance: { kind: 'at-least', lower: 60 }, value: 61, outcome: 'inconclusive' },
  { tolerance: { kind: 'at-least', lower: 60 }, value: 20, outcome: 'inconclusive' },
  { tolerance: { kind: 'at-most', upper: 60 }, value: 20, outcome: 'inconclusive' },
  { tolerance: { kind: 'at-most', upper: 60 }, value: 70, outcome: 'nonconforming' },
  { tolerance: { kind: 'between', lower: 50, upper: 60 }, value: 55, outcome: 'inconclusive' },
  { tolerance: { kind: 'between', lower: 50, upper: 60 }, value: 20, outcome: 'inconclusive' },
  { tolerance: { kind: 'between', lower: 50, upper: 60 }, value: 70, outcome: 'nonconforming' },
  { tolerance: { kind: 'at-least', lower: 60 }, value: NaN, outcome: 'invalid' },
] as const;

for (const { tolerance, value, outcome } of BOUNDS) {
  test(`a property of at least ${value} ± 4 is ${outcome} for ${JSON.stringify(tolerance)}`, () => {
    expect(decideAtLeast(value, 4, tolerance, 'guarded').outcome).toBe(outcome);
  });
}

test('a property that is at least its value is neither accepted nor held on condition', () => {
  const { outcome } = decideAtLeast(61, 4, { kind: 'at-least', lower: 60 }, 'four-way');
  expect(outcome).toBe('inconclusive');
  expect(decideAtLeast(57, 4, { kind: 'at-least', lower: 60 }, 'guarded-rejection').outcome).toBe(
    'conforming',
  );
});

test('every rule decides every finite value, and a larger value below an upper limit is no better', () => {
  const order = ['conforming', 'conditional', 'inconclusive', 'nonconforming'];
  const number = fc.double({ min: -100, max: 100, noNaN: true });
  fc.assert(
    fc.property(
      fc.constantFrom(...DECISION_RULES),
      number,
      fc.double({ min: 0, max: 100, noNaN: true }),
      fc.double({ min: 0, max: 10, noNaN: true }),
      (rule, value, more, U) => {
        const rank = (at: number): number => order.indexOf(decide(at, U, atMost, rule).outcome);
        expect(rank(value)).toBeGreaterThanOrEqual(0);
        expect(rank(value + more)).toBeGreaterThanOrEqual(rank(value));
      },
    ),
    { seed: 106, numRuns: 2000 },
  );
});
