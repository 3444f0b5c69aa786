import { describe, expect, test } from 'vitest';
import type { Verdict } from '../../src/decision/decision.js';
import { nearLimit, shareUsed, WARN_ABOVE } from '../../src/decision/near-limit.js';
import type { ProcessSpread, Tolerance } from '../../src/procedure/limits.js';

const between = { kind: 'between', lower: 2, upper: 6 } as const; // centre 4, half width 2
const aboutZero = { kind: 'between', lower: -8, upper: 8 } as const;
const atMost = { kind: 'at-most', upper: 8 } as const;
const atLeast = { kind: 'at-least', lower: 10 } as const;
const process: ProcessSpread = { mean: 14, deviation: 1 };

interface Use {
  readonly value: number;
  readonly tolerance: Tolerance;
  readonly process?: ProcessSpread;
  readonly want: number | undefined;
}

const USES: readonly Use[] = [
  { value: 4, tolerance: between, want: 0 },
  { value: 5.5, tolerance: between, want: 0.75 },
  { value: 2.5, tolerance: between, want: 0.75 },
  { value: 6, tolerance: between, want: 1 },
  { value: 7, tolerance: between, want: 1.5 },
  { value: -6, tolerance: aboutZero, want: 0.75 },
  // The spread of the process says nothing where both ends are written.
  { value: 4, tolerance: between, process, want: 0 },
  { value: 0, tolerance: atMost, want: 0 },
  { value: 6, tolerance: atMost, want: 0.75 },
  { value: -6, tolerance: atMost, want: 0.75 },
  { value: 6, tolerance: atMost, process, want: 0.75 },
  // At most 0 has no width, and a negative most none that reaches to 0.
  { value: 0, tolerance: { kind: 'at-most', upper: 0 }, want: undefined },
  { value: -3, tolerance: { kind: 'at-most', upper: -2 }, want: undefined },
  // A least is open above: only the process says where good items lie.
  { value: 10.5, tolerance: atLeast, want: undefined },
  { value: 14, tolerance: atLeast, process, want: 0 },
  { value: 11, tolerance: atLeast, process, want: 0.75 },
  { value: 10, tolerance: atLeast, process, want: 1 },
  { value: 20, tolerance: atLeast, process, want: 0 },
  { value: 10.5, tolerance: atLeast, process: { mean: 9, deviation: 1 }, want: undefined },
  { value: NaN, tolerance: between, want: undefined },
  { value: 4, tolerance: { kind: 'between', lower: 4, upper: 4 }, want: undefined },
];

for (const { value, tolerance, process: spread, want } of USES) {
  const about = spread === undefined ? '' : ` with a process about ${spread.mean}`;
  test(`${value} in ${JSON.stringify(tolerance)}${about} uses ${String(want)}`, () => {
    const limit = { tolerance, ...(spread === undefined ? {} : { process: spread }) };
    expect(shareUsed(value, limit)).toBe(want);
  });
}

const conforming: Verdict = { outcome: 'conforming' };
const measured = (value: number): { readonly kind: 'measured'; readonly value: number } => ({
  kind: 'measured',
  value,
});

describe('the mark', () => {
  test('is set above the share and not on it', () => {
    const limit = { tolerance: between };
    expect(WARN_ABOVE).toBe(0.75);
    expect(nearLimit({ limit, outcome: measured(5.5), verdict: conforming })).toBeUndefined();
    expect(nearLimit({ limit, outcome: measured(5.6), verdict: conforming })).toEqual({
      used: expect.closeTo(0.8, 12) as number,
      above: 0.75,
    });
  });

  test('follows the share of the limits file, also where it is wider or narrower', () => {
    const at = (warnAbove: number): unknown =>
      nearLimit({
        limit: { tolerance: atMost, warnAbove },
        outcome: measured(6),
        verdict: conforming,
      });
    expect(at(0.9)).toBeUndefined();
    expect(at(0.75)).toBeUndefined();
    expect(at(0.5)).toEqual({ used: 0.75, above: 0.5 });
    expect(at(1)).toBeUndefined();
  });

  const OTHERS: readonly Verdict[] = [
    { outcome: 'conditional', side: 'inside' },
    { outcome: 'conditional', side: 'outside' },
    { outcome: 'inconclusive', side: 'inside' },
    { outcome: 'nonconforming' },
    { outcome: 'invalid', reasons: ['gate "hum"'] },
    { outcome: 'not-run' },
  ];
  for (const verdict of OTHERS) {
    const side = 'side' in verdict ? ` ${verdict.side}` : '';
    test(`is never set on ${verdict.outcome}${side}`, () => {
      const limit = { tolerance: between };
      expect(nearLimit({ limit, outcome: measured(5.9), verdict })).toBeUndefined();
    });
  }

  test('is never set on a lower bound: the value itself may lie anywhere above it', () => {
    const limit = { tolerance: atLeast, process };
    const outcome = { ...measured(10.2), bound: 'at-least' } as const;
    expect(nearLimit({ limit, outcome, verdict: conforming })).toBeUndefined();
    expect(nearLimit({ limit, outcome: measured(10.2), verdict: conforming })).toBeDefined();
  });

  test('is never set on what was not evaluated', () => {
    const outcome = { kind: 'not-evaluated', reason: 'no edge' } as const;
    const limit = { tolerance: between };
    expect(nearLimit({ limit, outcome, verdict: conforming })).toBeUndefined();
  });
});
