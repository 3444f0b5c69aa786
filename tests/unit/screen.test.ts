import fc from 'fast-check';
import { expect, test } from 'vitest';
import type { Take } from '../../src/capture/capture.js';
import type { Gate } from '../../src/capture/gate.js';
import { isScreened, screen } from '../../src/capture/screen.js';
import type { Expectations } from '../../src/capture/screen.js';
import { thin } from '../../src/base/thin.js';
import { captureOf, makeTake, withChannel } from '../support/takes.js';

const H12: Expectations = { torqueRange: 20, currentRange: 30, updates: 1000 };
const sine = (time: number): number => 6 * Math.sin(2 * Math.PI * time);

const healthy: readonly (readonly [string, Take])[] = [
  ['6 N·m sine', makeTake({ torque: sine })],
  ['12 N·m held for 2 s', makeTake({ torque: () => 12 })],
  ['steps of ±12 N·m', makeTake({ torque: (t) => (Math.floor(t / 0.06) % 2 === 0 ? 12 : -12) })],
  ['no power, nothing commanded', makeTake({})],
  ['a short take of 60 ms', makeTake({ seconds: 0.06, torque: () => 3 })],
  ['ringing through zero at 361 Hz', makeTake({ torque: (t) => 3 * Math.sin(2268 * t) })],
];

for (const [name, take] of healthy) {
  test(`${name} is fit, and every gate is on record`, () => {
    const capture = captureOf(take);
    expect(isScreened(capture)).toBe(false);
    const screening = screen(capture, H12);
    expect(screening.gates.filter((gate) => !gate.holds)).toEqual([]);
    expect(screening).toMatchObject({ fit: true });
    expect(isScreened(capture)).toBe(true);
    expect(screening.gates.map((gate) => gate.name)).toEqual([
      'samples complete',
      'samples in order',
      'channels present',
      'values finite',
      'channels alive',
      'converter clip',
      'drop-outs',
      'winding temperature plausible',
      'clock rate',
      'clock steady',
      'device fault',
      'updates lost by the link',
    ]);
    expect(screening.gates.every((gate) => gate.scope === 'sweep')).toBe(true);
  });
}

/** Every gate that does not hold. */
function broken(take: Take, expectations = H12): readonly Gate[] {
  const capture = captureOf(makeTake({ torque: sine }), take);
  const screening = screen(capture, expectations);
  const gates = screening.gates.filter((gate) => !gate.holds);
  expect(screening.fit).toBe(gates.length === 0);
  expect(isScreened(capture)).toBe(gates.length === 0);
  return gates;
}

const good = makeTake({ torque: (time) => 2 * sine(time), seed: 2, smoothing: 3 });

function clipAt(limit: number): (samples: Float32Array) => void {
  return (samples) => {
    samples.forEach((value, i) => (samples[i] = Math.max(-limit, Math.min(limit, value))));
  };
}

const faults: readonly (readonly [string, Take, string, Gate['blames'], number | undefined])[] = [
  [
    'a gap of 30 ms',
    {
      ...withChannel(good, 'torque', (s) => s.fill(NaN, 1000, 1600)),
      gaps: [{ at: 1000, samples: 600 }],
    },
    'samples complete',
    'link',
    600,
  ],
  ['a block twice', { ...good, misplaced: 400 }, 'samples in order', 'link', 400],
  [
    'no supply channel',
    { ...good, channels: { ...good.channels, supply: undefined } as unknown as Take['channels'] },
    'channels present',
    'stand',
    1,
  ],
  [
    'one NaN in torque',
    withChannel(good, 'torque', (s) => (s[77] = NaN)),
    'values finite',
    'stand',
    1,
  ],
  [
    'one infinity in winding',
    withChannel(good, 'winding', (s) => (s[77] = -Infinity)),
    'values finite',
    'stand',
    1,
  ],
  [
    'torque on 5 N·m throughout',
    withChannel(good, 'torque', (s) => s.fill(5)),
    'channels alive',
    'stand',
    1,
  ],
  [
    'current dead at 0',
    withChannel(good, 'current', (s) => s.fill(0)),
    'channels alive',
    'stand',
    1,
  ],
  [
    'a converter that ends at ±10 of ±20 N·m',
    withChannel(good, 'torque', clipAt(10)),
    'converter clip',
    'stand',
    undefined,
  ],
  [
    'current at the end of its range once',
    withChannel(good, 'current', (s) => (s[9] = -30)),
    'converter clip',
    'stand',
    1,
  ],
  [
    'torque frozen for 1 ms',
    withChannel(good, 'torque', (s) => s.fill(3.21, 5000, 5020)),
    'drop-outs',
    'stand',
    20,
  ],
  [
    'supply at zero for 3 samples',
    withChannel(good, 'supply', (s) => s.fill(0, 700, 703)),
    'drop-outs',
    'stand',
    3,
  ],
  [
    'torque at zero for one sample of 12 N·m',
    withChannel(good, 'torque', (s) => (s[5000] = 0)),
    'drop-outs',
    'stand',
    1,
  ],
  [
    'a clock 900 ppm fast',
    { ...good, clock: { skew: 900e-6, departure: 0 } },
    'clock rate',
    'stand',
    900,
  ],
  [
    'a clock 900 ppm slow',
    { ...good, clock: { skew: -900e-6, departure: 0 } },
    'clock rate',
    'stand',
    900,
  ],
  [
    'a clock that is no number',
    { ...good, clock: { skew: NaN, departure: 0 } },
    'clock rate',
    'stand',
    Number.MAX_SAFE_INTEGER,
  ],
  [
    'a clock that steps by 10 ms',
    { ...good, clock: { skew: 0, departure: 0.005 } },
    'clock steady',
    'stand',
    5,
  ],
  [
    'device fault 17',
    { ...good, device: { ...good.device, fault: 17 } },
    'device fault',
    'item',
    17,
  ],
];

for (const [name, take, gate, blames, observed] of faults) {
  test(`${name}: "${gate}" does not hold, blames ${blames}, and nothing else is said`, () => {
    const [first, ...rest] = broken(take);
    expect(rest.map((other) => other.name)).toEqual([]);
    expect(first).toMatchObject({ name: gate, blames, scope: 'sweep', holds: false });
    if (observed !== undefined) expect(first?.observed).toBeCloseTo(observed, 6);
    expect(first?.evidence).toMatch(/^\S.*\d.*\.$|supply/u);
  });
}

test('evidence names the take, the channel and the time', () => {
  const [gate] = broken(withChannel(good, 'torque', (s) => s.fill(3.21, 5000, 5020)));
  expect(gate?.evidence).toBe(
    '20 samples stand still or jump to zero: torque in take 2 of 2 (smoothing 3), the first at 0.2500 s.',
  );
});

test('without a line over blocks the device time at the end counts', () => {
  const { clock, ...bare } = good;
  expect(clock).toBeDefined();
  expect(broken(bare)).toEqual([]);
  const late = { ...bare, device: { ...bare.device, time: 2.004 } };
  expect(broken(late).map((gate) => gate.name)).toEqual(['clock rate']);
});

const allowances: readonly (readonly [number, number])[] = [
  [0.6, 200 + 1e6 / 600],
  [2, 700],
  [20, 250],
];
for (const [seconds, ppm] of allowances) {
  test(`a take of ${seconds} s allows ${ppm.toFixed(0)} ppm: 200 and one update over its length`, () => {
    const gates = screen(captureOf(makeTake({ seconds, rate: 2000 })), H12).gates;
    expect(gates.find((gate) => gate.name === 'clock rate')?.allowed).toBeCloseTo(ppm, 6);
  });
}

test('updates the device missed are told but judged only when the link lost them', () => {
  const lossy = { ...good, device: { ...good.device, missing: 4 } };
  expect(broken(lossy)).toEqual([]);
  const gates = screen(captureOf(lossy), H12).gates;
  expect(gates.at(-1)?.evidence).toContain('missed 4 updates');
  const [gate, ...rest] = broken({ ...lossy, device: { ...lossy.device, linkLost: 4 } });
  expect(rest).toEqual([]);
  expect(gate).toMatchObject({ name: 'updates lost by the link', blames: 'link', observed: 4 });
});

test('a last block that runs over the end by less than a block is in order', () => {
  expect(broken({ ...good, misplaced: 399 })).toEqual([]);
});

test('NaN inside a recorded gap is counted once, as lost and not as strange', () => {
  let take = good;
  for (const channel of ['command', 'current', 'torque', 'supply', 'winding'] as const) {
    take = withChannel(take, channel, (s) => s.fill(NaN, 1000, 1600));
  }
  const names = broken({ ...take, gaps: [{ at: 1000, samples: 600 }] }).map((gate) => gate.name);
  expect(names).toEqual(['samples complete']);
});

test('several faults are all said at once', () => {
  const take = withChannel(
    withChannel(good, 'torque', (s) => (s[5] = NaN)),
    'current',
    (s) => (s[9] = 30),
  );
  const names = broken({ ...take, misplaced: 400 }).map((gate) => gate.name);
  expect(names).toEqual(['samples in order', 'values finite', 'converter clip']);
});

test('a capture that is not fit is no member of the screened, even when cast', () => {
  const capture = captureOf(withChannel(good, 'torque', (s) => s.fill(0)));
  screen(capture, H12);
  expect(isScreened(capture)).toBe(false);
  expect(isScreened({ ...captureOf(good) })).toBe(false);
});

test('thinning keeps the ends, every extreme, the order and no more than it may', () => {
  fc.assert(
    fc.property(
      fc.float32Array({ minLength: 1, maxLength: 3000, noNaN: true }),
      fc.integer({ min: 1, max: 200 }),
      (samples, columns) => {
        const { index, value } = thin(samples, columns);
        expect(index.length).toBeLessThanOrEqual(2 * columns + 2);
        expect([index[0], index.at(-1)]).toEqual([0, samples.length - 1]);
        expect([...index].every((at, i) => i === 0 || at > (index[i - 1] ?? NaN))).toBe(true);
        expect([...index].every((at, i) => Object.is(samples[at], value[i]))).toBe(true);
        const most = (a: number, b: number): number => Math.max(a, b);
        const least = (a: number, b: number): number => Math.min(a, b);
        expect(value.reduce(most)).toBe(samples.reduce(most));
        expect(value.reduce(least)).toBe(samples.reduce(least));
      },
    ),
    { seed: 9, numRuns: 200 },
  );
});

test('one spike in 400 000 samples is still there in 300 columns, and a gap stays a gap', () => {
  const samples = new Float32Array(400_000);
  samples[123_456] = -7;
  samples.fill(NaN, 200_000, 210_000);
  const { index, value } = thin(samples, 300);
  expect(value[index.indexOf(123_456)]).toBe(-7);
  expect(value.some((v, i) => Number.isNaN(v) && Math.abs((index[i] ?? 0) - 205_000) < 5000)).toBe(
    true,
  );
});
