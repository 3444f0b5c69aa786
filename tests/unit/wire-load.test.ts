import { expect, test } from 'vitest';
import { hertz, torquePerSecond } from '../../src/base/units.js';
import type { Load } from '../../src/bench/bench.js';
import { decodeWaveform } from '../../src/link/wire-samples.js';
import { abilitiesOf } from '../../src/rig/wire-abilities.js';
import {
  armProblems,
  loadOrder,
  loadProblems,
  PART_VALUES,
  peakOf,
} from '../../src/rig/wire-load.js';

const updates = PART_VALUES + 5;
const wheel = {
  ...{ inertia: 0.1, drag: 0.2, damping: 0.3, limit: 4 },
  stiffness: new Float64Array(updates).fill(7),
};
const LOAD: Load = {
  waveform: {
    rate: hertz(1000),
    command: Float64Array.from({ length: updates }, (_, i) => -i),
    wheel,
  },
  settings: { smoothing: 2, fixture: 'coupled', slew: torquePerSecond(50) },
};

test('a waveform of 8197 updates with a wheel goes over in 4 parts, in order, all of it', () => {
  const order = loadOrder(LOAD);
  expect(order.members).toEqual({
    ...{ rate_Hz: 1000, updates, smoothing: 2, slew_Nm_per_s: 50, parts: 4 },
    wheel: { inertia_kgm2: 0.1, drag_Nms_per_rad: 0.2, damping_Nms_per_rad: 0.3, limit_Nm: 4 },
  });
  const parts = [...(order.waveform ?? [])].map(decodeWaveform);
  const told = parts.map((part) =>
    typeof part === 'string' ? part : [part.part, part.what, part.values.length],
  );
  expect(told).toEqual([
    [0, 'command', PART_VALUES],
    [1, 'command', 5],
    [2, 'stiffness', PART_VALUES],
    [3, 'stiffness', 5],
  ]);
  expect(parts[1]).toMatchObject({ values: LOAD.waveform.command.subarray(PART_VALUES) });
});

test('a plain waveform says no more than it has to', () => {
  const waveform = {
    rate: hertz(500),
    command: Float64Array.of(0, 1),
    silence: { from: 1, to: 2 },
  };
  const { members } = loadOrder({ waveform, settings: { smoothing: 0, fixture: 'coupled' } });
  expect(members).toEqual({
    ...{ rate_Hz: 500, updates: 2, smoothing: 0, silence: { from: 1, to: 2 }, parts: 1 },
  });
});

test('the peak is the largest magnitude', () => {
  expect(peakOf(Float64Array.of(1, -2.5, 2))).toBe(2.5);
});

const CAN = abilitiesOf(
  'It',
  {
    ...{ name: '', maker: '', version: '', simulated: true, roles: ['drive', 'digitizer'] },
    drive: {
      ...{ maximumUpdates: 999, smoothing: [0], ceilingStep: 0 },
      ...{ setsSlew: false, silence: false, closedLoop: false },
    },
    digitizer: {
      ...{ rates: [10], channels: [{ name: 'torque', unit: 'N·m' }], fixtures: ['coupled'] },
      ...{ indexing: 'none', trigger: false, marksStop: false },
    },
  },
  [],
);

test('all that a drive did not say that it can is told', () => {
  const silent = { ...LOAD, waveform: { ...LOAD.waveform, silence: { from: 1, to: 2 } } };
  expect(loadProblems(silent, CAN)).toEqual([
    'takes at most 999 updates/s, not 1000',
    'has no smoothing setting 2, only 0',
    'cannot set the slew of the item',
    'cannot hold updates back on purpose',
    'cannot close a loop over a wheel',
  ]);
});

test('all that a digitizer did not say that it can is told', () => {
  const take = { samples: 1, rate: hertz(20), on: 'trigger', afterStop: 5 } as const;
  expect(armProblems(take, CAN)).toHaveLength(3);
  expect(armProblems({ samples: 1, rate: hertz(10), on: 'now' }, CAN)).toEqual([]);
});
