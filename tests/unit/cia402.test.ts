import fc from 'fast-check';
import { expect, test } from 'vitest';
import {
  after,
  COMMANDS,
  DRIVE_STATES,
  mayCarryTorque,
  nextCommand,
  perMilleOf,
  perMilleWithin,
  slopeWithin,
  stateOf,
  torqueOf,
} from '../../src/link/cia402.js';

test('each of the 65,536 statuswords has one state or none', () => {
  for (let word = 0; word <= 0xffff; word++) {
    const state = stateOf(word);
    if (state !== undefined) expect(DRIVE_STATES).toContain(state);
    // Bits that tell no state do not change it.
    expect(stateOf(word ^ 0xff90)).toBe(state);
  }
});

test('a statusword of no state counts as power', () => {
  expect(stateOf(0x01)).toBeUndefined();
  expect(mayCarryTorque(undefined)).toBe(true);
});

for (const state of DRIVE_STATES) {
  for (const command of COMMANDS) {
    test(`${command} in "${state}" leads to operation only from two states`, () => {
      const to = after(state, command);
      if (to !== 'operation enabled' || state === 'operation enabled') return;
      expect(command).toBe('enable operation');
      expect(['switched on', 'quick stop active']).toContain(state);
    });
  }

  test(`from "${state}" both goals are reached by commands, or wait for the drive`, () => {
    for (const goal of ['switch on disabled', 'operation enabled'] as const) {
      let at = state;
      let steps = 0;
      for (let next = nextCommand(at, goal); next !== undefined; next = nextCommand(at, goal)) {
        at = after(at, next);
        steps += 1;
        if (steps > 6) break;
      }
      const waits = ['not ready to switch on', 'fault reaction active', 'fault'];
      expect([goal, ...waits]).toContain(at);
      expect(steps).toBeLessThanOrEqual(4);
    }
  });
}

test('a fault is never reset on the way to torque', () => {
  expect(nextCommand('fault', 'operation enabled')).toBeUndefined();
  expect(nextCommand('fault', 'switch on disabled')).toBe('fault reset');
});

const rated = fc.integer({ min: 1, max: 1_000_000 });
const torque = fc.double({ min: 0, max: 500, noNaN: true });

test('a ceiling in ‰ is never above the ceiling, and one more would be', () => {
  fc.assert(
    fc.property(torque, rated, (ceiling, mNm) => {
      const most = perMilleWithin(ceiling, mNm);
      expect(torqueOf(most, mNm)).toBeLessThanOrEqual(ceiling);
      expect(torqueOf(most + 1, mNm)).toBeGreaterThan(ceiling);
    }),
    { seed: 13, numRuns: 200 },
  );
});

test('2.3 N·m of 10 N·m are 230 ‰ and read back as 2.3 N·m', () => {
  expect(perMilleWithin(2.3, 10_000)).toBe(230);
  expect(torqueOf(230, 10_000)).toBe(2.3);
});

test('a level is the nearest ‰ unless that is above the ceiling', () => {
  expect(perMilleOf(3.456, 10_000, 1000)).toBe(346);
  expect(perMilleOf(3.456, 10_000, 345)).toBe(345);
  expect(perMilleOf(-3.456, 10_000, 345)).toBe(-345);
  expect(Object.is(perMilleOf(-0.001, 10_000, 345), 0)).toBe(true);
  fc.assert(
    fc.property(torque, rated, fc.double({ min: -1, max: 1, noNaN: true }), (most, mNm, share) => {
      const ceiling = perMilleWithin(most, mNm);
      const target = perMilleOf(share * torqueOf(ceiling, mNm), mNm, ceiling);
      expect(Math.abs(torqueOf(target, mNm))).toBeLessThanOrEqual(most);
    }),
    { seed: 13, numRuns: 200 },
  );
});

test('a slope is rounded down, and is 0 below 1 ‰ a second', () => {
  expect(slopeWithin(2.3, 10_000)).toBe(230);
  expect(slopeWithin(2.3059, 10_000)).toBe(230);
  expect(slopeWithin(0.0099, 10_000)).toBe(0);
  expect(slopeWithin(1e12, 1)).toBe(0xffff_ffff);
});
