import { afterEach, describe, expect, test } from 'vitest';
import type { ErrorCode } from '../../src/base/codes.js';
import { StallmarkError } from '../../src/base/error.js';
import { hertz, newtonMetre, radian } from '../../src/base/units.js';
import type { Block, Channel, Energized } from '../../src/bench/bench.js';
import { FAULT_CODES } from '../../src/bench/drive.js';
import type { FaultName } from '../../src/bench/fault.js';
import { type Acknowledgement, issuePermit } from '../../src/bench/permit.js';
import { simulatedBench } from '../../src/bench/simulated.js';
import type { ControlledStand } from '../../src/emulator/controlled-stand.js';
import { emulatedStand } from '../../src/emulator/plant-stand.js';
import type { EmulatedTake } from '../../src/emulator/stand.js';
import type { StandPace } from '../../src/emulator/time.js';
import type { Waveform } from '../../src/pattern/waveform.js';
import type { Settings } from '../../src/procedure/procedure.js';
import { handClock, type HandClock } from '../support/clock.js';
import { STATION as station } from '../support/station.js';
import { KeptJournal } from '../support/kept-journal.js';

const SERIAL = 'H12-26-04711';
const coupled: Settings = { smoothing: 0, fixture: 'coupled' };
const BLOCK = 400;

interface Made {
  readonly stand: ControlledStand;
  readonly clock: HandClock;
  readonly journal: KeptJournal;
  /** Moves the clock that the stand reads on at once, as if the program had stood still. */
  readonly jump: (ms: number) => void;
}

const open: Made[] = [];

function made(pace: StandPace = 'patient', faults: readonly FaultName[] = []): Made {
  const clock = handClock();
  let ahead = 0; // ms
  const journal = new KeptJournal(() => BigInt(Math.round(1e6 * clock.monotonic())));
  const stand = emulatedStand({
    ...{ station, serial: SERIAL, attempt: 1, faults, pace, journal },
    clock: {
      now: () => clock.now(),
      wait: (ms) => clock.wait(ms),
      monotonic: () => clock.monotonic() + ahead,
    },
  });
  const jump = (ms: number): void => {
    ahead += ms;
  };
  const one = { stand, clock, journal, jump };
  open.push(one);
  return one;
}

afterEach(() => {
  for (const { stand } of open.splice(0)) stand.close();
});

function holding(level: number, seconds: number): Waveform {
  return { rate: hertz(1000), command: new Float64Array(Math.round(1000 * seconds)).fill(level) };
}

function codeOf(act: () => unknown): ErrorCode | 'none' {
  try {
    act();
    return 'none';
  } catch (error) {
    if (error instanceof StallmarkError) return error.problems[0].code;
    throw error;
  }
}

async function refused(outcome: Promise<unknown>): Promise<ErrorCode | 'none'> {
  try {
    await outcome;
    return 'none';
  } catch (error) {
    if (error instanceof StallmarkError) return error.problems[0].code;
    throw error;
  }
}

/** Lets what waits for no clock run. */
async function turns(count = 50): Promise<void> {
  for (let i = 0; i < count; i += 1) await new Promise((resolve) => setImmediate(resolve));
}

/** Lets the clock go on until something has happened. */
async function until<T>(clock: HandClock, outcome: Promise<T>, most = 5000): Promise<T> {
  const state = { isDone: false };
  const done = outcome.finally(() => {
    state.isDone = true;
  });
  done.catch(() => undefined);
  for (let i = 0; i < 100 && !state.isDone; i += 1) await turns(1);
  for (let ms = 0; ms < most && !state.isDone; ms += 1) {
    await clock.advance(1);
    await turns(2);
  }
  expect(state.isDone).toBe(true);
  return done;
}

/** A stand that plays a waveform, with a take of the same length. */
async function playing(
  { stand, clock }: Made,
  waveform: Waveform,
  afterStop?: number,
): Promise<EmulatedTake> {
  if (!stand.isEnergized) {
    stand.limit(12.5, 0.09);
    stand.energize();
  }
  await until(clock, stand.load(waveform, coupled));
  const samples = Math.round((waveform.command.length / waveform.rate) * stand.rate);
  const take = stand.arm(samples, 'trigger', afterStop);
  stand.start();
  return take;
}

/** Reads a take block by block to its end. */
async function readAll(take: EmulatedTake, each?: (block: Block) => void): Promise<Block[]> {
  const found: Block[] = [];
  for (;;) {
    const block = await take.read(found.length * BLOCK, BLOCK);
    if (block === undefined) return found;
    found.push(block);
    each?.(block);
  }
}

const all = (blocks: readonly Block[], channel: Channel): number[] =>
  blocks.flatMap((block) => [...(block.samples[channel] ?? [])]);
const mean = (values: readonly number[]): number =>
  values.reduce((sum, value) => sum + value, 0) / values.length;

/** Lines of a kind, without what a hand clock cannot tell. */
const linesOf = ({ journal }: Made, what: string) =>
  journal.lines.filter((line) => line.what === what);

async function energizedBench(): Promise<Energized> {
  const clock = handClock();
  const bench = simulatedBench({
    ...{ station, serial: SERIAL, attempt: 1, faults: [], pace: 'fast' },
    clock,
  });
  const task = { bench: bench.id, serial: SERIAL, attempt: 1, procedureDigest: 'a1' };
  const reply = (hazard: 'crushing' | 'sudden-torque'): Acknowledgement => ({
    ...{ hazard, by: 'A. Operator', at: clock.now(), serial: SERIAL, attempt: 1, language: 'en' },
    ...{ textIssue: 1, means: 'typed at the terminal' },
  });
  const permit = issuePermit(task, [], [reply('crushing'), reply('sudden-torque')], clock.now());
  if ('outstanding' in permit) throw new Error('no permit');
  return bench.energize(permit, task, newtonMetre(12.5));
}

test('a waveform gives the samples of the simulated bench, to the last bit, and its reports', async () => {
  const waveform = holding(3, 0.61);
  const power = await energizedBench();
  const expected: Block[] = [];
  for await (const block of power.play({ waveform, settings: coupled })) {
    power.feed();
    expected.push(block);
  }
  const one = made();
  const take = await playing(one, waveform);
  const found = await readAll(take, () => {
    one.stand.feed();
  });
  expect(found).toEqual(expected);
  expect(one.clock.monotonic()).toBe(0);
});

describe('patient pace', () => {
  test('without power a take runs 8 blocks ahead of its reader and no farther', async () => {
    const { stand } = made();
    const take = stand.arm(20 * BLOCK, 'now');
    await turns();
    expect(take.available).toBe(8 * BLOCK);
    await take.read(0, BLOCK);
    await take.read(BLOCK, BLOCK);
    await turns();
    expect(take.available).toBe(9 * BLOCK);
    const blocks = await readAll(take);
    expect(blocks.length).toBe(20);
    expect(take.isOver).toBe(true);
    expect(blocks.every(({ device }) => !device.torqueEnabled)).toBe(true);
  });

  test('a reader may ask for more than 8 blocks at once', async () => {
    const take = made().stand.arm(20 * BLOCK, 'now');
    expect((await take.read(0, 15 * BLOCK))?.samples.torque?.length).toBe(15 * BLOCK);
  });

  test('a waveform goes on by one block for each feed, and by the clock at a fifth', async () => {
    const one = made();
    const { stand, clock } = one;
    const take = await playing(one, holding(3, 1));
    await turns();
    expect(take.available).toBe(BLOCK);
    stand.feed();
    stand.feed();
    await turns();
    expect(take.available).toBe(2 * BLOCK);
    await clock.advance(50);
    expect(Math.abs(take.available - 2.5 * BLOCK)).toBeLessThan(10);
    stand.feed();
    await turns();
    expect(take.available).toBe(3 * BLOCK);
  });

  test('a feed lets a waiting reader go on without any clock', async () => {
    const one = made();
    const take = await playing(one, holding(1, 1));
    const blocks = await readAll(take, () => {
      one.stand.feed();
    });
    expect(blocks.length).toBe(50);
    expect(one.clock.monotonic()).toBe(0);
    expect(one.stand.isPlaying).toBe(false);
    expect(blocks.at(-1)?.device.updates).toBe(1000);
  });

  test('unfed torque is gone within 100 ms of the plant, and the take ends with that block', async () => {
    const one = made();
    const take = await playing(one, holding(6, 1));
    const blocks = await until(one.clock, readAll(take));
    expect(blocks.length).toBe(5);
    expect(take.isOver).toBe(true);
    expect(blocks.at(-1)?.device.fault).toBe(FAULT_CODES.deadMan);
    const current = all(blocks, 'current');
    const last = current.findLastIndex((ampere) => ampere > 5);
    expect(last / 20).toBeGreaterThan(89);
    expect(last / 20).toBeLessThan(95);
    expect(one.stand.isEnergized).toBe(false);
    expect(codeOf(() => { one.stand.start(); })).toBe('bench/dead-man'); // prettier-ignore
    one.stand.feed();
    expect(one.stand.isEnergized).toBe(false);
  });

  test('without a take a waveform plays at a fifth of real time', async () => {
    const one = made();
    const { stand, clock } = one;
    stand.limit(12.5, 0.09);
    stand.energize();
    await until(clock, stand.load(holding(3, 0.06), coupled));
    stand.start();
    await turns(1);
    await clock.advance(290);
    expect(stand.isPlaying).toBe(true);
    await clock.advance(20);
    expect(stand.isPlaying).toBe(false);
    expect(stand.report().fault).toBe(0);
  });

  test('nothing is reckoned while nothing needs time', async () => {
    const one = made();
    one.stand.limit(12.5, 0.09);
    one.stand.energize();
    await one.clock.advance(10_000);
    expect(one.stand.report().time).toBe(0);
  });
});

describe('real pace', () => {
  test('a take follows the clock, read or not', async () => {
    const { stand, clock } = made('real');
    const take = stand.arm(BLOCK * 10, 'now');
    await clock.advance(101);
    expect(take.available).toBeGreaterThanOrEqual(100 * 20);
    expect(take.available).toBeLessThanOrEqual(101 * 20);
    await clock.advance(200);
    expect(take.isOver).toBe(true);
  });

  test('fed every 20 ms a waveform plays to its end in its own time', async () => {
    const one = made('real');
    const { stand, clock } = one;
    const take = await playing(one, holding(3, 0.5));
    for (let ms = 0; ms < 500; ms += 20) {
      stand.feed();
      await clock.advance(20);
    }
    expect(stand.report().fault).toBe(0);
    await clock.advance(2);
    expect(stand.isPlaying).toBe(false);
    const blocks = await readAll(take);
    expect(mean(all(blocks.slice(-5), 'command'))).toBeCloseTo(3, 2);
  });

  test('unfed it trips 90 ms after the last feed and the shaft comes to rest soon after', async () => {
    const one = made('real');
    const { stand, clock } = one;
    await playing(one, holding(6, 2));
    await clock.advance(50);
    stand.feed();
    const fed = clock.monotonic();
    await clock.advance(88);
    expect(stand.isEnergized).toBe(true);
    await clock.advance(4);
    expect(stand.isEnergized).toBe(false);
    await clock.advance(200);
    const [tripped] = linesOf(one, 'tripped');
    expect(tripped).toMatchObject({ fault: FAULT_CODES.deadMan, reason: 'dead-man' });
    expect(linesOf(one, 'fed').map((line) => Number(line.at_ns) / 1e6)).toEqual([fed]);
    for (const what of ['zero', 'shaft-zero']) {
      const [line] = linesOf(one, what);
      expect(Number(line?.at_ns) / 1e6 - fed).toBeGreaterThan(89);
      expect(Number(line?.at_ns) / 1e6 - fed).toBeLessThan(what === 'zero' ? 95 : 150);
    }
  });

  test('a standstill of 1 s trips by the clock, though the plant saw none of it', async () => {
    const one = made('real');
    const { stand, clock } = one;
    const take = await playing(one, holding(6, 2));
    await clock.advance(10);
    const before = take.available;
    one.jump(1000);
    stand.feed(); // comes too late
    expect(stand.isEnergized).toBe(false);
    expect(linesOf(one, 'tripped')[0]).toMatchObject({ by: 'clock' });
    await clock.advance(2);
    expect(take.available - before).toBeLessThanOrEqual(2 * BLOCK);
  });
});

describe('what is refused', () => {
  test('limits are clipped to what the device can hold, and to nothing while power is on', () => {
    const { stand } = made();
    expect(stand.limit(1000, 5)).toEqual({ ceiling: 13.2, deadMan: 0.095 });
    expect(stand.limit(-1, 0)).toEqual({ ceiling: 0, deadMan: 0.01 });
    expect(stand.limit(NaN, NaN)).toEqual({ ceiling: 0, deadMan: 0.01 });
    stand.limit(5, 0.05);
    stand.energize();
    expect(codeOf(() => stand.limit(6, 0.05))).toBe('bench/permit-void');
  });

  const cases: readonly (readonly [string, ErrorCode, (stand: Made['stand']) => unknown])[] = [
    ['power without a ceiling', 'bench/ceiling', (stand) => { stand.energize(); }], // prettier-ignore
    ['a start without power', 'bench/permit-void', (stand) => { stand.start(); }], // prettier-ignore
    ['a take of no samples', 'bench/capability', (stand) => stand.arm(0, 'now')],
    ['a take of 2^40 samples', 'bench/capability', (stand) => stand.arm(2 ** 40, 'now')],
  ];
  test.each(cases)('%s', (_, code, act) => {
    const { stand } = made();
    expect(codeOf(() => act(stand))).toBe(code);
  });

  test('power with a guard open, power twice, and a start with nothing loaded', () => {
    const { stand } = made();
    stand.limit(12.5, 0.09);
    stand.move({ guard: 'open' });
    expect(codeOf(() => { stand.energize(); })).toBe('bench/interlock'); // prettier-ignore
    stand.move({ guard: 'closed' });
    stand.energize();
    expect(codeOf(() => { stand.energize(); })).toBe('bench/permit-void'); // prettier-ignore
    expect(codeOf(() => { stand.start(); })).toBe('bench/permit-void'); // prettier-ignore
    expect(codeOf(() => { stand.swap('H12-26-00002'); })).toBe('bench/permit-void'); // prettier-ignore
  });

  test('a waveform above the ceiling, a second one while one plays, a fixture under power', async () => {
    const one = made();
    await playing(one, holding(3, 1));
    const { stand } = one;
    expect(await refused(stand.load(holding(12.6, 1), coupled))).toBe('bench/ceiling');
    expect(await refused(stand.load(holding(3, 1), coupled))).toBe('bench/permit-void');
    expect(codeOf(() => { stand.start(); })).toBe('bench/permit-void'); // prettier-ignore
    expect(await refused(stand.arrange({ ...coupled, fixture: 'uncoupled' }))).toBe(
      'bench/capability',
    );
    expect(await refused(stand.stream(hertz(1e6), coupled, () => undefined))).toBe(
      'bench/capability',
    );
  });

  test('what was ready is gone when power went, and when the limit was set anew', async () => {
    const { stand } = made();
    stand.limit(12.5, 0.09);
    stand.energize();
    await stand.load(holding(3, 1), coupled);
    stand.off('test');
    stand.energize();
    expect(codeOf(() => { stand.start(); })).toBe('bench/permit-void'); // prettier-ignore
    const loading = stand.load(holding(3, 1), coupled);
    stand.off('test');
    expect(await refused(loading)).toBe('bench/permit-void');
    await stand.load(holding(3, 1), coupled);
    stand.limit(1, 0.09);
    stand.energize();
    expect(codeOf(() => { stand.start(); })).toBe('bench/permit-void'); // prettier-ignore
  });
});

describe('how torque goes', () => {
  test('off takes it at once; motor and shaft are seen to come to rest, from the plant', async () => {
    const one = made();
    const { stand, journal } = one;
    const take = await playing(one, holding(6, 1));
    for (let i = 0; i < 10; i += 1) {
      await take.read(i * BLOCK, BLOCK);
      stand.feed();
    }
    expect(Math.abs(stand.shaftTorque())).toBeGreaterThan(5);
    let changes = 0;
    stand.onChange(() => {
      changes += 1;
    });
    stand.off('end of file on tcp');
    expect(stand.isEnergized).toBe(false);
    expect(stand.isPlaying).toBe(false);
    expect(changes).toBe(1);
    take.end();
    await turns();
    expect(Math.abs(stand.shaftTorque())).toBeLessThan(0.1);
    const after = journal.lines.slice(journal.lines.findIndex((line) => line.what === 'off') - 1);
    expect(after.map((line) => line.what)).toEqual(['fed', 'off', 'zero', 'shaft-zero']);
    expect(after[1]).toMatchObject({ reason: 'end of file on tcp' });
    const [zero, shaft] = [linesOf(one, 'zero'), linesOf(one, 'shaft-zero')];
    expect(zero[0]?.['after_s']).toBeLessThan(0.003);
    expect(shaft[0]?.['after_s']).toBeLessThan(0.1);
    stand.off('again');
    expect(linesOf(one, 'off').length).toBe(1);
  });

  test('a guard that opens takes it at once, and the take ends with its block', async () => {
    const one = made();
    const { stand } = one;
    const take = await playing(one, holding(3, 1));
    const blocks = await readAll(take, ({ start }) => {
      stand.feed();
      if (start === 10 * BLOCK) stand.move({ guard: 'open' });
    });
    expect(blocks.length).toBe(11);
    expect(take.opened).toBe(11 * BLOCK);
    expect(stand.report().fault).toBe(FAULT_CODES.safeTorqueOff);
    stand.move({ guard: 'closed' });
    expect(stand.isEnergized).toBe(false);
    expect(codeOf(() => { stand.start(); })).toBe('bench/interlock'); // prettier-ignore
  });

  test('where the stop is proven samples go on for 0.2 s, with the torque gone', async () => {
    const one = made();
    const { stand } = one;
    const take = await playing(one, holding(3, 1), 4000);
    const blocks = await until(
      one.clock,
      readAll(take, ({ start }) => {
        stand.feed();
        if (start === 10 * BLOCK) stand.move({ guard: 'open' });
      }),
    );
    expect(take.opened).toBe(11 * BLOCK);
    expect(take.available).toBe(11 * BLOCK + 4000);
    expect(blocks.at(-1)?.opened).toBe(11 * BLOCK);
    expect(Math.abs(mean(all(blocks.slice(-5), 'current')))).toBeLessThan(0.2);
  });

  test('in a proof of the stop a hand presses it by itself, 1 … 3 s after the start', async () => {
    const one = made();
    const { stand } = one;
    const take = await playing(one, holding(1, 3.5), 2000);
    await until(
      one.clock,
      readAll(take, () => {
        stand.feed();
      }),
    );
    expect(stand.lines().emergencyStop).toBe('pressed');
    expect(take.opened).toBeGreaterThan(20_000);
    expect(take.opened).toBeLessThan(60_000);
    expect(take.available).toBe((take.opened ?? NaN) + 2000);
  });

  test('a ramp is at zero within 160 ms, then power is off', async () => {
    const one = made();
    const { stand } = one;
    const take = await playing(one, holding(6, 1));
    for (let i = 0; i < 5; i += 1) {
      await take.read(i * BLOCK, BLOCK);
      stand.feed();
    }
    const from = take.available;
    const ramped = stand.rampOut();
    expect(stand.isEnergized).toBe(true);
    expect(codeOf(() => { stand.start(); })).toBe('bench/permit-void'); // prettier-ignore
    await until(one.clock, Promise.all([ramped, stand.rampOut()]));
    expect(stand.isEnergized).toBe(false);
    expect(take.available - from).toBeGreaterThanOrEqual(3200 - BLOCK);
    const current = [...((await take.read(0, from + 3000))?.samples.current ?? [])];
    const half = mean(current.slice(from + 1450, from + 1550));
    expect(half / mean(current.slice(from - 100, from))).toBeCloseTo(0.5, 1);
    expect(linesOf(one, 'off')[0]).toMatchObject({ reason: 'ramped out' });
  });

  test('closing it takes power away and still sees torque go', async () => {
    const one = made();
    await playing(one, holding(6, 1));
    one.stand.close();
    expect(one.stand.isEnergized).toBe(false);
    expect(one.journal.lines.map((line) => line.what).slice(-3)).toEqual(['off', 'zero', 'shaft-zero']); // prettier-ignore
    expect(codeOf(() => { one.stand.energize(); })).toBe('bench/permit-void'); // prettier-ignore
  });

  test('torque that nobody commanded is in the shaft', async () => {
    const one = made();
    one.stand.uncommanded(2);
    const take = await playing(one, holding(0, 0.5));
    await readAll(take, () => {
      one.stand.feed();
    });
    expect(mean(all(await readAll(take), 'current').slice(-2000)) * 0.6).toBeCloseTo(2, 0);
  });
});

describe('faults', () => {
  test('a device that hangs is fed no more and trips by itself', async () => {
    const one = made('patient', ['device-hang']);
    const take = await playing(one, holding(6, 1));
    const blocks = await until(
      one.clock,
      readAll(take, () => {
        one.stand.feed();
      }),
    );
    expect(one.stand.isHung).toBe(true);
    expect(blocks.at(-1)?.device.fault).toBe(FAULT_CODES.deadMan);
    one.stand.swap('H12-26-00002');
    expect(one.stand.isHung).toBe(false);
  });

  test('lost blocks are missing, and the next begins where it begins', async () => {
    const one = made('patient', ['transducer-dropouts:severe']);
    const take = await playing(one, holding(1, 4));
    const starts: number[] = [];
    for (let next = 0; ;) {
      const block = await take.read(next, BLOCK);
      if (block === undefined) break;
      starts.push(block.start);
      next = block.start + (block.samples.torque?.length ?? NaN);
      one.stand.feed();
    }
    const gaps = starts.slice(1).map((start, i) => start - (starts[i] ?? NaN));
    expect(new Set(gaps)).toEqual(new Set([BLOCK, 3 * BLOCK]));
  });
});

describe('more faults', () => {
  test('a channel that never comes is no number, in every sample', async () => {
    const { stand } = made('patient', ['missing-channel']);
    const block = await stand.arm(800, 'now').read(0, 800);
    const absent = stand.channels.filter((channel) =>
      [...(block?.samples[channel] ?? [])].every(Number.isNaN),
    );
    expect(absent.length).toBe(1);
  });

  test('with a contactor that sticks for 400 ms torque stays on so long after the guard opened', async () => {
    const one = made('patient', ['slow-stop']);
    const { stand } = one;
    const take = await playing(one, holding(3, 1), 12_000);
    const blocks = await until(
      one.clock,
      readAll(take, ({ start }) => {
        stand.feed();
        if (start === 10 * BLOCK) stand.move({ guard: 'open' });
      }),
    );
    const last = all(blocks, 'current').findLastIndex((ampere) => ampere > 2.5);
    expect(Math.abs((last - (take.opened ?? NaN)) / 20 - 400)).toBeLessThan(2);
    expect(blocks.at(-1)?.device.fault).toBe(FAULT_CODES.safeTorqueOff);
  });

  test('without anything that plays the sticking contactor lets go as well', async () => {
    const one = made('real', ['slow-stop']);
    one.stand.limit(12.5, 0.09);
    one.stand.energize();
    one.stand.move({ guard: 'open' });
    await one.clock.advance(390);
    expect(one.stand.isEnergized).toBe(true);
    await one.clock.advance(15);
    expect(one.stand.isEnergized).toBe(false);
  });

  test('a fault of the item ends the take with its block', async () => {
    const one = made('patient', ['fault-code']);
    const take = await playing(one, holding(6, 1));
    const blocks = await readAll(take, () => {
      one.stand.feed();
    });
    expect(one.stand.report().fault).toBe(FAULT_CODES.internal);
    expect(blocks.length).toBeLessThan(5);
    expect(linesOf(one, 'tripped').length).toBe(1);
  });
});

describe('another item in the nest', () => {
  test('says who it is, and its clamping is another', async () => {
    const { stand } = made();
    const zero = async (): Promise<number> =>
      mean([...((await stand.arm(4000, 'now').read(0, 4000))?.samples.torque ?? [])]);
    const before = await zero();
    const identity = stand.identity();
    stand.swap('H12-26-00002');
    expect(stand.identity().serial).toBe('H12-26-00002');
    expect(stand.identity().parametersDigest).not.toBe(identity.parametersDigest);
    expect(Math.abs((await zero()) - before)).toBeGreaterThan(1e-4);
    stand.swap(SERIAL);
    expect(await zero()).toBe(before);
  });
});

describe('the stand', () => {
  test('turns its shaft in 0.5 s, and not with the guard open', async () => {
    const { stand, clock } = made('real');
    let isThere = false;
    const turned = stand.arrange({ ...coupled, angle: radian(0.05) }).then(() => {
      isThere = true;
    });
    await clock.advance(690);
    expect(isThere).toBe(false);
    await clock.advance(15);
    await turned;
    stand.move({ guard: 'open' });
    expect(await refused(stand.arrange({ ...coupled, angle: radian(0.1) }))).toBe(
      'bench/interlock',
    );
    await until(clock, stand.arrange({ ...coupled, angle: radian(0.05) }));
  });

  test('arms one take at a time, and one that waits begins with the start', async () => {
    const one = made();
    const first = one.stand.arm(800, 'trigger');
    const waiting = first.read(0, 400);
    const second = await playing(one, holding(1, 0.04));
    expect(first.isOver).toBe(true);
    expect(await waiting).toBeUndefined();
    expect(second.isWaiting).toBe(false);
  });
});

describe('set points one by one', () => {
  /** A stream whose source answers each update in the next turn with what to latch at the one after. */
  async function streamed(
    one: Made,
    levels: (update: number) => number | undefined,
    samples = 25 * BLOCK,
  ) {
    const { stand } = one;
    stand.limit(12.5, 0.09);
    stand.energize();
    const asked: number[] = [];
    const at: number[] = [];
    const tell = (update: number): void => {
      const level = levels(update);
      if (level === undefined) return;
      points.set(level);
      points.answered();
    };
    const points = await until(
      one.clock,
      stand.stream(hertz(1000), coupled, (update) => {
        asked.push(update);
        at.push(one.clock.monotonic());
        setImmediate(() => {
          tell(update + 1);
        });
      }),
    );
    const take = stand.arm(samples, 'trigger');
    const first = levels(0);
    if (first !== undefined) points.set(first);
    stand.start();
    return { take, asked, at };
  }

  const fed = (one: Made, take: EmulatedTake) =>
    until(
      one.clock,
      readAll(take, () => {
        one.stand.feed();
      }),
      20_000,
    );

  test('each is latched at its update, and a patient stand waits for none that was answered', async () => {
    const one = made();
    const { take, asked } = await streamed(one, (update) => (update % 2 === 0 ? 2 : 4));
    for (let i = 0; i < 24; i += 1) {
      await take.read(i * BLOCK, BLOCK);
      one.stand.feed();
    }
    await take.read(24 * BLOCK, BLOCK);
    expect(one.clock.monotonic()).toBe(0);
    expect(asked).toEqual(Array.from({ length: asked.length }, (_, update) => update));
    expect(Math.abs(asked.length - 500)).toBeLessThanOrEqual(1);
    const command = [...((await take.read(0, 25 * BLOCK))?.samples.command ?? [])];
    // The converter is late by some samples; the middle of each update is its own.
    const late = command.findIndex((level) => level > 1.9);
    for (let update = 0; update < 490; update += 1) {
      expect(command[late + 20 * update + 10]).toBeCloseTo(update % 2 === 0 ? 2 : 4, 2);
    }
    const { updates, missing, jitter } = one.stand.report();
    expect(updates).toBe(asked.length);
    expect(missing).toBe(0);
    expect(jitter).toBeGreaterThan(5e-6);
  });

  test('one that does not come repeats the one before and is missing', async () => {
    const one = made();
    const { take, asked } = await streamed(one, (update) =>
      update % 10 === 9 ? undefined : update / 100,
    );
    const blocks = await fed(one, take);
    const { missing, updates, gap } = blocks.at(-1)?.device ?? one.stand.report();
    expect(missing).toBe(asked.filter((update) => update % 10 === 9).length);
    expect(updates + missing).toBe(asked.length);
    expect(gap).toBeCloseTo(2e-3, 3);
    expect(blocks.at(-1)?.device.fault).toBe(0);
  });

  test('when none comes for the time-out of 100 ms the item holds nothing, until one comes again', async () => {
    const one = made();
    const { take } = await streamed(one, (update) =>
      update >= 100 && update < 300 ? undefined : 3,
    );
    const blocks = await fed(one, take);
    const current = all(blocks, 'current');
    expect(mean(current.slice(3600, 3900)) * 0.6).toBeCloseTo(3, 0);
    expect(Math.abs(mean(current.slice(4300, 5900)))).toBeLessThan(0.2);
    expect(mean(current.slice(8000, 9900)) * 0.6).toBeCloseTo(3, 0);
    expect(blocks.at(-1)?.device.missing).toBe(200);
  });

  test('what is above the ceiling is latched at the ceiling, and what is no number not at all', async () => {
    const one = made();
    const { take } = await streamed(one, (update) => (update < 50 ? 1000 : NaN), 5 * BLOCK);
    const blocks = await fed(one, take);
    expect(Math.max(...all(blocks, 'command'))).toBeLessThan(12.51);
    expect(blocks.at(-1)?.device.missing).toBeGreaterThan(45);
  });

  test('the first answer that stays away is waited for 100 ms, others 10 periods', async () => {
    const one = made();
    const { asked } = await streamed(one, () => undefined);
    await turns();
    expect(asked).toEqual([0]);
    await one.clock.advance(99);
    expect(asked.length).toBe(1);
    await one.clock.advance(51);
    expect(Math.abs(asked.length - 6)).toBeLessThanOrEqual(1);
  });

  test('in real pace two updates that are late come half a period apart', async () => {
    const one = made('real');
    const { at } = await streamed(one, () => undefined);
    await turns(2);
    for (let tenth = 0; tenth < 300; tenth += 1) {
      if (tenth === 100) one.jump(3); // a look that is 3 ms late
      await one.clock.advance(0.1);
      await turns(2);
    }
    const apart = at.slice(1).map((ms, i) => ms - (at[i] ?? NaN));
    expect(Math.min(...apart)).toBeGreaterThan(0.49);
    expect(apart.filter((ms) => ms < 0.8).length).toBeGreaterThan(2);
    expect(Math.abs(at.length - 33)).toBeLessThanOrEqual(2); // and none is left out
  });

  test('it can be finished, and another one started', async () => {
    const one = made();
    const { asked } = await streamed(one, () => 2);
    await turns();
    one.stand.finish();
    expect(one.stand.isPlaying).toBe(false);
    const before = asked.length;
    await one.clock.advance(100);
    expect(asked.length).toBe(before);
    expect(Math.abs(one.stand.shaftTorque())).toBeLessThan(0.2);
    expect(codeOf(() => { one.stand.start(); })).toBe('bench/permit-void'); // prettier-ignore
    const again = await until(
      one.clock,
      one.stand.stream(hertz(500), coupled, () => undefined),
    );
    again.set(1);
    one.stand.start();
    expect(one.stand.isPlaying).toBe(true);
  });

  test('updates that the link loses are missing as they are in a waveform', async () => {
    const one = made('patient', ['update-drops:severe']);
    const { take, asked } = await streamed(one, () => 2);
    const blocks = await fed(one, take);
    const missing = blocks.at(-1)?.device.missing ?? NaN;
    expect(Math.abs(missing - 0.1 * asked.length)).toBeLessThan(4 * Math.sqrt(0.1 * asked.length));
  });
});
