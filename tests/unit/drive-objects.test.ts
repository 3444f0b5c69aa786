import { beforeEach, expect, test } from 'vitest';
import {
  driveObjects,
  DriveSettings,
  torqueOf,
  type DriveView,
} from '../../src/emulator/drive-objects.js';
import { ABORT, type Abort, type ObjectDictionary } from '../../src/emulator/object-dictionary.js';
import { FakeStand } from '../support/fake-stand.js';

let stand: FakeStand;
let settings: DriveSettings;
let objects: ObjectDictionary;
let view: DriveView;
let acts: string[];

beforeEach(() => {
  stand = new FakeStand();
  settings = new DriveSettings();
  acts = [];
  view = {
    ...{ node: 5, statusword: 0x0231, errorCode: 0x8130, errors: [0x8130, 0xff13], target: -250 },
    control: (word) => acts.push(`control ${word}`),
    forgetErrors: () => acts.push('forget'),
  };
  objects = driveObjects(view, settings, stand, new Map([['model', 0x2302_00]]));
});

const read = (key: number): number | string | undefined => objects.get(key)?.read();
function write(key: number, value: number): Abort | undefined {
  const entry = objects.get(key);
  if (entry?.write === undefined) throw new Error(`${key.toString(16)} is not written`);
  return entry.write(value);
}

test.each([
  ['device type: CiA 402, servo drive', 0x1000_00, 0x0002_0192],
  ['error register', 0x1001_00, 1],
  ['errors', 0x1003_00, 2],
  ['last error', 0x1003_01, 0x8130],
  ['error before', 0x1003_02, 0xff13],
  ['no third error', 0x1003_03, 0],
  ['name', 0x1008_00, 'SIMULATED H12'],
  ['hardware', 0x1009_00, 'C3'],
  ['firmware', 0x100a_00, '2.4.1'],
  ['consumers of heartbeats', 0x1016_00, 1],
  ['entries of the identity', 0x1018_00, 4],
  ['RPDO1', 0x1400_01, 0x205],
  ['RPDO1 with each SYNC', 0x1400_02, 1],
  ['TPDO1', 0x1800_01, 0x185],
  ['TPDO1 with each 10th SYNC', 0x1800_02, 10],
  ['fault', 0x603f_00, 0x8130],
  ['statusword', 0x6041_00, 0x0231],
  ['demand, ‰', 0x6074_00, -250],
  ['rated current, mA', 0x6075_00, 20_000],
  ['rated torque, mN·m', 0x6076_00, 10_000],
  ['torque, ‰', 0x6077_00, -250],
  ['DC link, mV', 0x6079_00, 48_000],
  ['model, where the description puts it', 0x2302_00, 'H12'],
  ['serial', 0x2103_00, 'H12-26-04711'],
  ['digest of the firmware', 0x2105_00, 'f'.repeat(64)],
  ['no digest of parameters', 0x2107_00, ''],
  ['components', 0x2108_00, 1],
  ['first component', 0x2108_01, 'motor M-00000001'],
  ['longest gap, µs', 0x2120_01, 1000],
  ['jitter, µs', 0x2120_02, 10],
  ['duty, ‰', 0x2120_03, 250],
])('%s', (_what, key, value) => {
  expect(read(key)).toBe(value);
});

test('no error shows in the register when there is none', () => {
  const clean = driveObjects({ ...view, errorCode: 0 }, settings, stand, new Map());
  expect(clean.get(0x1001_00)?.read()).toBe(0);
});

test.each([
  ['SYNC', 0x1005_00, 0x4000_0080],
  ['period of SYNC', 0x1006_00, 1000],
  ['heartbeat of the drive', 0x1017_00, 50],
  ['abort connection', 0x6007_00, 2],
  ['mode', 0x6060_00, 4],
  ['slope', 0x6087_00, 123_456],
  ['smoothing', 0x2101_00, 5],
  ['mapping of RPDO1', 0x1600_03, 0x2120_0610],
  ['count of TPDO1', 0x1a00_00, 4],
])('%s is read back as it was written', (_what, key, value) => {
  expect([write(key, value), read(key)]).toEqual([undefined, value]);
});

test('the mode that is shown is the one that was set', () => {
  write(0x6060_00, 4);
  expect(read(0x6061_00)).toBe(4);
});

test.each([
  ['mode 3', 0x6060_00, 3, ABORT.range],
  ['smoothing 6', 0x2101_00, 6, ABORT.range],
  ['49 µs between updates', 0x1006_00, 49, ABORT.range],
  ['1,000,001 µs between updates', 0x1006_00, 1_000_001, ABORT.range],
  ['no period', 0x1006_00, 0, ABORT.range],
  ['a torque past the stream', 0x6071_00, 1, ABORT.state],
  ['an error history of 1', 0x1003_00, 1, ABORT.range],
])('%s is refused and changes nothing', (_what, key, value, abort) => {
  const before = read(key);
  expect([write(key, value), read(key)]).toEqual([abort, before]);
  expect(acts).toEqual([]);
});

test('a target of zero is taken while nothing is played, and refused while something is', () => {
  expect(write(0x6071_00, 0)).toBeUndefined();
  stand.isPlaying = true;
  expect(write(0x6071_00, 0)).toBe(ABORT.state);
});

test('the history is forgotten by writing 0', () => {
  write(0x1003_00, 0);
  expect(acts).toEqual(['forget']);
});

test('a controlword reaches the state machine and reads as 0', () => {
  write(0x6040_00, 0x10f);
  expect([acts, read(0x6040_00)]).toEqual([['control 271'], 0]);
});

test.each([
  [500, 500, 5],
  [1320, 1320, 13.2],
  [2000, 1320, 13.2],
  [0, 0, 0],
])('most torque %i ‰ is read back as %i ‰, %d N·m', (asked, held, torque) => {
  expect(write(0x6072_00, asked)).toBeUndefined();
  expect(read(0x6072_00)).toBe(held);
  expect(stand.limits.ceiling).toBeCloseTo(torque, 12);
});

test.each([
  [90, 90],
  [5, 10],
  [0, 10],
  [500, 100],
])('a heartbeat of the host within %i ms is read back as %i ms of the same node', (ms, held) => {
  expect(write(0x1016_01, (100 << 16) | ms)).toBeUndefined();
  expect(read(0x1016_01)).toBe((100 << 16) | held);
  expect(stand.limits.deadMan).toBeCloseTo(held / 1000, 12);
});

test('no heartbeat stays none, with the shortest dead-man', () => {
  write(0x1016_01, 0);
  expect([read(0x1016_01), stand.limits.deadMan]).toEqual([0, 0.01]);
});

test.each([0x6072_00, 0x1016_01])('limit 0x%s is refused while power is on', (key) => {
  const before = read(key);
  stand.energize();
  expect([write(key, 100), read(key)]).toEqual([ABORT.state, before]);
});

test('250 ‰ of the rated torque are 2.5 N·m', () => {
  expect(torqueOf(250)).toBe(2.5);
});
