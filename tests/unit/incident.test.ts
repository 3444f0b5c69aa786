import { describe, expect, test } from 'vitest';
import { StallmarkError } from '../../src/base/error.js';
import { hertz, newtonMetre, second } from '../../src/base/units.js';
import type { Block, Channel, Energized } from '../../src/bench/bench.js';
import type { FaultName } from '../../src/bench/fault.js';
import { Incidents } from '../../src/bench/incident.js';
import { issuePermit, type Acknowledgement, type Task } from '../../src/bench/permit.js';
import { simulatedBench, type SimulatedBench } from '../../src/bench/simulated.js';
import { trueValues } from '../../src/bench/truth.js';
import type { Fixture } from '../../src/procedure/procedure.js';
import { interlockCheck } from '../../src/readiness/readiness.js';
import { handClock } from '../support/clock.js';
import { STATION as station } from '../support/station.js';

const SERIAL = 'H12-26-04711';
const hand = handClock();
const clock = { ...hand, wait: (ms: number): Promise<void> => hand.advance(ms) };

const made = (...faults: FaultName[]): SimulatedBench =>
  simulatedBench({ station, serial: SERIAL, attempt: 1, faults, clock, pace: 'fast' });

async function energized(bench: SimulatedBench): Promise<Energized> {
  const task: Task = { bench: 'TW-1', serial: SERIAL, attempt: 1, procedureDigest: 'a1' };
  const reply = (hazard: 'crushing' | 'sudden-torque'): Acknowledgement => ({
    hazard,
    by: 'A. Operator',
    at: clock.now(),
    serial: SERIAL,
    attempt: 1,
    language: 'en',
    textIssue: 1,
    means: 'typed at the terminal',
  });
  const permit = issuePermit(task, [], [reply('crushing'), reply('sudden-torque')], clock.now());
  if ('outstanding' in permit) throw new Error('no permit');
  return bench.energize(permit, task, newtonMetre(12.5));
}

/** Plays holds of 0.3 s one after the other as one waveform. */
async function played(power: Energized, ...levels: readonly number[]): Promise<Block[]> {
  const command = Float64Array.from(levels.flatMap((level) => Array<number>(300).fill(level)));
  const load = {
    waveform: { rate: hertz(1000), command },
    settings: { smoothing: 0, fixture: 'coupled' as const },
  };
  const blocks: Block[] = [];
  for await (const block of power.play(load)) {
    blocks.push(block);
    power.feed();
  }
  return blocks;
}

async function observed(bench: SimulatedBench, fixture: Fixture, seconds: number) {
  const blocks: Block[] = [];
  for await (const block of bench.observe(second(seconds), { smoothing: 0, fixture })) {
    blocks.push(block);
  }
  return blocks;
}

const channel = (blocks: readonly Block[], name: Channel): number[] =>
  blocks.flatMap((block) => [...(block.samples[name] ?? [])]);
const mean = (x: readonly number[]): number => x.reduce((a, b) => a + b, 0) / x.length;
/** Largest difference between means over 20 ms. */
const wander = (blocks: readonly Block[]): number => {
  const means = blocks.map((block) => mean([...(block.samples.torque ?? [])]));
  return Math.max(...means) - Math.min(...means);
};

async function problemsOf(action: Promise<unknown>): Promise<StallmarkError['problems']> {
  const error: unknown = await action.then(
    () => undefined,
    (reason: unknown) => reason,
  );
  if (error instanceof StallmarkError) return error.problems;
  throw new Error('nothing was refused', { cause: error });
}

test('an incident happens once, in the first moment with its torque of either sign', () => {
  const incidents = new Incidents([
    { what: 'device-hang', torque: 5 },
    { what: 'guard-opened', torque: 0.5 },
    { what: 'stop-pressed', torque: 5 },
  ]);
  expect(incidents.due(0.4)).toEqual([]);
  expect(incidents.due(-0.5)).toEqual(['guard-opened']);
  expect(incidents.due(-0.5)).toEqual([]);
  expect(incidents.due(6)).toEqual(['device-hang', 'stop-pressed']);
  expect(incidents.due(12)).toEqual([]);
});

describe('a safety line that opens', () => {
  const LINES = [
    ['guard-opened', 'The guard is open.'],
    ['emergency-stop', 'The emergency stop is pressed.'],
    ['presence-lost', 'The hold-to-run device is released.'],
  ] as const;

  test.each(LINES)('%s cuts the torque at 0.5 N·m and says which line', async (fault, line) => {
    const bench = made(fault);
    const power = await energized(bench);
    expect(mean(channel(await played(power, 0.2), 'torque').slice(-2000))).toBeCloseTo(0.2, 1);
    const problems = await problemsOf(played(power, 0, 0.6, 0.6));
    expect(problems.map(({ code }) => code)).toEqual(['bench/interlock', 'bench/interlock']);
    expect(problems.map(({ what }) => what)).toContain(line);
    await bench.makeSafe('off');
    expect(Math.abs(bench.control.shaftTorque())).toBeLessThan(0.1);
    expect((await problemsOf(energized(bench))).map(({ what }) => what)).toContain(line);
  });

  test('power is refused while nobody holds the hold-to-run device, readiness names it', async () => {
    const bench = made();
    bench.control.interlocks({ presence: 'released' });
    const [problem] = await problemsOf(energized(bench));
    expect(problem).toMatchObject({
      code: 'bench/interlock',
      what: 'The hold-to-run device is released.',
    });
    const released = interlockCheck(await bench.interlocks());
    expect(released).toMatchObject({ state: 'failed', clear: 'operator' });
    expect(released.found).toContain('hold-to-run device released');
    bench.control.interlocks({ presence: 'contradictory' });
    expect(interlockCheck(await bench.interlocks()).clear).toBe('maintenance');
  });
});

describe('an item that gives up', () => {
  test('a device that hangs is unreachable, and its torque is gone by itself', async () => {
    const bench = made('device-hang');
    const [problem] = await problemsOf(energized(bench).then((power) => played(power, 3, 3)));
    expect(problem.code).toBe('bench/unreachable');
    expect(Math.abs(bench.control.shaftTorque())).toBeLessThan(0.1);
  });

  test('a device that reports a fault has dropped its torque', async () => {
    const bench = made('fault-code');
    const [problem] = await problemsOf(energized(bench).then((power) => played(power, 3, 3)));
    expect(problem).toMatchObject({ code: 'bench/device-fault' });
    expect(problem.what).toContain('fault 14');
    await bench.makeSafe('off');
    expect(Math.abs(bench.control.shaftTorque())).toBeLessThan(0.1);
  });
});

describe('faults show where they should', () => {
  const zero = (blocks: readonly Block[]): number => mean(channel(blocks, 'torque'));

  test('a shunt that was left on adds its 5 N·m always, so switching it in adds nothing', async () => {
    const bench = made('shunt-left-on');
    const without = zero(await observed(bench, 'uncoupled', 0.2));
    expect(without).toBeCloseTo(5, 1);
    expect(zero(await observed(bench, 'shunt', 0.2)) - without).toBeCloseTo(0, 2);
  });

  test('a hand moves the coupled zero by more than 0.2 N·m, and no other', async () => {
    const bench = made('hand-on-wheel');
    expect(wander(await observed(bench, 'uncoupled', 2))).toBeLessThan(0.01);
    const coupled = wander(await observed(bench, 'coupled', 2));
    expect(coupled).toBeGreaterThan(0.2);
    expect(coupled).toBeLessThan(0.6);
    expect(wander(await observed(made(), 'coupled', 2))).toBeLessThan(0.01);
  });

  test('a hot item shows 45 °C at the start', async () => {
    const blocks = await observed(made('hot-item'), 'coupled', 0.1);
    expect(mean(channel(blocks, 'winding'))).toBeCloseTo(45, 0);
  });

  test('a clock that steps jumps by 20 ms and back, and runs true between', async () => {
    const blocks = await observed(made('clock-step'), 'uncoupled', 4);
    const apart = blocks.map(({ device, start }) => device.time - (start + 400) / 20_000);
    const jumps = apart.slice(1).map((late, i) => late - (apart[i] ?? NaN));
    const large = jumps.filter((jump) => Math.abs(jump) > 1e-4);
    expect(large.length).toBeGreaterThanOrEqual(2);
    for (const jump of large) expect(Math.abs(jump)).toBeCloseTo(0.02, 4);
    expect(large.slice(1).every((jump, i) => jump * (large[i] ?? NaN) < 0)).toBe(true);
  });

  test('asymmetry: +3 N·m comes out 1.6 % greater than −3 N·m', async () => {
    const ratio = async (...faults: FaultName[]): Promise<number> => {
      const torque = channel(await played(await energized(made(...faults)), 3, 0, -3, 0), 'torque');
      const at = (hold: number): number =>
        mean(torque.slice(6000 * hold + 3000, 6000 * hold + 6000));
      const rest = (at(1) + at(3)) / 2;
      return (at(0) - rest) / (rest - at(2));
    };
    // Friction of 25 mN·m leaves some of it in every hold: a share of 0.8 % of 3 N·m.
    expect((await ratio('asymmetry')) / (await ratio())).toBeCloseTo(1.016, 2);
  });

  test('a weak supply sags to the voltage that its resistance and the copper loss make', async () => {
    const truth = trueValues({
      station,
      serial: SERIAL,
      attempt: 1,
      faults: ['weak-supply'],
    }).supplyAtPeak;
    const supply = channel(await played(await energized(made('weak-supply')), 12), 'supply');
    expect(mean(supply.slice(-2000))).toBeCloseTo(truth, 0);
  });

  test('another model says so; an old build has another digest under the same version', async () => {
    expect(await made('wrong-model').identify()).toMatchObject({
      model: 'H06',
      serial: 'H06-26-04711',
    });
    const [shipped, old] = [await made().identify(), await made('late-firmware').identify()];
    expect(old.firmware).toBe(shipped.firmware);
    expect(old.firmwareDigest).not.toBe(shipped.firmwareDigest);
  });
});
