import { describe, expect, test } from 'vitest';
import { second } from '../../src/base/units.js';
import type { Take } from '../../src/capture/capture.js';
import { edgeDelays, TIMING, TIMING_GATES } from '../../src/scoring/timing.js';
import { lcgNormal } from '../support/lcg.js';
import {
  captureOf,
  context,
  hold,
  RATE,
  reasonOf,
  stageOf,
  takeOf,
  valueOf,
} from '../support/made-capture.js';

const SECONDS = 3;
const stage = stageOf(hold(0, SECONDS), {}, 'off');
const [reading] = stage.reads;
if (reading === undefined) throw new Error('a stage that reads nothing');

/** Unit step response of a channel after its pure delay, s. */
type Chain = (time: number) => number;
const straight: Chain = (t) => (t < 0 ? 0 : 1);
/** One pole: its phase at low frequency is that of a delay of its time constant. */
const pole =
  (constant: number): Chain =>
  (t) =>
    t <= 0 ? 0 : -Math.expm1(-t / constant);

interface Edges {
  readonly torque: Chain;
  readonly torqueDelay: number;
  readonly currentDelay: number;
  readonly shunt?: number;
  readonly noise?: number;
}

/** Edges every 100 ms, each elsewhere in its sample; samples are means over their period. */
function edgesTake({ torque, torqueDelay, currentDelay, shunt = 5, noise = 0 }: Edges): Take {
  const at = (k: number): number => 0.1 * k + ((k * 0.317) % 1) / RATE;
  const signal =
    (chain: Chain, delay: number) =>
    (t: number): number => {
      const k = Math.floor(t / 0.1);
      let sum = 0;
      for (let i = Math.max(1, k - 1); i <= k + 1; i++) {
        if (t < at(i) - 0.05) continue;
        sum += (i % 2 === 1 ? 1 : -1) * chain(t - delay - at(i));
      }
      // Edges before the last two have settled: one more of them is up than down when k is even.
      return sum + (k - 2 >= 1 && (k - 2) % 2 === 1 ? 1 : 0);
    };
  const normal = lcgNormal(5);
  const sampled = (of: (t: number) => number, sigma: number): Float32Array =>
    Float32Array.from({ length: SECONDS * RATE }, (_, n) => {
      // Parts of a sample: away from the edges nothing moves.
      const fine = (n / RATE) % 0.1 < 0.004 ? 64 : 1;
      let sum = 0;
      for (let j = 0; j < fine; j++) sum += of((n + (j + 0.5) / fine) / RATE) / fine;
      return sum + (sigma > 0 ? sigma * normal() : 0);
    });
  const made = takeOf({ pattern: hold(0, SECONDS), settings: { smoothing: 0, fixture: 'timing' } });
  return {
    ...made,
    channels: {
      ...made.channels,
      command: sampled(signal(straight, 0), 0),
      current: sampled(signal(straight, currentDelay), 10 * noise),
      torque: sampled((t) => 0.02 + shunt * signal(torque, torqueDelay)(t), noise),
    },
  };
}

const score = (id: string, take: Take): ReturnType<(typeof TIMING)[number]['score']> => {
  const found = TIMING.find((entry) => entry.id === id);
  if (found === undefined) throw new Error(`no ${id}`);
  return found.score(captureOf(take), stage, reading, context);
};

const CHAINS = [
  { name: 'nothing but a delay', torque: straight, delay: 0.34e-3, lag: 0 },
  { name: 'a delay of 7.3 samples', torque: straight, delay: 0.365e-3, lag: 0 },
  { name: 'a pole of 0.1 ms after 0.24 ms', torque: pole(1e-4), delay: 0.24e-3, lag: 1e-4 },
];

for (const { name, torque, delay, lag } of CHAINS) {
  test(`a torque channel with ${name} is late by ${(delay + lag) * 1000} ms within 1 µs`, () => {
    const take = edgesTake({ torque, torqueDelay: delay, currentDelay: 0.05e-3 });
    expect(Math.abs(valueOf(score('torque-delay', take)) - delay - lag)).toBeLessThan(1e-6);
    expect(Math.abs(valueOf(score('current-delay', take)) - 0.05e-3)).toBeLessThan(1e-6);
  });
}

test('with 2 mN·m and 20 mA of noise both delays are within 5 µs, with their spread over 29 edges', () => {
  const take = edgesTake({
    torque: straight,
    torqueDelay: 0.34e-3,
    currentDelay: 0,
    noise: 0.002,
  });
  const torque = score('torque-delay', take);
  const current = score('current-delay', take);
  expect(Math.abs(valueOf(torque) - 0.34e-3)).toBeLessThan(5e-6);
  expect(Math.abs(valueOf(current))).toBeLessThan(5e-6);
  expect(current).toMatchObject({ repeats: 29 });
  expect(current.kind === 'measured' && current.spread).toBeGreaterThan(1e-6);
});

test('a shunt that pulls the reading down has the same delay', () => {
  const take = edgesTake({ torque: straight, torqueDelay: 0.34e-3, currentDelay: 0, shunt: -5 });
  expect(Math.abs(valueOf(score('torque-delay', take)) - 0.34e-3)).toBeLessThan(1e-6);
});

describe('refusals', () => {
  const good = edgesTake({ torque: straight, torqueDelay: 0.34e-3, currentDelay: 0 });
  test('a take of another fixture', () => {
    const coupled: Take = { ...good, settings: { smoothing: 0, fixture: 'coupled' } };
    expect(reasonOf(score('torque-delay', coupled))).toContain('fixture "timing"');
  });
  test('a torque channel that does not follow', () => {
    const dead: Take = {
      ...good,
      channels: { ...good.channels, torque: new Float32Array(good.expected).fill(0.1) },
    };
    expect(reasonOf(score('torque-delay', dead))).toContain('does not follow the test edges');
  });
  test('a command channel without edges', () => {
    const flat: Take = {
      ...good,
      channels: { ...good.channels, command: new Float32Array(good.expected) },
    };
    expect(reasonOf(score('torque-delay', flat))).toContain('shows 0 test edges');
  });
  test('a missing channel', () => {
    const found = edgeDelays({ ...good, channels: {} }, 'torque', 5);
    expect(found).toMatchObject({ kind: 'not-evaluated' });
  });
});

describe('gate on the delays', () => {
  const [rule] = TIMING_GATES;
  const judged = (
    torqueDelay: number,
    currentDelay = 0,
  ): ReturnType<NonNullable<typeof rule>['judge']> => {
    if (rule === undefined) throw new Error('no gate');
    const take = edgesTake({ torque: straight, torqueDelay, currentDelay });
    return rule.judge(captureOf(take), stage, {}, context);
  };
  test('0.09 ms from the stand model is held', () => {
    const gate = judged(0.43e-3);
    expect(gate).toMatchObject({ holds: true, unit: 'ms', allowed: 0.1, reach: 'dependents' });
    expect(gate.observed).toBeCloseTo(0.09, 3);
  });
  test('0.11 ms is not, blames the stand and says both delays', () => {
    const gate = judged(0.45e-3);
    expect(gate).toMatchObject({ id: 'timing', holds: false, blames: 'stand', concern: 'clock' });
    expect(gate.evidence).toMatch(/torque channel is late by 0\.45.* stand model says 0\.34/u);
  });
  test('a late current channel counts as well', () => {
    const gate = judged(0.34e-3, 0.15e-3);
    expect(gate.holds).toBe(false);
    expect(gate.evidence).toContain('current channel');
  });
  test('a take without edges is not judged and does not hold', () => {
    if (rule === undefined) throw new Error('no gate');
    const take = takeOf({ pattern: hold(0, 1), settings: { smoothing: 0, fixture: 'timing' } });
    expect(rule.judge(captureOf(take), stage, {}, context)).toMatchObject({ holds: false });
  });
  test('a shift of the stand model moves the finding, not the delay', () => {
    if (rule === undefined) throw new Error('no gate');
    const stand = { ...context.stand, torqueDelay: second(0.6e-3) };
    const take = edgesTake({ torque: straight, torqueDelay: 0.34e-3, currentDelay: 0 });
    const gate = rule.judge(captureOf(take), stage, {}, { ...context, stand });
    expect(gate.observed).toBeCloseTo(0.26, 3);
  });
});
