import { describe, expect, test } from 'vitest';
import {
  hertz,
  inertia,
  newtonMetre,
  pascal,
  radian,
  second,
  torquePerRadian,
  viscous,
} from '../../src/base/units.js';
import { commutationAt, type Parameters } from '../../src/bench/spread.js';
import { drawParameters } from '../../src/bench/truth.js';
import { isNonEmpty } from '../../src/base/numbers.js';
import type { Pattern, Settings, Stage } from '../../src/procedure/procedure.js';
import { characteristic } from '../../src/scoring/catalogue.js';
import type { Outcome } from '../../src/scoring/scoring.js';
import { criticalStiffness } from '../../src/scoring/stability.js';
import { captureOnBench } from '../support/bench-capture.js';
import { context, hold, slewed, stageOf, steps } from '../support/made-capture.js';
import { multisine } from '../support/patterns.js';
import { STATION } from '../support/station.js';

const SERIALS = ['H12-26-00001', 'H12-26-00008', 'H12-26-00015'];
const station = { ...STATION, soundRange: pascal(20) };
const drawn = (serial: string): Parameters =>
  drawParameters({ station, serial, attempt: 1, faults: [] });

interface Asked {
  readonly pattern: Pattern;
  readonly takes?: readonly Settings[];
  readonly power?: Stage['power'];
  readonly reads: Readonly<Record<string, Readonly<Record<string, number>>>>;
}

/** Plays one stage on the simulated bench and reads everything asked for. */
async function read(serial: string, asked: Asked): Promise<Readonly<Record<string, Outcome>>> {
  const { pattern, takes = [{ smoothing: 0, fixture: 'coupled' }], power = 'on', reads } = asked;
  if (!isNonEmpty(takes)) throw new Error('no takes');
  const stage = { ...stageOf(pattern, {}, power), takes };
  const capture = await captureOnBench(stage, { serial, station });
  const [reading] = stage.reads;
  if (reading === undefined) throw new Error('a stage that reads nothing');
  return Object.fromEntries(
    Object.entries(reads).map(([id, options]) => {
      const entry = characteristic(id);
      if (entry === undefined) throw new Error(`no ${id}`);
      return [id, entry.score(capture, stage, { ...reading, options }, context)];
    }),
  );
}

function valueOf(outcomes: Readonly<Record<string, Outcome>>, id: string): number {
  const found = outcomes[id];
  if (found?.kind === 'measured') return found.value;
  throw new Error(found?.reason ?? `no ${id}`);
}

describe.each(SERIALS)('%s', (serial) => {
  const { item, stand } = drawn(serial);

  test('resonance of the stand within 0.3 %, damping within 10 %, compliance within twice the first', async () => {
    const pattern = multisine({ from: hertz(20), to: hertz(480), lines: 90, periods: 6 });
    const reads = {
      'stand-resonance': {},
      'stand-damping': {},
      'stand-compliance': { inertia: item.inertia },
    };
    const found = await read(serial, { pattern, reads });
    const resonance = Math.sqrt(stand.stiffness / item.inertia) / (2 * Math.PI);
    expect(Math.abs(valueOf(found, 'stand-resonance') / resonance - 1)).toBeLessThan(0.003);
    expect(Math.abs(valueOf(found, 'stand-damping') / stand.damping - 1)).toBeLessThan(0.1);
    expect(Math.abs(valueOf(found, 'stand-compliance') * stand.stiffness - 1)).toBeLessThan(0.006);
  });

  test('delays of both channels within 5 µs', async () => {
    const takes: readonly Settings[] = [{ smoothing: 0, fixture: 'timing' }];
    const reads = { 'torque-delay': {}, 'current-delay': {} };
    const found = await read(serial, { pattern: hold(0, 3), takes, power: 'off', reads });
    expect(Math.abs(valueOf(found, 'torque-delay') - stand.amplifierDelay)).toBeLessThan(5e-6);
    expect(Math.abs(valueOf(found, 'current-delay') - stand.currentDelay)).toBeLessThan(5e-6);
  });

  test('reaction to loss of commands within 0.06 ms, the uncertainty that is stated for times', async () => {
    const pattern: Pattern = {
      kind: 'silence',
      level: newtonMetre(3),
      before: second(0.3),
      silent: second(0.3),
      after: second(0.1),
    };
    const found = await read(serial, { pattern, reads: { 'command-loss-reaction': {} } });
    // The torque of the last update goes to zero as after a step: slew limit, then the current loop.
    const fall = slewed(item.slew, 1 / (2 * Math.PI * item.loop.frequency), item.deadTime);
    let time = 0;
    while (3 + fall(time, -3) > 0.15) time += 1e-6;
    const expected = item.commandTimeout + time;
    expect(Math.abs(valueOf(found, 'command-loss-reaction') - expected)).toBeLessThan(0.06e-3);
  });

  test.each([0, 2])(
    'stability margin at setting %i within 3 %%, half of what is stated for it',
    async (smoothing) => {
      const pattern: Pattern = {
        kind: 'virtual-spring',
        stiffness: { from: torquePerRadian(40), to: torquePerRadian(150), factor: 1.25 },
        damping: viscous(0.3),
        wheel: { inertia: inertia(0.03), drag: viscous(0.03) },
        kick: newtonMetre(0.5),
        dwell: second(0.8),
        limit: newtonMetre(4),
      };
      const takes: readonly Settings[] = [{ smoothing, fixture: 'coupled' }];
      const found = await read(serial, { pattern, takes, reads: { 'stability-margin': {} } });
      const corner = item.smoothing[smoothing] ?? 0;
      const late = stand.amplifierDelay + stand.converterDelay / 20_000 + stand.loopDelay;
      const loop = {
        period: 1e-3,
        delay: item.deadTime + late,
        poles: [item.loop.frequency, ...(corner > 0 ? [corner, corner] : [])],
      };
      const edge = criticalStiffness({ inertia: 0.03, damping: 0.03 }, 0.3, loop);
      expect(
        Math.abs(valueOf(found, 'stability-margin') / (edge?.stiffness ?? NaN) - 1),
      ).toBeLessThan(0.03);
    },
  );

  test('cogging within 2 mN·m and torque over angle within 0.1 %, at 13 angles of one electrical turn', async () => {
    const angles = Array.from({ length: 13 }, (_, k) => (2 * Math.PI * k) / 130);
    const takes = angles.map((angle): Settings => ({
      smoothing: 2,
      fixture: 'coupled',
      angle: radian(angle),
    }));
    const still = await read(serial, {
      pattern: hold(0, 0.8),
      takes,
      power: 'off',
      reads: { cogging: { periods: 120 } },
    });
    expect(Math.abs(valueOf(still, 'cogging') - item.cogging)).toBeLessThan(2e-3);
    const pulled = await read(serial, {
      // Shaped edges: a step would ring past its level and leave bearing friction with either sign.
      pattern: steps([0, 4, -4, 0], 0.3, 1, 0.05),
      takes,
      reads: { 'torque-over-angle': { 'pole-pairs': 10 } },
    });
    const shares = angles.map((angle) => commutationAt(item, stand.angle + angle));
    const truth = Math.max(...shares) - Math.min(...shares);
    expect(Math.abs(valueOf(pulled, 'torque-over-angle') - truth)).toBeLessThan(1e-3);
  });

  test('sound grows with less smoothing', async () => {
    const pattern: Pattern = {
      kind: 'staircase',
      rate: hertz(100),
      of: { kind: 'sine', amplitude: newtonMetre(6), frequency: hertz(1), duration: second(2) },
    };
    const takes = [0, 2, 4].map((smoothing): Settings => ({ smoothing, fixture: 'coupled' }));
    const levels: number[] = [];
    for (const smoothing of [0, 2, 4]) {
      const found = await read(serial, { pattern, takes, reads: { 'sound-level': { smoothing } } });
      levels.push(valueOf(found, 'sound-level'));
    }
    expect(levels).toEqual([...levels].sort((a, b) => b - a));
    expect((levels[0] ?? 0) - (levels[2] ?? 0)).toBeGreaterThan(3);
  });
});
