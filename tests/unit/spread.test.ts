import { describe, expect, test } from 'vitest';
import { sha256 } from '../../src/base/canonical.js';
import { Noise } from '../../src/bench/noise.js';
import { drawItem } from '../../src/bench/spread.js';
import { drawParameters, trueValues } from '../../src/bench/truth.js';
import { STATION as station } from '../support/station.js';

describe('generator', () => {
  test('gives the same numbers as the same steps in unbounded integers', () => {
    const mask = (x: bigint): bigint => x & 0xffffffffn;
    const digest = sha256('a name');
    const state = [0, 1, 2].map((i) => BigInt(`0x${digest.slice(8 * i, 8 * i + 8)}`));
    let [a = 0n, b = 0n, c = 0n] = state;
    let counter = 1n;
    const bits = (): bigint => {
      const out = mask(a + b + counter);
      counter = mask(counter + 1n);
      a = b ^ (b >> 9n);
      b = mask(c + (c << 3n));
      c = mask(mask((c << 21n) | (c >> 11n)) + out);
      return out;
    };
    for (let i = 0; i < 12; i++) bits();
    const noise = new Noise('a name');
    for (let i = 0; i < 1000; i++) {
      expect(noise.uniform()).toBe((Number(bits()) + 0.5) / 2 ** 32);
    }
  });

  test('normal deviates have the moments of the normal distribution within 4 standard errors', () => {
    const n = 200_000;
    const noise = new Noise('moments');
    const moments = [0, 0, 0, 0];
    let beyond = 0;
    for (let i = 0; i < n; i++) {
      const x = noise.normal();
      for (let k = 0; k < 4; k++) moments[k] = (moments[k] as number) + x ** (k + 1) / n;
      if (Math.abs(x) > 1.959964) beyond += 1;
    }
    const [m1 = NaN, m2 = NaN, m3 = NaN, m4 = NaN] = moments;
    expect(Math.abs(m1)).toBeLessThan(4 / Math.sqrt(n));
    expect(Math.abs(m2 - 1)).toBeLessThan(4 * Math.sqrt(2 / n));
    expect(Math.abs(m3)).toBeLessThan(4 * Math.sqrt(15 / n));
    expect(Math.abs(m4 - 3)).toBeLessThan(4 * Math.sqrt(96 / n));
    expect(Math.abs(beyond / n - 0.05)).toBeLessThan(4 * Math.sqrt((0.05 * 0.95) / n));
  });
});

describe('spread over 2000 serials', () => {
  const items = Array.from({ length: 2000 }, (_, i) =>
    drawItem(`H12-26-${String(i).padStart(5, '0')}`, 361),
  );
  const rows: readonly (readonly [
    string,
    number,
    number,
    (i: (typeof items)[number]) => number,
  ])[] = [
    ['torque constant', 0.6, 0.0042, (i) => i.torqueConstant],
    ['static gain', 0.999, 0.003, (i) => i.torqueConstant / i.assumedConstant],
    ['resistance', 0.35, 0.0105, (i) => i.resistance],
    ['log friction', Math.log(0.025), 0.2, (i) => Math.log(i.friction)],
    ['log cogging', Math.log(0.045), 0.25, (i) => Math.log(i.cogging)],
    ['offset', 0, 0.008, (i) => i.offset],
    ['loop frequency', 800, 32, (i) => i.loop.frequency],
    ['dead time', 0.6e-3, 0.03e-3, (i) => i.deadTime],
    ['split', 0, 0.0015, (i) => i.split],
    ['resonance', 361, 3.61, (i) => Math.sqrt(6700 / i.inertia) / (2 * Math.PI)],
  ];
  for (const [name, mean, deviation, read] of rows) {
    test(`${name} has mean ${mean.toPrecision(4)} and standard deviation ${deviation.toPrecision(3)}`, () => {
      const values = items.map(read);
      const n = values.length;
      const found = values.reduce((a, b) => a + b, 0) / n;
      const variance = values.reduce((a, b) => a + (b - found) ** 2, 0) / (n - 1);
      expect(Math.abs(found - mean)).toBeLessThan((4 * deviation) / Math.sqrt(n));
      expect(Math.abs(Math.sqrt(variance) / deviation - 1)).toBeLessThan(4 / Math.sqrt(2 * n));
    });
  }

  test('clock skew lies between 20 and 60 ppm', () => {
    const skews = items.map((i) => i.clockSkew);
    expect(Math.min(...skews)).toBeGreaterThanOrEqual(20e-6);
    expect(Math.max(...skews)).toBeLessThanOrEqual(60e-6);
  });
});

test('the same serial gives the same item; another attempt changes the stand alone', () => {
  const serial = 'H12-26-04711';
  expect(drawItem(serial, 361)).toEqual(drawItem(serial, 361));
  expect(drawItem(serial, 361)).not.toEqual(drawItem('H12-26-04712', 361));
  const first = drawParameters({ station, serial, attempt: 1, faults: [] });
  const second = drawParameters({ station, serial, attempt: 2, faults: [] });
  expect(second.item).toEqual(first.item);
  expect(second.stand.angle).not.toBe(first.stand.angle);
  expect(second.stand.currentGain).toBe(first.stand.currentGain);
});

test('the lag of a setting is dead time + 1/ωc + 2/(2π·fc), to 0.6 % of 1/ωc', () => {
  const of = { station, serial: 'H12-26-04711', attempt: 1, faults: [] };
  const truth = trueValues(of);
  const { item } = drawParameters(of);
  const crossover = 2 * Math.PI * item.loop.frequency;
  for (const [setting, corner] of [0, 400, 200, 100, 50, 25].entries()) {
    const poles = corner === 0 ? 0 : 2 / (2 * Math.PI * corner);
    const closed = item.deadTime + 1 / crossover + poles;
    expect(Math.abs((truth.lag[setting] ?? NaN) - closed)).toBeLessThan(0.006 / crossover);
  }
});
