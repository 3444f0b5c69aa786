import { expect, test } from 'vitest';
import { StallmarkError } from '../../src/base/error.js';
import { CHANNEL_UNITS, CHANNELS } from '../../src/bench/bench.js';
import type { DigitizerTold, DriveTold, Hello } from '../../src/link/wire-message.js';
import { abilitiesOf, channelsOf } from '../../src/rig/wire-abilities.js';

const DRIVE: DriveTold = {
  deadMan: [0.02, 0.5],
  maximumUpdates: 2000,
  smoothing: [0, 1],
  setsSlew: true,
  silence: true,
  closedLoop: false,
  ceilingStep: 0.01,
};
const DIGITIZER: DigitizerTold = {
  rates: [20_000],
  channels: CHANNELS.map((name) => ({ name, unit: CHANNEL_UNITS[name] })),
  fixtures: ['coupled'],
  indexing: 'bench',
  trigger: true,
  marksStop: false,
};
const hello = (over: Partial<Hello> = {}): Hello => ({
  ...{ name: 'A', maker: 'B', version: '1', simulated: false },
  ...{ roles: ['drive', 'digitizer'], drive: DRIVE, digitizer: DIGITIZER },
  ...over,
});

function found(over: Partial<Hello>, needed: Hello['roles'] = []): readonly string[] {
  try {
    abilitiesOf('It', hello(over), needed);
    return [];
  } catch (error) {
    if (!(error instanceof StallmarkError)) throw error;
    expect(new Set(error.problems.map(({ code }) => code))).toEqual(new Set(['link/ability']));
    return error.problems.map(({ what }) => what);
  }
}

test('every channel in the unit of captures is taken, in the order of the adapter', () => {
  expect(found({})).toEqual([]);
  const channels = [...DIGITIZER.channels].reverse();
  expect(channelsOf({ channels })).toEqual([...CHANNELS].reverse());
});

const DRIVES: readonly (readonly [Partial<DriveTold>, string])[] = [
  [{ deadMan: [0, 1] }, 'It has a dead-man of 0 … 1 s, not within 0 … 10 s.'],
  [{ deadMan: [0.2, 0.1] }, 'It has a dead-man of 0.2 … 0.1 s, not within 0 … 10 s.'],
  [{ deadMan: [0.1, 11] }, 'It has a dead-man of 0.1 … 11 s, not within 0 … 10 s.'],
  [{ maximumUpdates: 0 }, 'It updates at 0 Hz, not within 0 … 10000000 Hz.'],
  [{ smoothing: [] }, 'It has no smoothing setting, not even 0.'],
  [{ smoothing: [0, 6] }, 'It has a smoothing setting 6; there are 0 … 5.'],
  [{ smoothing: [1, 1] }, 'It names smoothing 1 twice.'],
  [{ ceilingStep: -0.1 }, 'It sets its ceiling in steps of -0.1 N·m.'],
];
for (const [over, words] of DRIVES) {
  test(`a drive with ${JSON.stringify(over)} makes no sense`, () => {
    expect(found({ drive: { ...DRIVE, ...over } })).toEqual([words]);
  });
}

const DIGITIZERS: readonly (readonly [Partial<DigitizerTold>, string])[] = [
  [{ rates: [] }, 'It has no sample rate.'],
  [{ rates: [-1] }, 'It samples at -1 Hz, not within 0 … 10000000 Hz.'],
  [{ rates: [1e9] }, 'It samples at 1000000000 Hz, not within 0 … 10000000 Hz.'],
  [{ channels: [] }, 'It has no channel.'],
  [
    { channels: [{ name: 'torque', unit: 'mN·m' }] },
    'It gives channel "torque" in mN·m, not in N·m.',
  ],
  [
    { channels: [{ name: 'torque', unit: '' }] },
    'It gives channel "torque" in no unit, not in N·m.',
  ],
  [
    { channels: [{ name: 'speed', unit: 'rad/s' }] },
    'It has a channel "speed"; there are command, current, torque, supply, winding, sound.',
  ],
  [
    { channels: [...DIGITIZER.channels, { name: 'sound', unit: 'Pa' }] },
    'It names channel sound twice.',
  ],
  [{ fixtures: [], indexing: 'none' }, 'It can arrange its stand in no way.'],
  [
    { fixtures: ['uncoupled'] },
    'It turns the locked shaft by itself, but cannot be coupled to one.',
  ],
];
for (const [over, words] of DIGITIZERS) {
  test(`a digitizer with ${JSON.stringify(over).slice(0, 80)} makes no sense`, () => {
    expect(found({ digitizer: { ...DIGITIZER, ...over } })).toEqual([words]);
  });
}

test('an adapter without a role, with one twice, or without the one that is wanted is refused', () => {
  expect(found({ roles: [] })).toEqual(['It has no role.']);
  expect(found({ roles: ['drive', 'drive'] })).toEqual(['It names role drive twice.']);
  expect(found({}, ['interlock', 'drive'])).toEqual([
    'It is wanted as interlock, but is only drive and digitizer.',
  ]);
});

test('all that is wrong is told at once', () => {
  const drive = { ...DRIVE, smoothing: [9], ceilingStep: -1 };
  expect(found({ drive, digitizer: { ...DIGITIZER, rates: [] } })).toHaveLength(3);
});
