import { expect, test } from 'vitest';
import type { Take } from '../../src/capture/capture.js';
import { cutAtEnd } from '../../src/capture/record.js';
import { screen } from '../../src/capture/screen.js';
import { stopTime, type StopStage } from '../../src/scoring/stop-time.js';
import { captureOf, makeTake } from '../support/takes.js';

const RATE = 20_000;
const STAGE: StopStage = { rest: 0.03, commanded: 1.2, after: 0.5 };
const H12 = { torqueRange: 20, currentRange: 30, updates: 1000, isStopProof: true };

/** A hold of 1.2 N·m on a zero of 0.03 N·m whose torque follows `share` after the line opened at 1 s. */
function stopped(share: (after: number) => number, opened = RATE): Take {
  const torque = (t: number): number => 0.03 + 1.2 * (t < 1 ? 1 : share(t - 1));
  const take = makeTake({ seconds: 1.5, torque });
  return { ...take, device: { ...take.device, fault: 13 }, opened };
}

/** The same take in which no line opened. */
function closed(take: Take): Take {
  const { opened: none, ...rest } = take;
  return none === undefined ? take : rest;
}

function read(take: Take, stage: Partial<StopStage> = {}) {
  const screening = screen(captureOf(take), H12);
  if (!screening.fit) throw new Error(screening.gates.map(({ evidence }) => evidence).join());
  return stopTime(screening.capture, { ...STAGE, ...stage });
}

/** Time in s that the formula gives; noise of 2 mN·m moves a slow fall by some samples. */
const FALLS: readonly (readonly [
  name: string,
  fall: (t: number) => number,
  s: number,
  by: number,
])[] = [
  ['cut after 30 ms', (t) => (t < 0.03 ? 1 : 0), 0.03, 2 / RATE],
  ['cut at once', () => 0, 0, 2 / RATE],
  ['along a line over 200 ms', (t) => Math.max(0, 1 - t / 0.2), 0.19, 0.003],
  ['like a lag of 20 ms: τ·ln 20', (t) => Math.exp(-t / 0.02), 0.02 * Math.log(20), 0.003],
  [
    'ringing of 361 Hz with damping 3 %, the last half wave above 5 % counts',
    (t) => Math.exp(-68 * t) * Math.cos(2 * Math.PI * 361 * t),
    Math.log(20) / 68,
    1 / 722,
  ],
];
for (const [name, fall, seconds, by] of FALLS) {
  test(`torque ${name}`, () => {
    const found = read(stopped(fall));
    if (found.kind !== 'read') throw new Error(found.reason);
    expect(found.atLeast).toBe(false);
    expect(Math.abs(found.time - seconds)).toBeLessThanOrEqual(by);
    expect(found.level).toBeCloseTo(1.2, 3);
  });
}

test('torque that stays is a lower bound: all that was seen', () => {
  expect(read(stopped(() => 1))).toMatchObject({ kind: 'read', atLeast: true, time: 0.5 });
  const tenth = read(stopped((t) => (t < 0.1 ? 1 : 0.06)));
  expect(tenth).toMatchObject({ atLeast: true, time: 0.5 });
});

test('without the zero of the coupled shaft taken out, the time would be wrong', () => {
  expect(
    read(
      stopped(() => 0),
      { rest: -0.05 },
    ),
  ).toMatchObject({ atLeast: true });
});

const idle = makeTake({ seconds: 1.5 }).device;
const NONE: readonly (readonly [
  name: string,
  take: Take,
  stage: Partial<StopStage>,
  why: RegExp,
])[] = [
  ['nobody pressed', closed({ ...stopped(() => 1), device: idle }), {}, /nobody pressed/u],
  ['pressed before the torque stood', stopped(() => 1, 3000), {}, /before the torque stood/u],
  ['pressed too late', stopped(() => 0, 25_000), {}, /ends 0\.25 s after the press/u],
  ['hardly any torque', stopped(() => 0), { commanded: 12 }, /of 12 N·m: there was no torque/u],
];
for (const [name, take, stage, why] of NONE) {
  test(`${name}: no proof`, () => {
    const found = read(take, stage);
    expect(found).toMatchObject({ kind: 'not-evaluated' });
    expect(found.kind === 'read' ? '' : found.reason).toMatch(why);
  });
}

test('a device that took its torque away is fit when a line opened in a proof, and at no other time', () => {
  const take = stopped(() => 0);
  expect(screen(captureOf(take), H12).fit).toBe(true);
  expect(screen(captureOf(take), { ...H12, isStopProof: false }).fit).toBe(false);
  expect(screen(captureOf(closed(take)), H12).fit).toBe(false);
});

test('a take that a stop ended is cut to what came; a gap before its end stays', () => {
  const take = stopped(() => 0);
  const open = {
    ...take,
    gaps: [
      { at: 100, samples: 50 },
      { at: 28_000, samples: 2000 },
    ],
  };
  const cut = cutAtEnd(open);
  expect(cut.expected).toBe(28_000);
  expect(cut.channels.torque).toHaveLength(28_000);
  expect(cut.gaps).toEqual([{ at: 100, samples: 50 }]);
  expect(cutAtEnd(take)).toBe(take);
});
