import { expect, test } from 'vitest';
import { DeviceClock } from '../../src/rig/device-clock.js';
import { lcg } from '../support/lcg.js';

/** Pace after `seconds` of blocks of 20 ms, told `late` s too late at most. */
function paceAfter(seconds: number, skew: number, late: number): number {
  const clock = new DeviceClock();
  const uniform = lcg(7);
  for (let passed = 0.02; passed <= seconds; passed += 0.02) {
    clock.add(passed, passed * (1 + skew) + late * uniform());
  }
  return clock.pace - 1;
}

test.each([
  [100e-6, 20],
  [-100e-6, 20],
  [200e-6, 60],
])('a skew of %f, told up to 2 ms late, is found within 10 ppm after %i s', (skew, seconds) => {
  expect(Math.abs(paceAfter(seconds, skew, 2e-3) - skew)).toBeLessThan(10e-6);
});

test('a device that always tells 100 ms late has no skew', () => {
  const clock = new DeviceClock();
  for (let block = 1; block <= 1000; block += 1) clock.add(0.02 * block, 0.02 * block + 0.1);
  expect(Math.abs(clock.pace - 1)).toBeLessThan(1e-12);
});

test('after half a second latency of 5 ms is not taken for a skew of more than 100 ppm', () => {
  expect(Math.abs(paceAfter(0.5, 0, 5e-3))).toBeLessThan(100e-6);
});
