import { expect, test } from 'vitest';
import type { StepPattern } from '../../src/procedure/procedure.js';
import type { Characteristic, Context, Outcome } from '../../src/scoring/scoring.js';
import { STEPS } from '../../src/scoring/steps.js';
import {
  answering,
  captureOf,
  context,
  hold,
  type Making,
  reasonOf,
  slewed,
  stageOf,
  steps,
  takeOf,
  valueOf,
} from '../support/made-capture.js';

function find(id: string): Characteristic {
  const found = STEPS.find((entry) => entry.id === id);
  if (found === undefined) throw new Error(`no characteristic ${id}`);
  return found;
}

function score(id: string, making: Making, options = {}, given: Context = context): Outcome {
  const stage = stageOf(making.pattern, options);
  const [reading] = stage.reads;
  if (reading === undefined) throw new Error('no reading');
  return find(id).score(captureOf(takeOf(making)), stage, reading, given);
}

const NOISE = { currentNoise: 0.02, torqueNoise: 0.002 };
const small = steps([0, 3, 0, -3], 0.06, 5);
const good = (pattern: StepPattern, dead = 0.0006): Making => ({
  pattern,
  motor: answering(pattern, slewed(6000, 0.0002, dead)),
  ...NOISE,
});

/** Two poles after a dead time, unit step. */
const ring =
  (frequency: number, damping: number) =>
  (time: number, change: number): number => {
    const [w, root] = [2 * Math.PI * frequency, Math.sqrt(1 - damping * damping)];
    const wave = Math.cos(w * root * time) + (damping / root) * Math.sin(w * root * time);
    return change * (1 - Math.exp(-damping * w * time) * wave);
  };

for (const dead of [0.0006, 0.0016]) {
  test(`dead time ${dead * 1000} ms is read within 0.01 ms through 20 mA of noise`, () => {
    const errors = [1, 2, 3, 4].map(
      (seed) => valueOf(score('dead-time', { ...good(small, dead), seed })) - dead,
    );
    for (const error of errors) expect(Math.abs(error)).toBeLessThan(0.00001);
  });
}

test('dead time without a slew limit is read 0.014 ms early, as documented', () => {
  const lag = 0.0002;
  const motor = answering(small, (t, change) =>
    t < 0.0006 ? 0 : -change * Math.expm1(-(t - 0.0006) / lag),
  );
  const error = valueOf(score('dead-time', { pattern: small, motor })) - 0.0006;
  expect(Math.abs(error + 0.000014)).toBeLessThan(0.000003);
});

test('dead time is not read under smoothing, which hides the departure', () => {
  const outcome = score('dead-time', {
    ...good(small),
    settings: { smoothing: 2, fixture: 'coupled' },
  });
  expect(reasonOf(outcome)).toContain('Smoothing 2');
});

test('rise time of a slew-limited 3 N·m step: within 0.01 ms, half of what interpolation is budgeted, with its spread', () => {
  // Time between the levels of s·(t + τ·expm1(−t/τ)) limited at 0.5 ms, found by bisection here.
  const y = (t: number): number => slewed(6000, 0.0002, 0)(t, 3);
  const when = (level: number): number => {
    let [a, b] = [0, 0.01];
    for (let k = 0; k < 60; k++)
      [a, b] = y((a + b) / 2) < level ? [(a + b) / 2, b] : [a, (a + b) / 2];
    return a;
  };
  const outcome = score('rise-time', good(small));
  expect(Math.abs(valueOf(outcome) - (when(2.7) - when(0.3)))).toBeLessThan(0.00001);
  if (outcome.kind !== 'measured') throw new Error('not measured');
  expect(outcome.repeats).toBe(19);
  expect(outcome.spread).toBeGreaterThan(0);
  expect(outcome.spread).toBeLessThan(0.00002);
});

test('rise time carries the averaged edge from −1 ms to 10 ms, marked at 10 % and 90 %', () => {
  const outcome = score('rise-time', good(small));
  if (outcome.kind !== 'measured' || outcome.evidence?.kind !== 'transition')
    throw new Error('no evidence');
  const { time, torque, command, marks } = outcome.evidence;
  expect(time[0]).toBeCloseTo(-0.001, 4);
  expect(time.at(-1)).toBeCloseTo(0.01, 4);
  expect(torque.length).toBe(time.length);
  expect(command.at(-1)).toBeCloseTo(3, 6);
  expect(torque.at(-1)).toBeCloseTo(3, 1);
  expect(marks.map((mark) => mark.share)).toEqual([0.1, 0.9]);
  expect(marks[0]?.torque).toBeCloseTo(0.3, 1);
});

test('a transition of fewer than five samples is not timed', () => {
  const motor = answering(small, (_, change) => change);
  expect(reasonOf(score('rise-time', { pattern: small, motor }))).toContain('samples');
});

test('79 % on the transducer, none at the motor: overshoot grades the item, not the coupling', () => {
  const pattern = steps([0, 3, 0, -3], 0.06, 2);
  const [w, damping] = [2 * Math.PI * 361, 0.03];
  const wd = w * Math.sqrt(1 - damping * damping);
  // Two poles answer a unit ramp by the integral of their step response.
  const ramp = (t: number): number => {
    if (t <= 0) return 0;
    const wave =
      2 * damping * Math.cos(wd * t) + ((2 * damping ** 2 - 1) * w * Math.sin(wd * t)) / wd;
    return t - (2 * damping) / w + (Math.exp(-damping * w * t) * wave) / w;
  };
  const shaft = answering(pattern, (t, change) => {
    const since = t - 0.0006;
    return Math.sign(change) * 6000 * (ramp(since) - ramp(since - Math.abs(change) / 6000));
  });
  const making = { ...good(pattern), shaft };
  const first = Math.max(...(takeOf(making).channels.torque?.subarray(1200, 1300) ?? []));
  expect(first / 3 - 1).toBeGreaterThan(0.75);
  const value = valueOf(score('overshoot', making));
  expect(Math.abs(value)).toBeLessThan(0.005);
});

test('overshoot of a current loop with damping 0.25 is 44.4 % of the change, within 1 %', () => {
  const motor = answering(small, (t, change) =>
    t < 0.0006 ? 0 : ring(800, 0.25)(t - 0.0006, change),
  );
  const want = Math.exp((-Math.PI * 0.25) / Math.sqrt(1 - 0.0625));
  expect(
    Math.abs(valueOf(score('overshoot', { pattern: small, motor, ...NOISE })) - want),
  ).toBeLessThan(0.01);
});

test('overshoot of a good item does not grow with the length of the hold', () => {
  const values = [0.04, 0.16].map((seconds) =>
    valueOf(score('overshoot', good(steps([0, 3, 0, -3], seconds, 3)))),
  );
  for (const value of values) expect(value).toBeLessThan(0.004);
});

test('a shaped step leaves the stand calm enough; an abrupt one is not evaluated', () => {
  const shaped = steps([0, 3], 0.06, 5, 0.004);
  const shape = (t: number): number =>
    t <= 0 ? 0 : t >= 0.004 ? 1 : 0.5 - 0.5 * Math.cos((Math.PI * t) / 0.004);
  const shaft = answering(
    shaped,
    (t, change) => change * shape(t - 0.001) * 1.04 - 0.04 * change * shape(t - 0.006),
  );
  const outcome = score('shaft-overshoot', { pattern: shaped, shaft, ...NOISE });
  expect(Math.abs(valueOf(outcome) - 0.04)).toBeLessThan(0.003);
  const abrupt = steps([0, 3], 0.06, 5);
  const answer = score('shaft-overshoot', {
    pattern: abrupt,
    shaft: answering(abrupt, (_, c) => c),
    ...NOISE,
  });
  expect(reasonOf(answer)).toContain('ringing');
});

test('settling time of a first-order lag of 1 ms after 0.6 ms: 0.6 + ln 50 ms, counted from the command', () => {
  const motor = answering(small, (t, change) =>
    t < 0.0006 ? 0 : -change * Math.expm1(-(t - 0.0006) / 0.001),
  );
  const outcome = score('settling-time', { pattern: small, motor, ...NOISE });
  expect(Math.abs(valueOf(outcome) - (0.0006 + 0.001 * Math.log(50)))).toBeLessThan(0.00015);
  if (outcome.kind !== 'measured' || outcome.evidence?.kind !== 'transition')
    throw new Error('no evidence');
  expect(outcome.evidence.band?.upper).toBeCloseTo(3.06, 1);
  const wide = score('settling-time', { pattern: small, motor, ...NOISE }, { band: 0.05 });
  expect(valueOf(wide)).toBeLessThan(valueOf(outcome));
});

test('settling is not evaluated when noise fills the band', () => {
  const outcome = score('settling-time', { ...good(small), currentNoise: 1 });
  expect(reasonOf(outcome)).toContain('noise');
});

const full = steps([-12, 12], 0.06, 3);

for (const slew of [6000, 3000]) {
  test(`a slew limit of ${slew / 1000} N·m/ms is read within 0.5 % off the largest step`, () => {
    const motor = answering(full, slewed(slew, 0.0002, 0.0006));
    const outcome = score('slew-rate', { pattern: full, motor, ...NOISE });
    expect(Math.abs(valueOf(outcome) / slew - 1)).toBeLessThan(0.005);
    if (outcome.kind !== 'measured' || outcome.evidence?.kind !== 'transition')
      throw new Error('no evidence');
    expect(outcome.evidence.torque[0]).toBeCloseTo(-12, 0);
    expect(outcome.evidence.marks.map((mark) => mark.share)).toEqual([0.2, 0.8]);
  });
}

test('the largest difference of two samples would add more than 0.8 N·m/ms of noise to the slew', () => {
  const { current } = takeOf({
    pattern: full,
    motor: answering(full, slewed(6000, 0.0002, 0.0006)),
    ...NOISE,
  }).channels;
  let most = 0;
  for (let i = 1; i < (current?.length ?? 0); i++) {
    most = Math.max(most, ((current?.[i] ?? 0) - (current?.[i - 1] ?? 0)) * 0.6 * 20);
  }
  expect(most).toBeGreaterThan(6.8);
});

test('small steps rise alike, large ones in proportion to their size', () => {
  const rise = (size: number): number => {
    const pattern = steps([0, size, 0, -size], 0.06, 3);
    return valueOf(
      score('rise-time', { pattern, motor: answering(pattern, slewed(6000, 0.0002, 0.0006)) }),
    );
  };
  expect(rise(0.6) / rise(0.3)).toBeLessThan(1.03);
  expect(rise(12) / rise(6)).toBeGreaterThan(1.7);
});

test('edges a fraction of a sample off the grid are aligned by the command alone', () => {
  const making = good(small);
  const take = takeOf(making);
  const late = 0.37; // of a sample: the converter's clock started later than the item's
  const shift = (samples: Float32Array): Float32Array =>
    samples.map((v, i) => v + late * ((samples[i - 1] ?? v) - v));
  const { command = new Float32Array(), current = new Float32Array() } = take.channels;
  const moved = {
    ...take,
    channels: { ...take.channels, command: shift(command), current: shift(current) },
  };
  const stage = stageOf(small);
  const [reading] = stage.reads;
  if (reading === undefined) throw new Error('no reading');
  const read = (of: typeof take): number =>
    valueOf(find('rise-time').score(captureOf(of), stage, reading, context));
  expect(Math.abs(read(moved) - read(take))).toBeLessThan(0.00001);
});

test('odd captures give reasons: no step pattern, no channel, no edge, no answer, short take', () => {
  const take = takeOf(good(small));
  const { command, current } = take.channels;
  const stage = stageOf(small);
  const [reading] = stage.reads;
  if (reading === undefined) throw new Error('no reading');
  const empty = new Float32Array(0);
  const still = new Float32Array(take.expected);
  const cases = [
    { channels: take.channels, stage: stageOf(hold(1, 1)), says: 'no step pattern' },
    { channels: { command: command ?? empty }, stage, says: 'no channel current' },
    { channels: { command: still, current: current ?? empty }, stage, says: 'edges' },
    {
      channels: { command: command ?? empty, current: still },
      stage,
      says: 'the torque changed by 0',
    },
    { channels: { command: empty, current: empty }, stage, says: 'edges' },
  ];
  for (const { channels, stage: of, says } of cases) {
    for (const entry of STEPS.filter((candidate) => candidate.side === 'motor')) {
      const outcome = entry.score(captureOf({ ...take, channels }), of, reading, context);
      expect(reasonOf(outcome)).toContain(says);
    }
  }
});
