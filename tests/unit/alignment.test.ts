import { expect, test } from 'vitest';
import { second } from '../../src/base/units.js';
import type { Take } from '../../src/capture/capture.js';
import { characteristic } from '../../src/scoring/catalogue.js';
import type { Context, Outcome } from '../../src/scoring/scoring.js';
import {
  CALM,
  captureOf,
  contextOf,
  readingOf,
  STAND,
  stageOf,
  trueLag,
} from '../support/linear-unit.js';
import { multisine, sine, staircase } from '../support/patterns.js';

/**
 * Lag must not be read against an alignment that the same capture made: then a late item would be
 * moved back into place and read as punctual. Delays of channels come from the stand model alone.
 */
const pattern = staircase(100, sine(6, 1, 2.2));
const stage = stageOf(pattern, [0, 1, 2]);
const SETTINGS = [0, 1, 2];

/** Moves a channel by whole samples, as if all of it had arrived later. */
function later(take: Take, channel: 'current' | 'torque', samples: number): Take {
  const x = take.channels[channel];
  if (x === undefined) throw new Error(`no ${channel}`);
  const moved = x.map((_, i) => x[Math.max(0, i - samples)] as number);
  return { ...take, channels: { ...take.channels, [channel]: moved } };
}

const good = captureOf(stage, () => CALM);
type Fit = typeof good;
const moved = (channel: 'current' | 'torque', samples: number): Fit => {
  const [first, ...others] = good.takes.map((take) => later(take, channel, samples));
  if (first === undefined) throw new Error('no takes');
  return { ...good, takes: [first, ...others] };
};

function scored(id: string, capture: Fit, context: Context = contextOf()): Outcome {
  const entry = characteristic(id);
  if (entry === undefined) throw new Error(`no ${id}`);
  return entry.score(capture, stage, readingOf(id, { smoothing: 2 }), context);
}

const lagOf = (capture: Fit, context?: Context): number => {
  const found = scored('lag', capture, context);
  if (found.kind !== 'measured') throw new Error(found.reason);
  return found.value;
};

test('an item 1 ms later than it was reads a lag 1 ms longer: nothing moves it back', () => {
  expect(Math.abs(lagOf(moved('current', 20)) - lagOf(good) - 1e-3)).toBeLessThan(1e-6);
  expect(Math.abs(lagOf(good) - trueLag(CALM))).toBeLessThan(1e-4);
});

test('the shaft side of the same capture does not move the lag', () => {
  expect(lagOf(moved('torque', 100))).toBe(lagOf(good));
});

test('the stand model moves the lag, by just what it says', () => {
  const late = contextOf({ ...STAND, currentDelay: second(0.3e-3) });
  expect(lagOf(good) - lagOf(good, late)).toBeCloseTo(0.3e-3, 9);
});

test('on a multisine a late current moves the angle at which bandwidth is read; the torque channel does not', () => {
  const responding = stageOf(multisine(), [2]);
  const [whole] = captureOf(responding, () => CALM).takes;
  const read = (take: Take): number => {
    const entry = characteristic('phase-bandwidth');
    const capture = { ...good, takes: [take] } as unknown as Fit;
    const found = entry?.score(capture, responding, readingOf('phase-bandwidth'), contextOf());
    if (found?.kind !== 'measured') throw new Error('no bandwidth');
    return found.value;
  };
  const before = read(whole);
  expect(read(later(whole, 'current', 20))).toBeLessThan(0.95 * before);
  expect(read(later(whole, 'torque', 20))).toBe(before);
});

test('every setting is there, so that a lag is read at all', () => {
  expect(good.takes.map(({ settings }) => settings.smoothing)).toEqual(SETTINGS);
});
