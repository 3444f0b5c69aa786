import { describe, expect, test } from 'vitest';
import { unitOf } from '../../src/base/units.js';
import { cloudGeometry, stripGeometry, stripText } from '../../src/certificate/strip.js';
import type { Result } from '../../src/decision/decision.js';
import { decide } from '../../src/decision/rule.js';
import type { DecisionRule, Tolerance } from '../../src/procedure/limits.js';

function result(
  value: number | undefined,
  expanded: number | undefined,
  tolerance: Tolerance,
  rule: DecisionRule = 'guarded',
): Result {
  const limit = {
    stage: 'steps',
    characteristic: 'rise-time',
    tolerance,
    unit: unitOf(tolerance.kind === 'at-most' && tolerance.upper === 0 ? 'count' : 'N·m'),
    rule,
    label: 'x',
    where: { file: 'x', line: 1, column: 1 },
  };
  if (value === undefined) {
    const outcome = { kind: 'not-evaluated', reason: 'no signal' } as const;
    return { limit, name: 'x', side: 'motor', outcome, expanded, verdict: { outcome: 'not-run' } };
  }
  const verdict = decide(value, expanded, tolerance, rule);
  return {
    limit,
    name: 'x',
    side: 'motor',
    outcome: { kind: 'measured', value },
    expanded,
    verdict,
  };
}

const between: Tolerance = { kind: 'between', lower: 10, upper: 20 };
const atMost: Tolerance = { kind: 'at-most', upper: 8 };
const atLeast: Tolerance = { kind: 'at-least', lower: 45 };
const none: Tolerance = { kind: 'at-most', upper: 0 };

describe('geometry', () => {
  test('the lower limit stands at 20 %, the upper at 80 %, whatever the scale', () => {
    for (const scale of [1e-6, 1, 1e6]) {
      const tolerance = { kind: 'between', lower: 10 * scale, upper: 20 * scale } as const;
      const strip = stripGeometry(result(15 * scale, scale, tolerance));
      expect(strip.ticks).toEqual([0.2, 0.8]);
      expect(strip.marker).toEqual({ shape: 'dot', at: expect.closeTo(0.5, 12) as number });
      expect(strip.guards.map((g) => [g.from, g.to])).toEqual([
        [0.2, expect.closeTo(0.26, 12)],
        [expect.closeTo(0.74, 12), 0.8],
      ]);
    }
  });

  test('simple acceptance has no hatching', () => {
    expect(stripGeometry(result(15, 1, between, 'simple')).guards).toEqual([]);
  });

  test('a narrower guard band, and one outside the limits, are hatched where they lie', () => {
    const bands = (rule: DecisionRule): readonly unknown[] =>
      stripGeometry(result(15, 1, between, rule)).guards;
    const near = (from: number, to: number): unknown => ({
      from: expect.closeTo(from, 10) as number,
      to: expect.closeTo(to, 10) as number,
    });
    // 10 … 20 stand at 0.2 … 0.8, so that 1 is 0.06 and 0.825 is 0.0495.
    expect(bands('four-way')).toEqual([near(0.2, 0.26), near(0.74, 0.8)]);
    expect(bands('guarded-one-sided')).toEqual([near(0.2, 0.2495), near(0.7505, 0.8)]);
    expect(bands('guarded-rejection')).toEqual([near(0.14, 0.2), near(0.8, 0.86)]);
    const wide = stripGeometry(result(15, 9, between, 'guarded-rejection'));
    expect(wide.guards).toEqual([near(0, 0.2), near(0.8, 1)]);
    expect(stripText(result(20.5, 1, between, 'guarded-rejection'), 31)).toMatch(/x/u);
  });

  test('guard bands that meet leave nothing plain', () => {
    expect(stripGeometry(result(15, 6, between)).guards).toEqual([{ from: 0.2, to: 0.8 }]);
  });

  const shapes = [
    { value: 10, shape: 'dot' }, // the limit belongs to the tolerance
    { value: 20, shape: 'dot' },
    { value: 9.999, shape: 'diamond' },
    { value: 20.001, shape: 'diamond' },
    { value: 7.01, shape: 'diamond' },
    { value: 6.99, shape: 'arrow-left' },
    { value: -1e9, shape: 'arrow-left' },
    { value: 22.9, shape: 'diamond' },
    { value: 23.1, shape: 'arrow-right' },
  ];
  for (const { value, shape } of shapes) {
    test(`${value} in 10 … 20 is drawn as ${shape}`, () => {
      expect(stripGeometry(result(value, 0.5, between)).marker?.shape).toBe(shape);
    });
  }

  test('the whisker reaches from value − U to value + U and is cut without a cap at the edge', () => {
    expect(stripGeometry(result(15, 2, between)).whisker).toEqual({
      from: expect.closeTo(0.38, 12) as number,
      to: expect.closeTo(0.62, 12) as number,
      capFrom: true,
      capTo: true,
    });
    const cut = stripGeometry(result(15, 9, between)).whisker;
    expect(cut).toEqual({ from: 0, to: 1, capFrom: false, capTo: false });
  });

  test('no lower limit: a foot at zero; no upper limit: the bar breaks off', () => {
    const most = stripGeometry(result(4, 1, atMost));
    expect([most.foot, most.ticks, most.break]).toEqual([0.2, [0.8], undefined]);
    expect(most.marker?.at).toBeCloseTo(0.5, 12);
    const open = stripGeometry(result(46, 0.1, atLeast));
    expect([open.foot, open.ticks, open.break]).toEqual([undefined, [0.2], 0.97]);
  });

  test('a count of 0 with limit 0 stands on the tick, a count of 1 outside of it', () => {
    expect(stripGeometry(result(0, undefined, none, 'simple')).marker).toEqual({
      shape: 'dot',
      at: 0.8,
    });
    expect(stripGeometry(result(1, undefined, none, 'simple')).marker?.shape).toBe('arrow-right');
  });

  test('an accepted value without upper limit is never off the scale', () => {
    for (const value of [45, 46, 100, 1e6]) {
      expect(stripGeometry(result(value, 0.1, atLeast, 'simple')).marker?.shape).toBe('dot');
    }
  });

  test('no value, no marker', () => {
    const strip = stripGeometry(result(undefined, undefined, between));
    expect([strip.marker, strip.whisker, strip.ticks]).toEqual([undefined, undefined, [0.2, 0.8]]);
  });

  test('a value behind a closed gate has no marker', () => {
    const read = result(15, 1, between);
    const verdict = { outcome: 'invalid', reasons: ['gate "x"'] } as const;
    expect(stripGeometry({ ...read, verdict }).marker).toBeUndefined();
  });
});

describe('text', () => {
  const texts: readonly (readonly [string, Result, string])[] = [
    ['inside', result(15, 1, between), '    |/===-o-===/|    '],
    ['without U', result(15, undefined, between, 'simple'), '    |=====o=====|    '],
    ['at-most', result(4, 1, atMost, 'simple'), '    :===--o--===|    '],
    ['nothing', result(undefined, undefined, between, 'simple'), '    |===========|    '],
    ['outside', result(22, 0.3, between, 'simple'), '    |===========|-x- '],
    ['far below', result(1, 0.3, between, 'simple'), '<   |===========|    '],
    ['far above', result(90, 0.3, between, 'simple'), '    |===========|   >'],
    ['count', result(0, undefined, none, 'simple'), ' ~==============o    '],
    ['open', result(45, undefined, atLeast, 'simple'), '    o==============~ '],
  ];
  for (const [name, of, want] of texts) {
    test(`${name}: ${want}`, () => {
      expect(stripText(of, 21)).toBe(want);
    });
  }

  test('every case has a line of its own and exactly the width asked for', () => {
    for (const width of [11, 21, 40]) {
      const lines = texts.map(([, of]) => stripText(of, width));
      expect(lines.map((l) => l.length)).toEqual(lines.map(() => width));
      expect(new Set(lines).size).toBe(lines.length);
    }
  });

  test('rounding to characters never moves a value across its limit', () => {
    const just = {
      inside: result(19.999, undefined, between, 'simple'),
      outside: result(20.001, undefined, between, 'simple'),
    };
    expect(stripText(just.inside, 21)).toBe('    |==========o|    ');
    expect(stripText(just.outside, 21)).toBe('    |===========|x   ');
  });

  test('guarded: the bar is hatched where a value would not be decided', () => {
    expect(stripText(result(15, 1, between), 31)).toBe('      |//====--o--====//|      ');
  });

  test('fewer than 11 characters are refused', () => {
    expect(() => stripText(result(15, 1, between), 10)).toThrow('11 is the least');
  });
});

describe('the values of many items on one strip', () => {
  const limitOf = (tolerance: Tolerance, rule?: DecisionRule): Result['limit'] =>
    result(undefined, undefined, tolerance, rule).limit;

  test('stand where each would stand alone, between two limits', () => {
    const values = [10, 12.5, 20, 21];
    const { frame, at } = cloudGeometry(limitOf(between), values, 1);
    const alone = values.map((value) => stripGeometry(result(value, 1, between)));
    expect(at).toEqual(alone.map(({ marker }) => marker?.at));
    expect(frame.guards).toEqual(alone[0]?.guards);
    expect(frame).not.toHaveProperty('marker');
  });

  test('share one scale above a least: the furthest value sets it and the limit stays in place', () => {
    const { frame, at } = cloudGeometry(limitOf(atLeast, 'simple'), [46, 61, 45], undefined);
    expect(frame.ticks).toEqual([0.2]);
    expect(at[2]).toBeCloseTo(0.2, 12);
    expect(at[1]).toBeCloseTo(0.2 + 0.6 / 1.6, 12); // 16 inside of a span of 1.6 · 16
    expect(at[0]).toBeCloseTo(0.2 + 0.6 / 1.6 / 16, 12);
  });

  test('end at the edges of the strip, and none leaves the frame alone', () => {
    expect(cloudGeometry(limitOf(between), [-1000, 1000], 1).at).toEqual([0, 1]);
    const empty = cloudGeometry(limitOf(atMost), [], undefined);
    expect(empty).toMatchObject({ at: [], frame: { ticks: [0.8], foot: 0.2 } });
  });
});
