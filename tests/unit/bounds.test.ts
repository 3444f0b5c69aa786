import { expect, test } from 'vitest';
import { hertz, newtonMetre, second } from '../../src/base/units.js';
import { boundsOf, checkBounds } from '../../src/pattern/bounds.js';
import type { Allowances } from '../../src/pattern/bounds.js';
import type { Pattern } from '../../src/procedure/procedure.js';
import {
  chirp,
  hold,
  list,
  multisine,
  pseudoRandom,
  ramp,
  recorded,
  sine,
  staircase,
  step,
  triangle,
} from '../support/patterns.js';

const UPDATES = hertz(1000);
const H12: Allowances = { ceiling: 12.5, slew: 6000 };

const slews: readonly (readonly [string, Pattern, number])[] = [
  ['hold', hold(12, 1), 0],
  ['abrupt step of 24 N·m', step([-12, 12], { hold: 0.06 }), 0],
  ['ramp of 1.2 N·m in 1.2 s', ramp(0, 1.2, 1.2), 1],
  ['triangle ±6 N·m at 0.1 Hz', triangle(6, 0.1, 2), 2.4],
  ['sine 3 N·m at 5 Hz', sine(3, 5, 1), 2 * Math.PI * 15],
  ['shaped step of 3 N·m in 4 ms', step([0, 3], { hold: 0.06, edge: 0.004 }), (Math.PI / 2) * 750],
  ['staircase counts as what it holds', staircase(100, sine(3, 5, 1)), 2 * Math.PI * 15],
  ['recording at 100 Hz, scaled', recorded([0, 0.5, 0.25], 100, 2), 100],
  ['chirp to 100 Hz', chirp(1, 100, 1, 'linear'), 200 * Math.PI],
  ['pseudo-random', pseudoRandom(5, 500, 1), 0],
  ['list counts its steepest part', list(hold(0, 1), sine(3, 5, 1)), 2 * Math.PI * 15],
];
for (const [name, pattern, slew] of slews) {
  test(`slew of ${name} is ${slew.toFixed(1)} N·m/s`, () => {
    expect(boundsOf(pattern, UPDATES).slew).toBeCloseTo(slew, 6);
  });
}

test('slew of a windowed burst is found between the bare sine and nothing', () => {
  const burst: Pattern = {
    kind: 'burst',
    amplitude: newtonMetre(1),
    frequency: hertz(20),
    cycles: 4,
    window: 'hann',
  };
  const { slew } = boundsOf(burst, UPDATES);
  expect(slew).toBeLessThan(40 * Math.PI);
  expect(slew).toBeGreaterThan(0.95 * 40 * Math.PI);
  expect(boundsOf({ ...burst, window: 'none' }, UPDATES).slew).toBeCloseTo(40 * Math.PI, 9);
});

test('peak, rms and duration are those of the compiled samples', () => {
  const bounds = boundsOf(list(hold(-12, 5), hold(0, 10), hold(6, 5)), UPDATES);
  expect(bounds.peak).toBe(12);
  expect(bounds.rms).toBeCloseTo(Math.sqrt((144 * 5 + 36 * 5) / 20), 12);
  expect(bounds.duration).toBe(20);
});

test('a pattern inside its allowances has no findings', () => {
  const pattern = list(
    step([0, 3, 0, -3], { hold: 0.06, repeat: 10 }),
    step([-12, 12], { hold: 0.06, repeat: 3 }),
    multisine(),
    staircase(100, sine(6, 1, 2.2)),
  );
  expect(checkBounds(pattern, UPDATES, H12)).toEqual([]);
});

test('one sample above the ceiling is found, with its time', () => {
  const pattern = list(hold(0, 1), recorded([0, 12.6, 0], 1000));
  expect(checkBounds(pattern, UPDATES, { ...H12, slew: 1e6 })).toEqual([
    { kind: 'ceiling', observed: 12.6, allowed: 12.5, unit: 'N·m', at: 1.001 },
  ]);
});

test('a negative peak counts as much, and the ceiling itself is allowed', () => {
  expect(checkBounds(hold(-12.6, 1), UPDATES, H12)[0]?.observed).toBe(12.6);
  expect(checkBounds(hold(-12.5, 1), UPDATES, H12)).toEqual([]);
});

for (const value of [NaN, Infinity]) {
  test(`${value} in a recording is found and is never within a ceiling`, () => {
    const found = checkBounds(recorded([0, 0, value, 0], 1000), UPDATES, H12);
    expect(found[0]).toMatchObject({ kind: 'not-finite', at: 0.002 });
    expect(boundsOf(recorded([0, value], 1000), UPDATES).peak).toBe(value);
  });
}

test('slew, loss and ringing are found each with what is allowed', () => {
  const pattern = list(hold(0, 0.5), step([0, 12], { hold: 0.06, edge: 0.003 }));
  const found = checkBounds(pattern, UPDATES, {
    ...H12,
    loss: { torqueConstant: 0.6, resistance: 0.35, allowed: 10 },
    ringing: { resonance: 311, allowed: 0.03 },
  });
  expect(found.map(({ kind, at }) => [kind, at])).toEqual([
    ['loss', 0],
    ['slew', 0.5],
    ['ringing', 0.5],
  ]);
  // 12 N·m for one of 62 holds of 60 ms is reckoned below; the edge itself takes a little of it.
  expect(found[0]?.observed).toBeGreaterThan(15);
  expect(found[1]?.observed).toBeCloseTo((Math.PI / 2) * 4000, 6);
});

test('the 4 ms edge suits the H12 stand at half of 6 % and not the H06 stand', () => {
  const pattern = step([0, 3], { hold: 0.06, edge: 0.004 });
  const kinds = (resonance: number): string[] =>
    checkBounds(pattern, UPDATES, { ...H12, ringing: { resonance, allowed: 0.03 } }).map(
      (finding) => finding.kind,
    );
  expect(kinds(361)).toEqual([]);
  expect(kinds(424)).toEqual(['ringing']);
});

const misfits: readonly (readonly [string, Pattern, string, number, number])[] = [
  ['hold of 60.5 ms', step([0, 1], { hold: 0.0605 }), 'off-grid', 0.0605, 0.061],
  ['period of 0.9995 s', multisine({ period: second(0.9995), avoid: [] }), 'off-grid', 0.9995, 1],
  ['sine of 501 Hz', sine(0.1, 501, 1), 'too-fast', 501, 500],
  ['sine of 60 Hz from a 100 Hz source', staircase(100, sine(0.1, 60, 1)), 'too-fast', 60, 50],
  ['source of 1200 Hz', staircase(1200, hold(1, 1)), 'too-fast', 1200, 1000],
  ['edge of 70 ms in a hold of 60', step([0, 1], { hold: 0.06, edge: 0.07 }), 'edge', 0.07, 0.06],
  ['75 lines in 50 Hz', multisine({ to: hertz(50), avoid: [] }), 'lines', 75, 50],
];
for (const [name, pattern, kind, observed, allowed] of misfits) {
  test(`${name} is found: ${kind}`, () => {
    const [first, ...rest] = checkBounds(pattern, UPDATES, H12);
    expect(rest).toEqual([]);
    expect(first).toMatchObject({ kind, at: 0 });
    expect(first?.observed).toBeCloseTo(observed, 9);
    expect(first?.allowed).toBeCloseTo(allowed, 9);
  });
}
