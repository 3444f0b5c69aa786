import { describe, expect, test } from 'vitest';
import type { Clock } from '../../src/base/clock.js';
import {
  hertz,
  newtonMetre,
  pascal,
  type Quantity,
  radian,
  second,
  torquePerSecond,
} from '../../src/base/units.js';
import {
  type Block,
  type Channel,
  CHANNELS,
  type Energized,
  type Load,
} from '../../src/bench/bench.js';
import type { FaultName } from '../../src/bench/fault.js';
import { issuePermit, type Acknowledgement, type Task } from '../../src/bench/permit.js';
import { simulatedBench, type SimulatedBench } from '../../src/bench/simulated.js';
import { coggingAt } from '../../src/bench/spread.js';
import { drawParameters, trueValues } from '../../src/bench/truth.js';
import type { Wheel } from '../../src/pattern/waveform.js';
import type { Fixture } from '../../src/procedure/procedure.js';
import { soundLevel } from '../../src/scoring/weighting.js';
import { handClock } from '../support/clock.js';
import { STATION as station } from '../support/station.js';

const SERIAL = 'H12-26-04711';

interface Choice {
  readonly faults?: readonly FaultName[];
  readonly attempt?: number;
  readonly pace?: 'fast' | 'real';
  readonly clock?: Clock;
  readonly soundRange?: Quantity<'Pa'>;
}

function made(choice: Choice = {}): SimulatedBench {
  const { faults = [], attempt = 1, pace = 'fast', clock = handClock() } = choice;
  const { soundRange } = choice;
  const heard = soundRange === undefined ? station : { ...station, soundRange };
  return simulatedBench({ station: heard, serial: SERIAL, attempt, faults, clock, pace });
}

async function energized(bench: SimulatedBench, attempt = 1, clock?: Clock): Promise<Energized> {
  const now = (clock ?? handClock()).now();
  const task: Task = { bench: 'TW-1', serial: SERIAL, attempt, procedureDigest: 'a1' };
  const reply = (hazard: 'crushing' | 'sudden-torque'): Acknowledgement => ({
    hazard,
    by: 'A. Operator',
    at: now,
    serial: SERIAL,
    attempt,
    language: 'en',
    textIssue: 1,
    means: 'typed at the terminal',
  });
  const permit = issuePermit(task, [], [reply('crushing'), reply('sudden-torque')], now);
  if ('outstanding' in permit) throw new Error('no permit');
  return bench.energize(permit, task, newtonMetre(12.5));
}

const holding = (level: number, seconds: number): Load => ({
  waveform: { rate: hertz(1000), command: new Float64Array(1000 * seconds).fill(level) },
  settings: { smoothing: 0, fixture: 'coupled' },
});

function channel(blocks: readonly Block[], name: Channel): number[] {
  return blocks.flatMap((block) => [...(block.samples[name] ?? [])]);
}

const mean = (x: readonly number[]): number => x.reduce((a, b) => a + b, 0) / x.length;
const deviation = (x: readonly number[]): number => {
  const m = mean(x);
  return Math.sqrt(mean(x.map((v) => (v - m) ** 2)));
};

async function observed(bench: SimulatedBench, fixture: Fixture, seconds = 0.5): Promise<Block[]> {
  const blocks: Block[] = [];
  for await (const block of bench.observe(second(seconds), { smoothing: 0, fixture })) {
    blocks.push(block);
  }
  return blocks;
}

async function played(power: Energized, load: Load): Promise<Block[]> {
  const blocks: Block[] = [];
  for await (const block of power.play(load)) {
    blocks.push(block);
    power.feed();
  }
  return blocks;
}

describe('fixtures', () => {
  test('the shunt adds 5 N·m to the unloaded zero within 0.15 %', async () => {
    const bench = made();
    const zero = mean(channel(await observed(bench, 'uncoupled'), 'torque'));
    const shunt = mean(channel(await observed(bench, 'shunt'), 'torque'));
    expect(Math.abs((shunt - zero) / 5 - 1)).toBeLessThan(0.0015);
  });

  test('the coupled stand adds preload and cogging, and nothing else', async () => {
    const bench = made();
    const truth = trueValues({ station, serial: SERIAL, attempt: 1, faults: [] });
    const zero = mean(channel(await observed(bench, 'uncoupled'), 'torque'));
    const coupled = mean(channel(await observed(bench, 'coupled', 2), 'torque'));
    expect(Math.abs(coupled - zero - truth.preload - truth.cogging)).toBeLessThan(2e-3);
  });

  test('the unloaded transducer is as noisy as stated: 2 mN·m with 0.5 mN·m of hum', async () => {
    const noise = deviation(channel(await observed(made(), 'uncoupled', 2), 'torque'));
    expect(Math.abs(noise / Math.hypot(2e-3, 0.5e-3) - 1)).toBeLessThan(0.05);
  });
});

describe('noise', () => {
  const torque = async (bench: SimulatedBench): Promise<number[]> =>
    channel(await observed(bench, 'uncoupled', 0.1), 'torque');

  test('is the same for the same serial, attempt and take, and new for any other', async () => {
    const [first, again] = [made(), made()];
    const take1 = await torque(first);
    expect(await torque(again)).toEqual(take1);
    expect(await torque(first)).not.toEqual(take1);
    expect(await torque(made({ attempt: 2 }))).not.toEqual(take1);
  });
});

/** A clock on which whoever waits is at once where the wait ends; `each` sees every wait. */
function leapingClock(each: () => void = () => undefined): Clock & { later(ms: number): void } {
  let time = 0;
  const start = handClock().now();
  return {
    now: () => start + time,
    monotonic: () => time,
    wait: (ms) => {
      time += ms;
      each();
      return Promise.resolve();
    },
    later: (ms) => {
      time += ms;
    },
  };
}

describe('a bench at real pace', () => {
  test('hands out a block every 20 ms of its clock, the first after 200 ms of loading', async () => {
    const clock = leapingClock();
    const bench = made({ pace: 'real', clock });
    const arrivals: number[] = [];
    for await (const block of bench.observe(second(0.1), { smoothing: 0, fixture: 'coupled' })) {
      expect(block.start).toBe(400 * arrivals.length);
      arrivals.push(Math.round(clock.monotonic()));
    }
    expect(arrivals).toEqual([220, 240, 260, 280, 300]);
  });

  test('a reader that was busy gets its blocks no sooner than they are due', async () => {
    const clock = leapingClock();
    const bench = made({ pace: 'real', clock });
    const arrivals: number[] = [];
    for await (const block of bench.observe(second(0.06), { smoothing: 0, fixture: 'coupled' })) {
      arrivals.push(Math.round(clock.monotonic()));
      if (block.start === 0) clock.later(7);
    }
    expect(arrivals).toEqual([220, 240, 260]);
  });

  test.each([
    ['and feeds when it is back', true],
    ['and reads on without a feed', false],
  ])('drops its torque when its reader is away for 101 ms %s', async (_, feeds) => {
    const clock = leapingClock();
    const bench = made({ pace: 'real', clock });
    const power = await energized(bench, 1, clock);
    let last = 0;
    const play = async (): Promise<void> => {
      for await (const block of power.play(holding(3, 1))) {
        last = block.start;
        const away = block.start === 4000;
        if (away) clock.later(101);
        if (!away || feeds) power.feed(); // too late after being away
      }
    };
    await expect(play()).rejects.toThrow('bench/dead-man');
    expect(last).toBe(4000); // not one block of torque after it
  });
});

describe('stopping', () => {
  test('a ramp brings 6 N·m to zero in a straight line within 200 ms, then power is off', async () => {
    const levels: number[] = [];
    const watched: SimulatedBench[] = [];
    const clock = leapingClock(() => {
      for (const bench of watched) levels.push(bench.control.shaftTorque());
    });
    const bench = made({ pace: 'real', clock });
    watched.push(bench);
    const power = await energized(bench, 1, clock);
    for await (const block of power.play(holding(6, 1))) {
      power.feed();
      if (block.start < 4000) continue;
      levels.length = 0;
      await bench.makeSafe('ramp');
      break;
    }
    // Every 20 ms: 150 ms down, then zero.
    const want = [20, 40, 60, 80, 100, 120, 140].map((ms) => 6 * (1 - ms / 150));
    for (const [i, level] of want.entries()) {
      expect(Math.abs((levels[i] ?? NaN) - level)).toBeLessThan(0.15);
    }
    expect(Math.abs(levels[9] ?? NaN)).toBeLessThan(0.1);
  });

  test('off takes the torque away without a ramp', async () => {
    const bench = made();
    const power = await energized(bench);
    for await (const block of power.play(holding(6, 1))) {
      power.feed();
      if (block.start < 4000) continue;
      expect(bench.control.shaftTorque()).toBeGreaterThan(5.5);
      await bench.makeSafe('off');
      break;
    }
    expect(Math.abs(bench.control.shaftTorque())).toBeLessThan(0.05);
  });

  test('a waveform ends in zero torque, and so does one that its reader leaves', async () => {
    const bench = made();
    const power = await energized(bench);
    await played(power, holding(6, 0.3));
    const [after] = await played(power, holding(0, 0.1));
    expect(Math.abs(mean(channel(after === undefined ? [] : [after], 'current')))).toBeLessThan(
      0.1,
    );
  });
});

test('torque that nobody commanded above the ceiling ends in bench/ceiling', async () => {
  const bench = made();
  const power = await energized(bench);
  bench.control.uncommanded(14);
  await expect(played(power, holding(0, 0.5))).rejects.toThrow('bench/ceiling');
});

test('stale interlocks apply no power', async () => {
  const bench = made();
  bench.control.interlocks({ age: 0.3 });
  await expect(energized(bench)).rejects.toThrow('bench/interlock');
});

test('contradictory interlocks apply no power, and every open line is named at once', async () => {
  const bench = made();
  bench.control.interlocks({ guard: 'contradictory', emergencyStop: 'pressed' });
  await expect(energized(bench)).rejects.toThrow(/guard is contradictory.*\n.*stop is pressed/u);
});

test('a sample rate other than 20 kHz is refused', () => {
  const slow = { ...station, sampleRate: hertz(10_000) };
  const options = { station: slow, serial: SERIAL, attempt: 1, faults: [], clock: handClock() };
  expect(() => simulatedBench({ ...options, pace: 'fast' })).toThrow('bench/capability');
});

describe('what the bench can do', () => {
  test('is said in its ratings: four fixtures, turning by itself, a closed loop', () => {
    const { ratings } = made();
    expect(ratings.fixtures).toEqual(['coupled', 'uncoupled', 'shunt', 'timing']);
    expect(ratings.indexing).toBe('bench');
    expect(ratings.closedLoop).toBe(true);
  });

  test('with a microphone it has a sound channel, without one it has none', async () => {
    const still = made();
    expect(still.ratings.channels).not.toContain('sound');
    const [quiet] = await observed(still, 'uncoupled', 0.02);
    expect(Object.keys(quiet?.samples ?? {})).toEqual(still.ratings.channels);
    const hearing = made({ soundRange: pascal(2) });
    expect(hearing.ratings.channels).toEqual(CHANNELS);
    const blocks = await observed(hearing, 'uncoupled', 2);
    expect(Object.keys(blocks[0]?.samples ?? {})).toEqual([...CHANNELS]);
    const level = soundLevel(Float64Array.from(channel(blocks, 'sound')), 20_000, 'A');
    expect(Math.abs((level ?? NaN) - 30)).toBeLessThan(0.5);
  });

  test('a microphone changes no other channel', async () => {
    const [without, beside] = [made(), made({ soundRange: pascal(2) })];
    const load = holding(3, 0.1);
    const [first, second] = [
      await played(await energized(without), load),
      await played(await energized(beside), load),
    ];
    for (const name of without.ratings.channels) {
      expect(channel(second, name)).toEqual(channel(first, name));
    }
  });

  test('held at 6 N·m a good item is heard at 38 … 42 dB(A)', async () => {
    const level = async (soundRange: number): Promise<number> => {
      const bench = made({ soundRange: pascal(soundRange) });
      const blocks = await played(await energized(bench), holding(6, 2));
      const sound = channel(blocks, 'sound').slice(20_000);
      return soundLevel(Float64Array.from(sound), 20_000, 'A') ?? NaN;
    };
    const found = await level(2);
    expect(found).toBeGreaterThan(38);
    expect(found).toBeLessThan(42);
    expect(Math.abs((await level(20)) - found)).toBeLessThan(0.5); // 16 bits are fine enough
  });
});

describe('turning the shaft', () => {
  const restAt = async (bench: SimulatedBench, angle?: number): Promise<number> => {
    const settings = { smoothing: 0, fixture: 'coupled' as const };
    const turned = angle === undefined ? settings : { ...settings, angle: radian(angle) };
    const blocks: Block[] = [];
    for await (const block of bench.observe(second(0.5), turned)) blocks.push(block);
    return mean(channel(blocks, 'torque'));
  };

  test('shows the cogging of each angle without power, and that of the clamp again after', async () => {
    const bench = made();
    const { item, stand } = drawParameters({ station, serial: SERIAL, attempt: 1, faults: [] });
    const start = await restAt(bench);
    for (const angle of [0.01, 0.02, 0.03]) {
      const change = (await restAt(bench, angle)) - start;
      const want = coggingAt(item, stand.angle + angle) - coggingAt(item, stand.angle);
      expect(Math.abs(change - want)).toBeLessThan(1e-3);
    }
    expect(Math.abs((await restAt(bench)) - start)).toBeLessThan(1e-3);
  });

  test('takes 500 ms before the 200 ms of loading, once', async () => {
    const clock = leapingClock();
    const bench = made({ pace: 'real', clock });
    const first = async (): Promise<number> => {
      const begun = clock.monotonic();
      const settings = { smoothing: 0, fixture: 'coupled' as const, angle: radian(0.1) };
      for await (const block of bench.observe(second(0.02), settings)) {
        expect(block.start).toBe(0);
        return Math.round(clock.monotonic() - begun);
      }
      return NaN;
    };
    expect(await first()).toBe(720);
    expect(await first()).toBe(220);
  });

  test('with power on holds zero torque meanwhile, and a guard that opens ends it', async () => {
    const most: number[] = [];
    const watched: SimulatedBench[] = [];
    const clock = leapingClock(() => {
      for (const bench of watched) most.push(Math.abs(bench.control.shaftTorque()));
    });
    const bench = made({ pace: 'real', clock });
    const power = await energized(bench, 1, clock);
    watched.push(bench);
    const load = holding(3, 0.1);
    const turned = { ...load, settings: { ...load.settings, angle: radian(1) } };
    await played(power, turned);
    expect(Math.max(...most.slice(0, 30))).toBeLessThan(0.1);
    watched.length = 0;
    const back = played(power, holding(3, 0.1));
    bench.control.interlocks({ guard: 'open' });
    await expect(back).rejects.toThrow('bench/interlock');
  });
});

test('with an open guard the shaft is not turned, and one that stands needs no turn', async () => {
  const bench = made();
  bench.control.interlocks({ guard: 'open' });
  expect(await observed(bench, 'coupled', 0.02)).toHaveLength(1);
  const settings = { smoothing: 0, fixture: 'coupled' as const, angle: radian(0.1) };
  const looked = bench.observe(second(0.02), settings)[Symbol.asyncIterator]().next();
  await expect(looked).rejects.toThrow('bench/interlock');
});

describe('a wheel on a virtual spring', () => {
  const loop = (change: Partial<Wheel> = {}, updates = 2000): Load => ({
    waveform: {
      rate: hertz(1000),
      command: Float64Array.from({ length: updates }, (_, i) => (i < 50 ? 0.5 : 0)),
      wheel: {
        inertia: 0.03,
        drag: 0.03,
        damping: 0.3,
        stiffness: new Float64Array(updates).fill(30),
        limit: 4,
        ...change,
      },
    },
    settings: { smoothing: 2, fixture: 'coupled' },
  });
  const commanded = async (load: Load): Promise<number[]> =>
    channel(await played(await energized(made()), load), 'command');
  const most = (x: readonly number[]): number => x.reduce((a, b) => Math.max(a, Math.abs(b)), 0);

  test('at 30 N·m/rad a kick dies away, at 300 N·m/rad the loop ends at its limit', async () => {
    const soft = await commanded(loop());
    expect(most(soft)).toBeGreaterThan(0.3);
    expect(most(soft.slice(-4000))).toBeLessThan(0.3 * most(soft));
    const stiff = await commanded(loop({ stiffness: new Float64Array(2000).fill(300) }));
    expect(most(stiff)).toBeLessThanOrEqual(4.001);
    expect(most(stiff.slice(-10_000))).toBe(0);
  });

  test('is reckoned as it was checked, whatever becomes of the original', async () => {
    const load = loop();
    const bench = made();
    const power = await energized(bench);
    const seen: number[] = [];
    for await (const block of power.play(load)) {
      load.waveform.wheel?.stiffness.fill(1e6);
      seen.push(...channel([block], 'command'));
      power.feed();
    }
    expect(seen).toEqual(await commanded(loop()));
  });

  test.each([
    ['a limit above the ceiling', loop({ limit: 12.6 }), 'bench/ceiling'],
    ['a limit that is no number', loop({ limit: NaN }), 'bench/capability'],
    ['no inertia', loop({ inertia: 0 }), 'bench/capability'],
    ['negative damping', loop({ damping: -0.1 }), 'bench/capability'],
    ['too few stiffnesses', loop({ stiffness: new Float64Array(5) }), 'bench/capability'],
    [
      'an infinite stiffness',
      loop({ stiffness: new Float64Array(2000).fill(Infinity) }),
      'bench/capability',
    ],
  ])('with %s is refused before anything is played', async (_, load, code) => {
    const power = await energized(made());
    await expect(played(power, load)).rejects.toThrow(code);
  });
});

test('a silence of 300 ms counts as nothing missing, and torque is gone after 100 ms', async () => {
  const load = holding(2, 0.7);
  const power = await energized(made());
  const silence = { from: 200, to: 500 };
  const blocks = await played(power, { ...load, waveform: { ...load.waveform, silence } });
  const { updates, missing, gap } = blocks.at(-1)?.device ?? {};
  expect([updates, missing]).toEqual([400, 0]);
  expect(gap).toBeLessThan(1.1e-3);
  const current = channel(blocks, 'current');
  expect(mean(current.slice(5000, 5800))).toBeCloseTo(2 / 0.6, 0);
  expect(Math.abs(mean(current.slice(6200, 9800)))).toBeLessThan(0.05);
  expect(mean(current.slice(-1000))).toBeCloseTo(2 / 0.6, 0);
});

test.each([
  ['an angle beyond one turn', { angle: radian(7) }],
  ['no slew at all', { slew: torquePerSecond(0) }],
])('%s is refused, with power and without', async (_, change) => {
  const load = holding(1, 0.1);
  const settings = { ...load.settings, ...change };
  const looked = made().observe(second(0.1), settings)[Symbol.asyncIterator]().next();
  await expect(looked).rejects.toThrow('bench/capability');
  const power = await energized(made());
  await expect(played(power, { ...load, settings })).rejects.toThrow('bench/capability');
});

test.each([
  ['begins with the first update', { from: 0, to: 10 }],
  ['outlasts the waveform', { from: 50, to: 101 }],
  ['ends before it begins', { from: 50, to: 40 }],
])('a silence that %s is refused', async (_, silence) => {
  const load = holding(1, 0.1);
  const power = await energized(made());
  const waveform = { ...load.waveform, silence };
  await expect(played(power, { ...load, waveform })).rejects.toThrow('bench/capability');
});

test.each([
  ['an unknown smoothing setting', { smoothing: 6, fixture: 'coupled' as const }, 1000],
  ['a shaft that is not coupled', { smoothing: 0, fixture: 'uncoupled' as const }, 1000],
  ['too many updates', { smoothing: 0, fixture: 'coupled' as const }, 20_001],
])('%s is refused before anything is played', async (_, settings, rate) => {
  const power = await energized(made());
  const load = { waveform: { rate: hertz(rate), command: new Float64Array(100) }, settings };
  await expect(played(power, load)).rejects.toThrow('bench/capability');
});

test('a waveform changed after it was handed over is played as it was checked', async () => {
  const bench = made();
  const power = await energized(bench);
  const load = holding(1, 0.3);
  let most = 0;
  for await (const block of power.play(load)) {
    load.waveform.command.fill(12);
    most = Math.max(most, ...channel([block], 'command'));
    power.feed();
  }
  expect(most).toBeLessThan(1.01);
});

describe('faults show where they should', () => {
  const at = async (faults: readonly FaultName[], level: number): Promise<Block[]> => {
    const power = await energized(made({ faults }));
    return played(power, holding(level, 0.5));
  };
  const last = (blocks: readonly Block[], name: Channel): number =>
    mean(channel(blocks, name).slice(-4000));

  test('reversed polarity: the torque channel has the other sign, the current has not', async () => {
    const blocks = await at(['reversed-polarity'], 3);
    expect(last(blocks, 'torque')).toBeCloseTo(-3, 0);
    expect(last(blocks, 'current')).toBeCloseTo(5, 0);
  });

  test('weak magnets: 6 % less torque for the same current', async () => {
    const [good, weak] = [await at([], 6), await at(['weak-magnets'], 6)];
    expect(last(weak, 'torque') / last(good, 'torque')).toBeCloseTo(0.94, 2);
    expect(last(weak, 'current') / last(good, 'current')).toBeCloseTo(1, 3);
  });

  test('converter clip: 12 N·m read as 10', async () => {
    const torque = channel(await at(['converter-clip'], 12), 'torque');
    expect(Math.max(...torque)).toBeCloseTo(10, 3);
    expect(torque.filter((t) => t === Math.max(...torque)).length).toBeGreaterThan(8000);
  });

  test('zero drift: the unloaded zero moves by 40 mN·m a minute', async () => {
    const bench = made({ faults: ['zero-drift'] });
    const torque = channel(await observed(bench, 'uncoupled', 6), 'torque');
    const drift = mean(torque.slice(-20_000)) - mean(torque.slice(0, 20_000));
    expect((60 * drift) / 5).toBeCloseTo(0.04, 3);
  });

  test('transducer drop-outs: blocks are missing, the device misses no update', async () => {
    const bench = made({ faults: ['transducer-dropouts'] });
    const power = await energized(bench);
    const blocks = await played(power, holding(0, 41));
    const starts = blocks.map((block) => block.start / 400);
    const gaps = starts.filter((start, i) => i > 0 && start - (starts[i - 1] ?? 0) > 1);
    expect(gaps.length).toBe(2);
    expect(blocks.at(-1)?.device.missing).toBe(0);
    expect(blocks.at(-1)?.device.updates).toBe(41_000);
  });

  test('a hard loop overshoots by more than 30 %, a good one by less than 3 % with its noise', async () => {
    const peakOf = async (faults: readonly FaultName[]): Promise<number> => {
      const current = channel(await at(faults, 3), 'current');
      return Math.max(...current) / mean(current.slice(-4000)) - 1;
    };
    expect(await peakOf(['detuned-high'])).toBeGreaterThan(0.3);
    expect(await peakOf([])).toBeLessThan(0.03);
  });
});
