import { expect, test } from 'vitest';
import {
  hertz,
  inertia,
  newtonMetre,
  second,
  torquePerRadian,
  viscous,
} from '../../src/base/units.js';
import { boundsOf, checkBounds } from '../../src/pattern/bounds.js';
import { durationOf } from '../../src/pattern/shapes.js';
import { KICK, rungsOf } from '../../src/pattern/virtual-spring.js';
import { compile } from '../../src/pattern/waveform.js';
import type { VirtualSpringPattern } from '../../src/procedure/procedure.js';

function ladder(from: number, to: number, factor: number, dwell = 1): VirtualSpringPattern {
  return {
    kind: 'virtual-spring',
    stiffness: { from: torquePerRadian(from), to: torquePerRadian(to), factor },
    damping: viscous(0.3),
    wheel: { inertia: inertia(0.03), drag: viscous(0.03) },
    kick: newtonMetre(0.5),
    dwell: second(dwell),
    limit: newtonMetre(4),
  };
}

test('rungs climb by the factor up to the end, which counts when it is reached exactly', () => {
  expect(rungsOf(ladder(20, 80, 2)).map((rung) => rung.stiffness)).toEqual([20, 40, 80]);
  expect(rungsOf(ladder(20, 110, 1.15))).toHaveLength(13); // ln 5.5 / ln 1.15 = 12.2
  expect(rungsOf(ladder(20, 20 * 1.1 ** 3, 1.1))).toHaveLength(4);
});

for (const [name, pattern] of [
  ['one stiffness', ladder(30, 30, 1)],
  ['a factor of 1', ladder(20, 30, 1)],
  ['an end below the beginning', ladder(30, 20, 1.2)],
] as const) {
  test(`${name} is one rung`, () => {
    expect(rungsOf(pattern)).toHaveLength(1);
  });
}

test('the compiled ladder kicks at the start of each rung and tells the stiffness of every update', () => {
  const pattern = ladder(20, 80, 2, 0.5);
  const { command, wheel } = compile(pattern, hertz(1000));
  expect(durationOf(pattern)).toBe(1.5);
  expect(command).toHaveLength(1500);
  const kicked = command.reduce((count, torque) => count + (torque === 0.5 ? 1 : 0), 0);
  expect(kicked).toBe(Math.round(3 * KICK * 1000));
  expect([command[0], command[49], command[50], command[500], command[549], command[550]]).toEqual([
    0.5, 0.5, 0, 0.5, 0.5, 0,
  ]);
  expect([0, 499, 500, 999, 1000, 1499].map((i) => wheel?.stiffness[i])).toEqual([
    20, 20, 40, 40, 80, 80,
  ]);
  expect(wheel).toMatchObject({ inertia: 0.03, drag: 0.03, damping: 0.3, limit: 4 });
});

test('the limit of the loop, not the kick, is held against the ceiling', () => {
  const pattern = ladder(20, 80, 2);
  expect(boundsOf(pattern, hertz(1000)).peak).toBe(4);
  const found = checkBounds(pattern, hertz(1000), { ceiling: 3, slew: 6000 });
  expect(found.map(({ kind, observed }) => [kind, observed])).toEqual([['ceiling', 4]]);
  expect(checkBounds(pattern, hertz(1000), { ceiling: 4, slew: 6000 })).toEqual([]);
});

test('a rung that is no whole number of updates is refused', () => {
  const found = checkBounds(ladder(20, 80, 2, 0.5005), hertz(1000), { ceiling: 9, slew: 6000 });
  expect(found.map(({ kind }) => kind)).toEqual(['off-grid']);
});

test('a silence holds its level and names the updates that are held back', () => {
  const pattern = {
    kind: 'silence',
    level: newtonMetre(3),
    before: second(0.2),
    silent: second(0.3),
    after: second(0.1),
  } as const;
  const { command, silence } = compile(pattern, hertz(1000));
  expect(command).toHaveLength(600);
  expect(new Set(command)).toEqual(new Set([3]));
  expect(silence).toEqual({ from: 200, to: 500 });
});
