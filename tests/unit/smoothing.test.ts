import { expect, test } from 'vitest';
import { hertz, second } from '../../src/base/units.js';
import { fitShape } from '../../src/scoring/delay.js';
import { readGrain } from '../../src/scoring/grain.js';
import { periodicPart } from '../../src/scoring/lag.js';
import { SMOOTHING } from '../../src/scoring/smoothing.js';
import type { Outcome } from '../../src/scoring/scoring.js';
import { ageWhileHeld } from '../../src/scoring/tracking.js';
import {
  CALM,
  captureOf,
  contextOf,
  NOISY,
  readingOf,
  SETTINGS,
  STAND,
  stageOf,
  trueLag,
  type LinearUnit,
} from '../support/linear-unit.js';
import { lcgNormal } from '../support/lcg.js';
import { multisine, ramp, recorded, sine, staircase } from '../support/patterns.js';

const SWEEP = staircase(100, sine(6, 1, 2.2));
const stage = stageOf(SWEEP, [0, 1, 2, 3, 4, 5]);
const atSetting =
  (unit: LinearUnit, table: readonly (number | undefined)[] = SETTINGS) =>
  (setting: number): LinearUnit => ({ ...unit, smoothing: table[setting] });
const calm = captureOf(stage, atSetting(CALM));
const noisy = captureOf(stage, atSetting(NOISY));

function score(
  id: string,
  capture = noisy,
  options: Readonly<Record<string, number>> = {},
  context = contextOf(),
  of = stage,
): Outcome {
  const found = SMOOTHING.find((characteristic) => characteristic.id === id);
  if (found === undefined) throw new Error(`no characteristic ${id}`);
  return found.score(capture, of, readingOf(id, options), context);
}

function valueOf(outcome: Outcome): number {
  if (outcome.kind !== 'measured') throw new Error(outcome.reason);
  return outcome.value;
}

/**
 * Grain of a sine of 6 N·m and 1 Hz held at 100 Hz, from the amplitudes of its lines: mN·m rms.
 * Source: the closed form of a held sine; the same numbers to two digits as in the trade: 72, 62,
 * 50, 30, 12, 3.5.
 */
function trueGrain(smoothing: number | undefined): number {
  let power = 0;
  for (let k = 1; k <= 200; k++) {
    for (const side of [-1, 1]) {
      const f = 100 * k + side;
      const held = (6 * Math.sin(Math.PI / 100)) / (Math.PI * (f / 100));
      const gain = 1 / Math.hypot(1, f / 800) / (1 + (f / (smoothing ?? Infinity)) ** 2);
      const kept = 1 - 1 / (1 + (f / 50) ** 8);
      power += (held * gain * kept) ** 2 / 2;
    }
  }
  return 1000 * Math.sqrt(power);
}

for (const [setting, wanted] of [72, 62, 50, 30, 12, 3.5].entries()) {
  const smoothing = SETTINGS[setting];
  const truth = trueGrain(smoothing);
  test(`setting ${setting}: grain ${wanted} mN·m, within 1 % without noise and 3 % with`, () => {
    expect(Math.abs(truth - wanted) / wanted).toBeLessThan(0.01);
    const quiet = 1000 * valueOf(score('grain', calm, { smoothing: setting }));
    expect(Math.abs(quiet / truth - 1)).toBeLessThan(0.01);
    const heard = 1000 * valueOf(score('grain', noisy, { smoothing: setting }));
    // 20 mA of white noise over 2 s scatter any reading of a line by 0.06 mN·m: 1.7 % of 3.5.
    expect(Math.abs(heard - truth)).toBeLessThan(Math.max(0.03 * truth, 0.2));
  });

  test(`setting ${setting}: lag within 10 µs of ${trueLag({ ...CALM, smoothing })} s`, () => {
    const lag = valueOf(score('lag', noisy, { smoothing: setting }));
    expect(Math.abs(lag - trueLag({ ...CALM, smoothing }))).toBeLessThan(1e-5);
  });
}

test('the least grain is read without bias: 3 % on the mean of 20 records with noise', () => {
  const take = calm.takes.find(({ settings }) => settings.smoothing === 5);
  const part = take === undefined ? undefined : periodicPart(take, stage);
  if (take === undefined || part === undefined || 'kind' in part) throw new Error('no part');
  const current = Float64Array.from(take.channels.current ?? []);
  const whole = { ...part, held: 100, sine: 1 };
  const grains = Array.from({ length: 20 }, (_, seed) => {
    const noise = lcgNormal(7919 * seed + 3);
    return (
      600 *
      readGrain(
        current.map((i) => i + 0.02 * noise()),
        whole,
        take.rate,
      ).grain
    );
  });
  const mean = grains.reduce((sum, grain) => sum + grain, 0) / grains.length;
  expect(Math.abs(mean / trueGrain(25) - 1)).toBeLessThan(0.03);
  const spread = Math.sqrt(grains.reduce((sum, g) => sum + (g - mean) ** 2, 0) / 19);
  expect(spread).toBeLessThan(0.1);
});

test('without noise the lag is exact to 0.2 µs where the phase is straight up to the sine', () => {
  for (const setting of [0, 1, 2, 3]) {
    const lag = valueOf(score('lag', calm, { smoothing: setting }));
    const truth = trueLag({ ...CALM, smoothing: SETTINGS[setting] });
    expect(Math.abs(lag - truth)).toBeLessThan(2e-7);
  }
});

test('the delay of the current channel comes from the stand model', () => {
  const context = contextOf({ ...STAND, currentDelay: second(0.0003) });
  const moved = valueOf(score('lag', noisy, { smoothing: 2 }, context));
  expect(valueOf(score('lag', noisy, { smoothing: 2 })) - moved).toBeCloseTo(0.0003, 9);
});

test('order: smallest lag increase and largest grain ratio over the settings', () => {
  const increase =
    trueLag({ ...CALM, smoothing: 400 }) - trueLag({ ...CALM, smoothing: undefined });
  expect(Math.abs(valueOf(score('lag-increase')) - increase)).toBeLessThan(2e-5);
  const ratio = trueGrain(400) / trueGrain(undefined);
  expect(Math.abs(valueOf(score('grain-ratio')) - ratio)).toBeLessThan(0.01);
});

test('tables 3 and 4 exchanged show in the order and nowhere at setting 2', () => {
  const swapped = [undefined, 400, 200, 50, 100, 25];
  const capture = captureOf(stage, atSetting(NOISY, swapped));
  expect(valueOf(score('lag-increase', capture))).toBeLessThan(-0.003);
  expect(valueOf(score('grain-ratio', capture))).toBeGreaterThan(2);
  const lag = valueOf(score('lag', capture, { smoothing: 2 }));
  expect(Math.abs(lag - trueLag(CALM))).toBeLessThan(1e-5);
});

test('the evidence has one point for each setting', () => {
  const outcome = score('grain', noisy, { smoothing: 2 });
  if (outcome.kind !== 'measured' || outcome.evidence?.kind !== 'smoothing')
    throw new Error('none');
  expect(outcome.evidence.points.map(({ setting }) => setting)).toEqual([0, 1, 2, 3, 4, 5]);
});

test('takes at one setting twice give a mean and a spread', () => {
  const twice = stageOf(SWEEP, [2, 2]);
  const capture = captureOf(twice, (_, index) => ({ ...NOISY, seed: index + 1 }));
  const outcome = score('lag', capture, { smoothing: 2 }, contextOf(), twice);
  expect(outcome).toMatchObject({ kind: 'measured', repeats: 2 });
  if (outcome.kind === 'measured') expect(outcome.spread).toBeLessThan(1e-5);
});

test('a source near the resonance of the stand: grain five times at the transducer, not at the motor', () => {
  // 999 updates a second: the item then holds each value of a 333 Hz source three times.
  const near = { ...stageOf(staircase(333, sine(6, 1, 2.2)), [0]), updates: hertz(999) };
  const capture = captureOf(near, atSetting(CALM));
  const [take] = capture.takes;
  const part = periodicPart(take, near);
  if ('kind' in part) throw new Error(part.reason);
  const whole = { ...part, held: 333, sine: 1 };
  const shaft =
    1000 * readGrain(take.channels.torque ?? new Float32Array(), whole, take.rate).grain;
  const motor = 1000 * valueOf(score('grain', capture, { smoothing: 0 }, contextOf(), near));
  expect(Math.abs(motor - 19)).toBeLessThan(1);
  expect(shaft / motor).toBeGreaterThan(4.5);
  expect(shaft / motor).toBeLessThan(6);
});

test('a source that the item holds unevenly, or no staircase, gives a reason instead of a grain', () => {
  const uneven = stageOf(staircase(333, sine(6, 1, 2.2)), [2]);
  const capture = captureOf(uneven, () => CALM);
  const outcome = score('grain', capture, { smoothing: 2 }, contextOf(), uneven);
  expect(JSON.stringify(outcome)).toContain('unevenly');
  const smooth = stageOf(sine(6, 1, 2.2), [2]);
  const plain = score(
    'grain',
    captureOf(smooth, () => CALM),
    { smoothing: 2 },
    contextOf(),
    smooth,
  );
  expect(JSON.stringify(plain)).toContain('staircase of a sine');
});

test('a setting without a take, too few cycles and a ramp are reasons', () => {
  expect(JSON.stringify(score('lag', noisy, { smoothing: 9 }))).toContain(
    'No take has smoothing 9',
  );
  for (const [pattern, reason] of [
    [staircase(100, sine(6, 1, 1.9)), '2 repeats'],
    [staircase(100, ramp(0, 6, 2)), 'no sine'],
    [staircase(100, sine(6, Math.SQRT2, 3)), 'common period'],
  ] as const) {
    const short = stageOf(pattern, [2]);
    const capture = captureOf(short, () => CALM);
    expect(JSON.stringify(score('lag', capture, { smoothing: 2 }, contextOf(), short))).toContain(
      reason,
    );
  }
});

test('a current that has nothing to do with the command gives no lag', () => {
  const [take] = noisy.takes;
  const noise = lcgNormal(1);
  const current = new Float32Array(take.channels.current?.length ?? 0).map(() => noise());
  const foreign = { ...noisy, takes: [{ ...take, channels: { ...take.channels, current } }] };
  const outcome = score('lag', foreign as unknown as typeof noisy, { smoothing: 0 });
  expect(JSON.stringify(outcome)).toContain('too unlike');
});

test('a multisine gives the same lag as a staircase', () => {
  const other = stageOf(multisine({ periods: 6 }));
  const capture = captureOf(other, () => NOISY);
  const lag = valueOf(score('lag', capture, { smoothing: 2 }, contextOf(), other));
  expect(Math.abs(lag - trueLag(CALM))).toBeLessThan(2e-5);
});

/** A wandering load of 20 s at 100 values a second, up to 6 N·m. */
function wandering(): ReturnType<typeof recorded> {
  const noise = lcgNormal(5);
  let [fast, slow] = [0, 0];
  const values = Array.from({ length: 2000 }, () => {
    fast = 0.9 * fast + 0.1 * noise();
    slow = 0.97 * slow + 0.2 * fast;
    return slow;
  });
  const peak = Math.max(...values.map(Math.abs));
  return recorded(
    values.map((v) => (6 * v) / peak),
    100,
  );
}
const field = stageOf(wandering(), [2]);
const SKEWS = [0, 60e-6, -60e-6];
const fields = SKEWS.map((skew) => captureOf(field, () => ({ ...NOISY, skew })));

for (const [i, skew] of SKEWS.entries()) {
  test(`clock ${skew * 1e6} ppm fast: lag against the source is 5 ms more than against the latched command`, () => {
    const lag = valueOf(score('lag-updates', fields[i], {}, contextOf(), field));
    // 0.005 updates are 50 µs; the standing uncertainty of a time is 60 µs.
    expect(Math.abs(lag - (0.005 + trueLag(CALM)) / 0.01)).toBeLessThan(0.005);
  });
}

test('the staircase says the same: the hold costs half a period of the source', () => {
  const lags = SETTINGS.map((_, setting) => {
    const [first, ...others] = noisy.takes.filter((take) => take.settings.smoothing === setting);
    const one = { ...noisy, takes: [first, ...others] } as unknown as typeof noisy;
    return valueOf(score('lag-updates', one)) * 0.01;
  });
  lags.forEach((lag, setting) => {
    const latched = valueOf(score('lag', noisy, { smoothing: setting }));
    expect(Math.abs(lag - latched - 0.005)).toBeLessThan(5e-5);
  });
});

test('tracking error is the grain and does not depend on clocks', () => {
  const errors = fields.map((capture) =>
    valueOf(score('tracking-error', capture, {}, contextOf(), field)),
  );
  for (const error of errors) {
    expect(error).toBeGreaterThan(0.008);
    expect(error).toBeLessThan(0.013);
    expect(Math.abs(error - (errors[0] ?? NaN))).toBeLessThan(2e-4);
  }
});

test('tracking error of a held sine is its grain and the noise below 500 Hz', () => {
  const one = { ...calm, takes: [calm.takes[2]] } as unknown as typeof calm;
  const error = valueOf(score('tracking-error', one));
  // Lines above 500 Hz hold less than 2 % of the grain at setting 2; half the sine was left out.
  expect(Math.abs(error / (trueGrain(200) / 1000 / (6 / Math.SQRT2)) - 1)).toBeLessThan(0.05);
});

test('the evidence of tracking shows 80 ms of command and torque', () => {
  const outcome = score('tracking-error', fields[0], {}, contextOf(), field);
  if (outcome.kind !== 'measured' || outcome.evidence?.kind !== 'trace') throw new Error('none');
  const { time, command, torque } = outcome.evidence;
  expect((time.at(-1) ?? NaN) - (time[0] ?? NaN)).toBeCloseTo(0.08, 2);
  expect([command.length, torque.length]).toEqual([time.length, time.length]);
  const [low, high] = [Math.min(...torque), Math.max(...torque)];
  expect(high - low).toBeGreaterThan(0.2);
});

test('values are held half a period of the source, or longer when the item latches late', () => {
  expect(ageWhileHeld(100, 1000)).toBeCloseTo(0.005, 9);
  expect(ageWhileHeld(1000, 1000)).toBeCloseTo(0.0005, 9);
  expect(ageWhileHeld(333, 1000)).toBeCloseTo(0.0015 + 0.0005, 4);
});

test('a shape that does not move has no delay', () => {
  const time = Float64Array.from({ length: 100 }, (_, i) => i / 100);
  expect(
    fitShape(
      time.map(() => 1),
      time,
      () => 1,
      { start: 0 },
    ),
  ).toBeUndefined();
});
