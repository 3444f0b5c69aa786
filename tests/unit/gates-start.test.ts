import { describe, expect, test } from 'vitest';
import type { Gate } from '../../src/capture/gate.js';
import type { Fixture } from '../../src/procedure/procedure.js';
import type { Context } from '../../src/scoring/scoring.js';
import { START_GATES } from '../../src/scoring/gates-start.js';
import { captureOf, context, hold, stageOf, takeOf } from '../support/made-capture.js';

const stage = stageOf(hold(0, 2), {}, 'off');

function judged(
  id: string,
  takes: readonly ReturnType<typeof takeOf>[],
  known: Context = context,
): Gate {
  const rule = START_GATES.find((entry) => entry.id === id);
  const [first, ...others] = takes;
  if (rule === undefined || first === undefined) throw new Error(`no gate ${id}`);
  return rule.judge(captureOf(first, ...others), stage, {}, known);
}

const zero = (shaft: (t: number) => number, fixture: Fixture = 'coupled', noise = 0.002) =>
  takeOf({ pattern: hold(0, 2), shaft, torqueNoise: noise, settings: { smoothing: 0, fixture } });
const still = zero(() => 0.01, 'uncoupled');

describe('hands off', () => {
  test('a quiet zero holds, hum of 50 Hz and a drift of 40 mN·m/min with it', () => {
    const humming = zero((t) => 0.02 * Math.sin(2 * Math.PI * 50 * t) + (0.04 / 60) * t);
    expect(judged('steady-hand', [still, zero(() => 0.02)])).toMatchObject({ holds: true });
    expect(judged('steady-hand', [still, humming])).toMatchObject({ holds: true });
  });
  test('a hand of 0.3 N·m that moves once a second does not, and blames the operator', () => {
    const gate = judged('steady-hand', [still, zero((t) => 0.3 * Math.sin(2 * Math.PI * t))]);
    expect(gate).toMatchObject({ holds: false, blames: 'operator', scope: 'run', reach: 'run' });
    // Means over a tenth of the cycle: 0.3/√2 · sin(0.1π)/(0.1π) = 0.2087 N·m.
    expect(gate.observed / 208.7).toBeCloseTo(1, 1);
    expect(gate.evidence).toMatch(/coupled zero wanders.*let go of it/u);
  });
  test('a push that grows by 0.3 N·m in two seconds is no drift', () => {
    expect(judged('steady-hand', [still, zero((t) => 0.15 * t)]).holds).toBe(false);
  });
  test('noise ten times as strong is not taken for a hand', () => {
    const loud = zero(() => 0, 'coupled', 0.05);
    expect(judged('steady-hand', [loud])).toMatchObject({ holds: true });
  });
  test('takes with the shunt on do not count, and without any zero nothing is judged', () => {
    expect(judged('steady-hand', [zero(() => 5, 'shunt')])).toMatchObject({ holds: false });
    expect(judged('steady-hand', [zero(() => 5, 'shunt')]).evidence).toContain('Not judged');
  });
});

describe('item at room temperature', () => {
  const at = (winding: number, ambient?: number): Gate =>
    judged(
      'item-cool',
      [takeOf({ pattern: hold(0, 1), winding: () => winding })],
      ambient === undefined ? context : { ...context, ambient },
    );
  for (const [winding, ambient, holds, observed] of [
    [24, 23, true, 1],
    [33, 23, true, 10],
    [33.2, 23, false, 10.2],
    [12, 23, false, 11],
    [45, undefined, false, 17],
    [37, undefined, true, 9],
    [20, undefined, true, 0],
  ] as const) {
    test(`a winding at ${winding} °C in a room at ${ambient ?? '18 to 28'} °C ${holds ? 'holds' : 'does not hold'}`, () => {
      const gate = at(winding, ambient);
      expect(gate).toMatchObject({ holds, unit: 'K', blames: 'operator', concern: 'environment' });
      expect(gate.observed).toBeCloseTo(observed, 4);
    });
  }
  test('a hot item is told to cool down', () => {
    expect(at(45, 23).evidence).toMatch(/at 45 °C.*22 K apart.*cool down/u);
  });
});
