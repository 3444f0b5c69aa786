import { describe, expect, test } from 'vitest';
import { hertz } from '../../src/base/units.js';
import { Link } from '../../src/bench/link.js';
import { Noise } from '../../src/bench/noise.js';
import { UNDISTURBED } from '../../src/bench/spread.js';
import type { Waveform } from '../../src/pattern/waveform.js';

const clean = { ...UNDISTURBED.link, jitter: 0 };

function counting(updates: number, rest: Partial<Waveform> = {}): Waveform {
  return {
    rate: hertz(1000),
    command: Float64Array.from({ length: updates }, (_, i) => i),
    ...rest,
  };
}

const linked = (waveform: Waveform, link = clean, timeout = 0.1): Link =>
  new Link(waveform, link, timeout, new Noise('link'));

test('a link that loses nothing hands on what was sent', () => {
  const link = linked(counting(500));
  expect(link.held).toEqual(counting(500).command);
  expect(link.tally(500)).toEqual({
    updates: 500,
    missing: 0,
    gap: expect.closeTo(0.001, 12) as number,
    jitter: expect.closeTo(0, 12) as number,
  });
});

test('a good link jitters by 10 µs rms from update to update', () => {
  const { gap, jitter, missing } = linked(counting(20_000), UNDISTURBED.link).tally(20_000);
  expect(Math.abs(jitter / 10e-6 - 1)).toBeLessThan(0.03);
  expect(gap).toBeGreaterThan(1.03e-3);
  expect(gap).toBeLessThan(1.06e-3);
  expect(missing).toBe(0);
});

test('of 100 000 updates a share of 0.2 % is lost, and the item holds the one before', () => {
  const n = 100_000;
  const waveform = counting(n);
  const link = linked(waveform, { ...clean, lostUpdates: 0.002 });
  const { updates, missing, gap, jitter } = link.tally(n);
  expect(Math.abs(missing - 0.002 * n)).toBeLessThan(4 * Math.sqrt(0.002 * n));
  expect(updates + missing).toBe(n);
  expect(gap).toBeGreaterThanOrEqual(2e-3 - 1e-12);
  // Intervals of 1 ms, a share p of them of 2 ms: standard deviation √p ms.
  expect(Math.abs(jitter / Math.sqrt((1e-6 * missing) / n) - 1)).toBeLessThan(0.1);
  let late = 0;
  for (let i = 1; i < n; i++) {
    if (link.held[i] === i) continue;
    expect(link.held[i]).toBe(link.held[i - 1]);
    late += 1;
  }
  expect(late).toBe(missing - (link.held[0] === 0 ? 0 : 1));
});

test('a burst of 30 ms leaves a gap of 31 ms, once, and none in a take that is too short', () => {
  const link = linked(counting(1000), { ...clean, burst: 0.03 });
  const { missing, gap } = link.tally(1000);
  expect(missing).toBe(30);
  expect(gap).toBeCloseTo(0.031, 9);
  expect(linked(counting(30), { ...clean, burst: 0.03 }).tally(30).missing).toBe(0);
});

test('counts go on from block to block as in one go', () => {
  const faulty = { ...UNDISTURBED.link, lostUpdates: 0.05 };
  const [whole, parts] = [linked(counting(1000), faulty), linked(counting(1000), faulty)];
  for (let due = 0; due <= 1000; due += 20) parts.tally(due);
  expect(parts.tally(1000)).toEqual(whole.tally(1000));
});

describe('a silence on purpose', () => {
  const waveform = counting(1000, { silence: { from: 200, to: 500 } });
  const link = linked(waveform);

  test('is neither missing nor a gap', () => {
    const { updates, missing, gap } = link.tally(1000);
    expect(updates).toBe(700);
    expect(missing).toBe(0);
    expect(gap).toBeCloseTo(1e-3, 9);
  });

  test('is held for the time-out of 100 ms after the last update, then as 0', () => {
    expect([...link.held.subarray(199, 299)]).toEqual(new Array(100).fill(199));
    expect([...link.held.subarray(299, 500)]).toEqual(new Array(201).fill(0));
    expect(link.held[500]).toBe(500);
    expect(link.isQuiet(298.99)).toBe(false);
    expect(link.isQuiet(299)).toBe(true);
    expect(link.isQuiet(499.99)).toBe(true);
    expect(link.isQuiet(500)).toBe(false);
  });

  test('is held for ever by an item that never notices', () => {
    const deaf = linked(waveform, clean, Number.POSITIVE_INFINITY);
    expect(deaf.held[499]).toBe(199);
    expect(deaf.isQuiet(499)).toBe(false);
  });

  test('that is shorter than the time-out is not noticed', () => {
    const short = linked(counting(1000, { silence: { from: 200, to: 290 } }));
    expect(short.held[289]).toBe(199);
    for (let i = 0; i < 1000; i++) expect(short.isQuiet(i + 0.5)).toBe(false);
  });
});
