import { describe, expect, test } from 'vitest';
import { newtonMetre, second } from '../../src/base/units.js';
import type { Take } from '../../src/capture/capture.js';
import type { Pattern } from '../../src/procedure/procedure.js';
import { SILENCE } from '../../src/scoring/silence.js';
import {
  captureOf,
  context,
  hold,
  reasonOf,
  stageOf,
  takeOf,
  valueOf,
} from '../support/made-capture.js';

const silence = (level = 3): Extract<Pattern, { kind: 'silence' }> => ({
  kind: 'silence',
  level: newtonMetre(level),
  before: second(0.3),
  silent: second(0.3),
  after: second(0.2),
});
/** The first level is a step from zero, as a take begins at rest. */
const pattern = (level = 3): Pattern => ({ kind: 'list', parts: [hold(0, 0.1), silence(level)] });
const START = 0.1;
const LAST = START + 0.3 - 0.001; // s: the last of 300 updates a millisecond apart

/** Torque that falls along a line of `fall` s, `after` s after the last update. */
function falling(after: number, fall: number, level = 3): Take {
  const begins = LAST + after;
  return takeOf({
    pattern: pattern(level),
    motor: (t) => {
      if (t < START || t > START + 0.6) return 0;
      return level * Math.min(1, Math.max(0, 1 - (t - begins) / fall));
    },
    currentNoise: 0.02,
  });
}

const [entry] = SILENCE;
if (entry === undefined) throw new Error('an empty list');
const stage = stageOf(pattern());
const [reading] = stage.reads;
if (reading === undefined) throw new Error('a stage that reads nothing');
const score = (
  take: Take,
  of = stage,
  more: readonly Take[] = [],
): ReturnType<typeof entry.score> => entry.score(captureOf(take, ...more), of, reading, context);

describe('reaction to loss of commands', () => {
  for (const [after, fall] of [
    [0.1, 0.01],
    [0.1, 0.002],
    [0.052, 0.02],
  ] as const) {
    test(`torque that falls within ${fall * 1000} ms, ${after * 1000} ms after the last update, is below 5 % at 95 % of the fall`, () => {
      expect(Math.abs(valueOf(score(falling(after, fall))) - after - 0.95 * fall)).toBeLessThan(
        6e-5,
      );
    });
  }

  test('a torque against the direction counts alike', () => {
    const found = valueOf(score(falling(0.1, 0.01, -3), stageOf(pattern(-3))));
    expect(Math.abs(found - 0.1095)).toBeLessThan(6e-5);
  });

  test('of two takes the slower counts', () => {
    const found = score(falling(0.1, 0.01), stage, [falling(0.13, 0.01)]);
    expect(valueOf(found)).toBeCloseTo(0.1395, 4);
    expect(found).toMatchObject({ repeats: 2 });
  });

  test('torque that stays gives the silence as a lower bound, so that a limit below it rejects', () => {
    const found = score(falling(9, 1));
    expect(found).toMatchObject({ kind: 'measured', bound: 'at-least' });
    expect(valueOf(found)).toBeCloseTo(0.301, 6);
  });

  test('torque that returns for a moment has not left for good', () => {
    const good = falling(0.1, 0.01);
    const current = good.channels.current?.slice() ?? new Float32Array();
    const at = Math.round((LAST + 0.2) * good.rate);
    current.fill(1, at, at + 200); // 0.6 N·m for 10 ms
    const take = { ...good, channels: { ...good.channels, current } };
    expect(valueOf(score(take))).toBeCloseTo(0.21, 3);
  });

  test('the delay of the current channel comes from the stand model', () => {
    const stand = { ...context.stand, currentDelay: second(0.001) };
    const found = entry.score(captureOf(falling(0.1, 0.01)), stage, reading, { ...context, stand });
    expect(valueOf(found)).toBeCloseTo(0.1085, 4);
  });
});

describe('refusals', () => {
  test('lost updates besides the silence', () => {
    const take = falling(0.1, 0.01);
    const lossy = { ...take, device: { ...take.device, missing: 2 } };
    expect(reasonOf(score(lossy))).toContain('2 updates were lost besides');
  });
  test('a level that was never there', () => {
    const none = takeOf({ pattern: pattern(), motor: () => 0.1 });
    expect(reasonOf(score(none))).toContain('nothing to lose');
  });
  test('no step to count from', () => {
    const flat: Pattern = { kind: 'list', parts: [hold(3, 0.1), silence()] };
    const take = takeOf({ pattern: flat, motor: () => 3 });
    expect(reasonOf(score(take, stageOf(flat)))).toContain('must begin with a step');
  });
  test('silence at zero', () => {
    const take = takeOf({ pattern: pattern(0) });
    expect(reasonOf(score(take, stageOf(pattern(0))))).toContain('zero torque');
  });
});
