import { expect, test } from 'vitest';
import type { Gate } from '../../src/capture/gate.js';
import type { Take } from '../../src/capture/capture.js';
import { STATIC_GATES } from '../../src/scoring/gates-static.js';
import type { Context } from '../../src/scoring/scoring.js';
import {
  answering,
  captureOf,
  context,
  hold,
  normalFrom,
  stageOf,
  steps,
  takeOf,
} from '../support/made-capture.js';

function judge(
  id: string,
  takes: readonly [Take, ...Take[]],
  options = {},
  given: Context = context,
): Gate {
  const rule = STATIC_GATES.find((candidate) => candidate.id === id);
  if (rule === undefined) throw new Error(`no gate ${id}`);
  const pattern = id === 'polarity' ? small : hold(0, 2);
  const [first, ...rest] = takes;
  return rule.judge(
    captureOf(first, ...rest),
    stageOf(pattern, {}, rule.power === 'off' ? 'off' : 'on'),
    options,
    given,
  );
}

const small = steps([0, 0.6, 0, -0.6], 0.4);
const zero = (fixture: 'coupled' | 'uncoupled' | 'shunt', shaft: (t: number) => number): Take =>
  takeOf({ pattern: hold(0, 2), shaft, torqueNoise: 0.002, settings: { smoothing: 0, fixture } });

const shunts = [
  { what: 'right', without: 0.01, reading: 5.012, holds: true },
  { what: 'inside 0.15 % and 2 mN·m', without: 0.01, reading: 5.019, holds: true },
  { what: 'outside it', without: 0.01, reading: 5.021, holds: false },
  { what: 'left on', without: 5, reading: 5, holds: false },
  { what: 'on a reversed bridge', without: 0, reading: -5, holds: false },
];

for (const { what, without, reading, holds } of shunts) {
  test(`a shunt ${what}: ${reading} N·m after ${without} N·m ${holds ? 'holds' : 'does not hold'}`, () => {
    const gate = judge('shunt', [zero('uncoupled', () => without), zero('shunt', () => reading)]);
    expect(gate).toMatchObject({ holds, scope: 'run', blames: 'stand', unit: 'N·m' });
    expect(gate.evidence).toContain('expected 5 ±');
  });
}

test('a shunt that was never switched in is in doubt, and doubt does not hold', () => {
  const gate = judge('shunt', [zero('uncoupled', () => 0)]);
  expect(gate.holds).toBe(false);
  expect(gate.evidence).toContain('No take was shunt');
});

test('a quiet zero holds; hum of 8 mN·m does not move it, a hand does', () => {
  const hum = (t: number): number => 0.008 * Math.SQRT2 * Math.sin(2 * Math.PI * 50 * t);
  const hand = (t: number): number => 0.3 * Math.sin(2 * Math.PI * 0.7 * t);
  expect(judge('zero-noise', [zero('coupled', () => 0.02)]).holds).toBe(true);
  expect(judge('zero-noise', [zero('coupled', hum)]).holds).toBe(true);
  const touched = judge('zero-noise', [zero('uncoupled', () => 0), zero('coupled', hand)]);
  expect(touched).toMatchObject({ holds: false, blames: 'operator', scope: 'run' });
  expect(touched.evidence).toContain('coupled');
  expect(touched.evidence).toContain('touching');
  expect(judge('zero-noise', [zero('coupled', hand)], { allowance: 1 }).holds).toBe(true);
});

const follow = answering(small, (_, change) => change);
const polarities: readonly {
  readonly what: string;
  readonly motor: number;
  readonly shaft: number;
  readonly holds: boolean;
  readonly says: string;
  /** The stand if left out. */
  readonly blames?: 'item' | 'operator';
}[] = [
  { what: 'all agree', motor: 1, shaft: 1, holds: true, says: 'agree' },
  { what: 'a weak item within 20 %', motor: 1, shaft: 0.82, holds: true, says: 'agree' },
  {
    what: 'transducer reversed',
    motor: 1,
    shaft: -1,
    holds: false,
    says: 'command and torque; current and torque disagree',
  },
  {
    what: 'motor wires reversed',
    motor: -1,
    shaft: -1,
    holds: false,
    says: 'command and current; command and torque disagree',
  },
  {
    what: 'current sensor reversed',
    motor: -1,
    shaft: 1,
    holds: false,
    says: 'command and current; current and torque disagree',
  },
  {
    what: 'half the torque',
    motor: 1,
    shaft: 0.5,
    holds: false,
    says: 'command and torque; current and torque disagree',
  },
  { what: 'dead', motor: 0, shaft: 0, holds: false, says: 'disagree' },
  {
    what: 'a quarter less torque from the right current',
    motor: 1,
    shaft: 0.75,
    holds: false,
    says: 'weak',
    blames: 'item',
  },
  {
    what: 'half as much torque again from the right current',
    motor: 1,
    shaft: 1.5,
    holds: false,
    says: 'strong',
    blames: 'item',
  },
  {
    what: 'current and torque too small alike',
    motor: 0.7,
    shaft: 0.72,
    holds: false,
    says: 'both too small alike',
    blames: 'item',
  },
  {
    what: 'current and torque too great alike',
    motor: 1.4,
    shaft: 1.35,
    holds: false,
    says: 'both too great alike',
    blames: 'item',
  },
  {
    what: 'the right torque from the current of another model',
    motor: 0.63,
    shaft: 1,
    holds: false,
    says: 'another model',
    blames: 'operator',
  },
  {
    what: 'current and torque off, each its own way',
    motor: 0.7,
    shaft: 1.4,
    holds: false,
    says: 'disagree',
  },
  {
    what: 'hardly any torque from the right current: not coupled',
    motor: 1,
    shaft: 0.1,
    holds: false,
    says: 'disagree',
  },
];

for (const { what, motor, shaft, holds, says, blames = 'stand' } of polarities) {
  test(`polarity, ${what}: ${holds ? 'holds' : 'does not hold'} and points at the ${blames}`, () => {
    const take = takeOf({
      pattern: small,
      motor: (t) => motor * follow(t),
      shaft: (t) => shaft * follow(t) + 0.15, // preload as large as it may be
      currentNoise: 0.02,
      torqueNoise: 0.002,
    });
    const gate = judge('polarity', [take]);
    expect(gate).toMatchObject({ holds, scope: 'run', blames });
    expect(gate.evidence).toContain(says);
    expect(Number.isFinite(gate.observed)).toBe(true);
  });
}

test('return to zero: 14 mN·m holds, 16 mN·m does not, counted from the coupled zero at the start', () => {
  const given = { ...context, zero: 0.012, preload: -0.08 };
  const start = -0.068;
  for (const [moved, holds] of [
    [0.014, true],
    [-0.014, true],
    [0.016, false],
    [-0.016, false],
  ] as const) {
    const gate = judge('zero-return', [zero('coupled', () => start + moved)], {}, given);
    expect(gate).toMatchObject({ holds, scope: 'run', blames: 'stand' });
    expect(gate.observed).toBeCloseTo(moved, 3);
  }
});

test('no gate holds, throws or gives NaN without channels', () => {
  const normal = normalFrom(1);
  const take = takeOf({ pattern: hold(0, 2), shaft: () => normal() });
  for (const rule of STATIC_GATES) {
    for (const channels of [{}, { torque: new Float32Array(0) }]) {
      const gate = judge(rule.id, [{ ...take, channels }]);
      expect(gate.holds).toBe(false);
      expect(Number.isFinite(gate.observed)).toBe(true);
    }
  }
});

test('the gates that forbid more torque stop the run: shunt, quiet zero and polarity', () => {
  expect(STATIC_GATES.filter((rule) => rule.stops).map((rule) => rule.id)).toEqual([
    'shunt',
    'zero-noise',
    'polarity',
  ]);
});

test('a shunt that shows on another channel is told with its name: two plugs are exchanged', () => {
  const current =
    (level: number) =>
    (take: Take): Take => ({
      ...take,
      channels: {
        ...take.channels,
        current: Float32Array.from({ length: take.expected }, (_, i) => level + 0.02 * Math.sin(i)),
      },
    });
  const off = current(0)(zero('uncoupled', () => 0.01));
  const on = zero('shunt', () => 0.01);
  expect(judge('shunt', [off, current(7.5)(on)])).toMatchObject({ holds: false, blames: 'stand' });
  expect(judge('shunt', [off, current(7.5)(on)]).evidence).toContain(
    'It shows on the channel current instead',
  );
  // Noise on another channel names nothing, and neither does one that moves with a shunt that is right.
  expect(judge('shunt', [off, current(0.1)(on)]).evidence).toContain('left on');
  const right = current(7.5)(zero('shunt', () => 5.01));
  expect(judge('shunt', [off, right]).evidence).not.toContain('instead');
});
