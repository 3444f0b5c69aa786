import { existsSync } from 'node:fs';
import { fileURLToPath } from 'node:url';
import { expect, test } from 'vitest';
import { findUnit } from '../../src/base/units.js';
import { CHARACTERISTICS, characteristic, GATES, gateRule } from '../../src/scoring/catalogue.js';

const IDS = [
  ...['zero-offset', 'preload', 'noise', 'static-gain', 'linearity', 'symmetry'],
  ...['torque-constant', 'torque-constant-droop', 'hysteresis', 'static-friction', 'deadband'],
  ...['dead-time', 'rise-time', 'overshoot', 'shaft-overshoot', 'settling-time', 'slew-rate'],
  ...['supply-minimum', 'bandwidth', 'phase-bandwidth', 'gain-peaking', 'lag', 'lag-updates'],
  ...['tracking-error', 'grain', 'grain-ratio', 'lag-increase', 'ripple', 'distortion'],
  ...['peak-torque', 'thermal-fade', 'winding-rise', 'missing-updates'],
  ...['offset', 'torque-resolution', 'undershoot', 'steady-state-error', 'repeatability'],
  ...['supply-sag', 'supply-recovery', 'saturation-margin', 'late-updates', 'update-gap'],
  ...['update-jitter', 'clock-skew', 'phase-at', 'group-delay', 'least-coherence', 'gain-bias'],
  ...['shaft-bandwidth', 'shaft-gain-peaking', 'tracking-peak', 'tracking-error-unshifted'],
  ...['grain-number', 'grain-harmonics', 'trade-off-departure', 'ripple-peak', 'ripple-line'],
  ...['peak-duration', 'temperature-rate'],
  ...['stability-margin', 'limit-cycle', 'command-loss-reaction', 'cogging', 'torque-over-angle'],
  ...['sound-level', 'sound-over-settings', 'torque-delay', 'current-delay'],
  ...['stand-resonance', 'stand-damping', 'stand-compliance'],
];

test('the catalogue holds each characteristic once', () => {
  expect(CHARACTERISTICS.map((entry) => entry.id).sort()).toEqual([...IDS].sort());
});

test('the static gates are there, each id once', () => {
  const ids = GATES.map((rule) => rule.id);
  expect(new Set(ids).size).toBe(ids.length);
  expect(ids).toEqual(expect.arrayContaining(['shunt', 'zero-noise', 'polarity', 'zero-return']));
});

for (const entry of CHARACTERISTICS) {
  test(`${entry.id} is defined in one sentence, in a unit of its dimension, and checked by a file`, () => {
    expect(entry.definition).toMatch(/^[A-Z][^!?]*\.$/u);
    expect(entry.definition).not.toMatch(/\. [A-Z]/u);
    expect(findUnit(entry.unit)?.dimension).toBe(entry.dimension);
    expect(entry.source).not.toBe('');
    expect(existsSync(fileURLToPath(new URL(`../../${entry.check}`, import.meta.url)))).toBe(true);
  });
}

test('what is not in the catalogue is not found', () => {
  expect(characteristic('rise-time')?.id).toBe('rise-time');
  expect(characteristic('feel')).toBeUndefined();
  expect(gateRule('shunt')?.id).toBe('shunt');
  expect(gateRule('mood')).toBeUndefined();
});
