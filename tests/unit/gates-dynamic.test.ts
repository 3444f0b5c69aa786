import { describe, expect, test } from 'vitest';
import { second } from '../../src/base/units.js';
import type { Gate } from '../../src/capture/gate.js';
import type { Capture, Screened } from '../../src/capture/capture.js';
import { DYNAMIC_GATES } from '../../src/scoring/gates-dynamic.js';
import { slipOf } from '../../src/scoring/slip.js';
import { CALM, captureOf, contextOf, NOISY, STAND, stageOf } from '../support/linear-unit.js';
import { hold, multisine, step } from '../support/patterns.js';
import { lcgNormal } from '../support/lcg.js';

type Fit = Screened<Capture>;

const stage = stageOf(multisine());
const good = captureOf(stage, () => NOISY);

function judge(
  id: string,
  capture: Fit = good,
  context = contextOf(),
  options: Readonly<Record<string, number>> = {},
  of = stage,
): Gate {
  const rule = DYNAMIC_GATES.find((candidate) => candidate.id === id);
  if (rule === undefined) throw new Error(`no gate ${id}`);
  return rule.judge(capture, of, options, context);
}

function changed(
  capture: Fit,
  channel: 'command' | 'current' | 'torque',
  change: (value: number, n: number) => number,
): Fit {
  const [take] = capture.takes;
  const values = (take.channels[channel] ?? new Float32Array()).map(change);
  return { ...capture, takes: [{ ...take, channels: { ...take.channels, [channel]: values } }] };
}

test('a good stand and unit hold every gate of a frequency response', () => {
  for (const id of ['coherence', 'agreement', 'resonance', 'delivered']) {
    expect(judge(id), id).toMatchObject({ holds: true });
  }
  expect(judge('agreement').observed).toBeLessThan(0.5);
  expect(judge('resonance').observed).toBeLessThan(0.5);
});

test('a loose coupling, 190 Hz instead of 361 Hz, fails resonance and blames the stand', () => {
  const loose = captureOf(stage, () => ({ ...NOISY, resonance: 190 }));
  const gate = judge('resonance', loose);
  expect(gate).toMatchObject({ holds: false, blames: 'stand', scope: 'run', unit: '%' });
  expect(gate.observed).toBeCloseTo(47.4, 0);
  expect(gate.evidence).toContain('190');
  // Up to 50 Hz the two ways still agree within 2.5 %: only the resonance tells.
  expect(judge('agreement', loose).observed).toBeGreaterThan(1.5);
});

test('a resonance 4 % off is held, 6 % off is not', () => {
  const at = (resonance: number): Gate =>
    judge(
      'resonance',
      good,
      contextOf({ ...STAND, resonance: resonance as typeof STAND.resonance }),
    );
  expect(at(361 / 1.04).holds).toBe(true);
  expect(at(361 / 1.06).holds).toBe(false);
});

test('current that reads 4 % high breaks the agreement', () => {
  const gate = judge(
    'agreement',
    changed(good, 'current', (i) => 1.04 * i),
  );
  expect(gate.holds).toBe(false);
  expect(gate.observed).toBeCloseTo(3.9, 0);
});

test('a wrong delay in the stand model breaks the agreement too', () => {
  const context = contextOf({ ...STAND, torqueDelay: second(STAND.torqueDelay + 0.001) });
  expect(judge('agreement', good, context).holds).toBe(false);
});

describe('friction of the bearing', () => {
  // Torque of the shaft is short of what the motor makes by friction that slides with its motion:
  // sign of the slope over ±1 ms, without the spring of a bearing that the correction reckons with.
  const level = 0.045;
  const { torque } = good.takes[0].channels;
  const rubbing = changed(good, 'torque', (v, n) => {
    const [before, after] = [torque?.[n - 20] ?? 0, torque?.[n + 20] ?? 0];
    return v - level * Math.sign(after - before);
  });

  test('of 45 mN·m alone would break the agreement; the friction that was measured explains it', () => {
    expect(judge('agreement', rubbing).holds).toBe(false);
    const known = { ...contextOf(), friction: level };
    expect(judge('agreement', rubbing, known).holds).toBe(true);
    expect(judge('agreement', rubbing, known).observed).toBeLessThan(
      0.6 * judge('agreement', rubbing).observed,
    );
  });

  test('does not hide a current that reads 4 % high nor a delay that is 1 ms off', () => {
    const friction = 0.025;
    const high = changed(good, 'current', (i) => 1.04 * i);
    expect(judge('agreement', high, { ...contextOf(), friction }).holds).toBe(false);
    for (const off of [-0.001, 0.001]) {
      const context = contextOf({ ...STAND, torqueDelay: second(STAND.torqueDelay + off) });
      expect(judge('agreement', good, { ...context, friction }).holds).toBe(false);
    }
  });

  test('springs for 0.1 N·m after a reversal, then slides', () => {
    // ±1 N·m in 40 samples of 0.1 N·m, twice.
    const torque = Float64Array.from({ length: 80 }, (_, i) => {
      const k = i % 40;
      return (k <= 20 ? k - 10 : 30 - k) / 10;
    });
    const slip = slipOf(torque, { start: 0, period: 40, periods: 2 });
    for (let k = 0; k < 40; k++) {
      const want = k === 0 || (k > 20 && k < 40) ? -1 : 1;
      expect(slip[k], String(k)).toBeCloseTo(want, 9);
    }
    const slow = Float64Array.from({ length: 400 }, (_, i) => (i <= 200 ? i - 100 : 300 - i) / 100);
    const fine = slipOf(slow, { start: 0, period: 400, periods: 1 });
    expect(fine[5]).toBeCloseTo(0, 9); // half way of the 0.1 N·m, rising by 0.01 each sample
    expect(fine[10]).toBeCloseTo(1, 9);
    expect(fine[205]).toBeCloseTo(0, 9);
  });
});

test('noise on the transducer breaks coherence; the evidence says where', () => {
  const noise = lcgNormal(9);
  const gate = judge(
    'coherence',
    changed(good, 'torque', (v) => v + 6 * noise()),
  );
  expect(gate).toMatchObject({ holds: false, blames: 'stand', scope: 'stage' });
  expect(gate.observed).toBeLessThan(0.95);
  expect(gate.evidence).toMatch(/transducer torque .* Hz/u);
});

test('too few periods do not vouch for coherence, however near to 1 it comes out', () => {
  const few = stageOf(multisine({ periods: 6 }));
  const capture = captureOf(few, () => CALM);
  const gate = judge('coherence', capture, contextOf(), {}, few);
  expect(gate.holds).toBe(false);
  expect(gate.evidence).toContain('4 periods');
  expect(judge('coherence', capture, contextOf(), { averages: 4 }, few).holds).toBe(true);
});

test('a stage that a gate cannot judge does not hold it', () => {
  const other = stageOf(hold(0, 4));
  const capture = captureOf(other, () => CALM);
  for (const id of ['coherence', 'agreement', 'resonance']) {
    const gate = judge(id, capture, contextOf(), {}, other);
    expect(gate.holds, id).toBe(false);
    expect(gate.evidence).toContain('Not judged');
  }
});

const resting = stageOf(hold(0, 4), [2], 'off');

for (const [frequency, amplitude, holds] of [
  [50, 0.0005, true],
  [50, 0.008, false],
  [49.9, 0.0033, false],
  [50.1, 0.0027, true],
  [60, 0.008, false],
  [150, 0.008, false],
  [75, 0.008, true],
] as const) {
  test(`hum of ${amplitude * 1000} mN·m at ${frequency} Hz ${holds ? 'is let through' : 'is stopped'}`, () => {
    const capture = captureOf(resting, () => ({
      ...NOISY,
      zero: 0.4,
      hum: { amplitude, frequency },
    }));
    const gate = judge('hum', capture, contextOf(), {}, resting);
    expect(gate).toMatchObject({ holds, blames: 'stand', unit: 'mN·m', allowed: 3 });
    if (!holds) expect(gate.observed / (amplitude * 1000)).toBeCloseTo(1, 1);
  });
}

test('a hold too short for hum does not hold the gate', () => {
  const short = stageOf(hold(0, 1), [2], 'off');
  const gate = judge(
    'hum',
    captureOf(short, () => CALM),
    contextOf(),
    {},
    short,
  );
  expect(gate.holds).toBe(false);
  expect(gate.evidence).toContain('2 s');
});

const stepping = stageOf(step([-3, 3], { hold: 0.06, repeat: 10 }));

test('steps are delivered although clocks differ by 60 ppm and edges by a sample', () => {
  for (const skew of [0, 60e-6, -60e-6]) {
    const capture = captureOf(stepping, () => ({ ...CALM, skew }));
    expect(judge('delivered', capture, contextOf(), {}, stepping).observed).toBeLessThan(0.1);
  }
  const long = captureOf(stage, () => ({ ...CALM, skew: 60e-6 }));
  expect(judge('delivered', long).holds).toBe(true);
});

test('a burst of lost updates, a wrong scale and a missing channel are not delivered', () => {
  let kept = 0;
  const lost = changed(good, 'command', (value, n) => {
    if (n < 100_000 || n >= 100_600) kept = value;
    return kept;
  });
  expect(judge('delivered', lost)).toMatchObject({ holds: false, blames: 'link', scope: 'stage' });
  const scaled = judge(
    'delivered',
    changed(good, 'command', (value) => 1.02 * value),
  );
  expect(scaled.observed).toBeCloseTo(2, 1);
  const [take] = good.takes;
  const { torque, current } = take.channels;
  const bare = { ...good, takes: [{ ...take, channels: { torque, current } }] } as unknown as Fit;
  expect(judge('delivered', bare).evidence).toContain('no command channel');
});

test('of several takes the worst is told', () => {
  const twice = stageOf(hold(0, 4), [2, 2], 'off');
  const capture = captureOf(twice, (_, index) => ({
    ...CALM,
    hum: { amplitude: index * 0.006, frequency: 50 },
  }));
  expect(judge('hum', capture, contextOf(), {}, twice).observed).toBeCloseTo(6, 1);
});
