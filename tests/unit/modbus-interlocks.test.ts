import { afterEach, beforeEach, describe, expect, test } from 'vitest';
import type { Clock } from '../../src/base/clock.js';
import { interlockProblems } from '../../src/bench/refusal.js';
import type { ModbusDescription } from '../../src/procedure/links.js';
import { modbusInterlocks, type ModbusInterlocks } from '../../src/rig/modbus-interlocks.js';
import { handClock, type HandClock } from '../support/clock.js';
import {
  misbehavingModbus,
  type MisbehavingModbus,
  type Misdeed,
} from '../support/misbehaving-modbus.js';

const GOOD = { guard: 'closed', emergencyStop: 'released', presence: 'held', coupling: 'seated' };
const OPEN = { guard: 'open', emergencyStop: 'pressed', presence: 'released', coupling: 'loose' };

/** A clock moved by hand that tells when somebody begins to wait, as the loop does after each reading. */
class WatchedClock implements Clock {
  readonly hand: HandClock = handClock();
  private listeners: (() => void)[] = [];
  /** ms until the loop goes on. */
  private due = 0;
  get pause(): number {
    return this.due - this.hand.monotonic();
  }
  now = (): number => this.hand.now();
  monotonic = (): number => this.hand.monotonic();
  wait(ms: number): Promise<void> {
    // The loop waits 1 … 20 ms between readings and up to 250 ms between calls; a reply has 150 ms.
    const isLoop = ms !== 150 && ms < 1000;
    const told = isLoop ? this.listeners : [];
    if (isLoop) {
      this.listeners = [];
      this.due = this.hand.monotonic() + ms;
    }
    const waiting = this.hand.wait(ms);
    for (const tell of told) tell();
    return waiting;
  }
  /** Resolves when the reading that goes on, or the next, has ended. */
  read(): Promise<void> {
    return new Promise((tell) => {
      this.listeners.push(tell);
    });
  }
}

let controller: MisbehavingModbus;
let clock: WatchedClock;
let link: ModbusInterlocks;

const description = (port: number): ModbusDescription => ({
  protocol: 'modbus',
  place: { kind: 'tcp', host: '127.0.0.1', port },
  unit: 3,
  heartbeat: 40,
  lines: { guard: [0, 1], emergencyStop: [2, 3], presence: [10, 11], coupling: [17, 16] },
});

const set = (pairs: readonly (readonly [number, boolean])[]): void => {
  for (const [address, isOn] of pairs) controller.inputs.set(address, isOn);
};

/** Moves the clock to the next reading, or the next call, and waits for its end. @returns ms waited. */
async function poll(): Promise<number> {
  const done = clock.read();
  const { pause } = clock;
  await clock.hand.advance(pause);
  await done;
  return pause;
}

/** Opens: the first reading, then the one that sees the heartbeat change. */
async function opened(): Promise<void> {
  const first = clock.read();
  const open = link.open();
  await first;
  await poll();
  await open;
}

beforeEach(async () => {
  controller = await misbehavingModbus();
  for (const on of [0, 2, 10, 17]) set([[on, true]]);
  clock = new WatchedClock();
  link = modbusInterlocks('safety', description(controller.port), clock);
});

afterEach(async () => {
  await link.close();
  await controller.close();
});

test('reads four lines whose pairs lie apart, and says no reason while they are good', async () => {
  await opened();
  expect(await link.read()).toEqual({ ...GOOD, age: 0 });
  expect(link.reason).toBeUndefined();
});

test('asks for no address between the pairs: 0–3, 10–11, 16–17, then register 40', async () => {
  await opened();
  const asked = controller.requests.slice(-4).map((r) => [r[6], r[7], r[9], r[11]]);
  expect(asked).toEqual([
    [3, 2, 0, 4],
    [3, 2, 10, 2],
    [3, 2, 16, 2],
    [3, 4, 40, 1],
  ]);
});

test('polls every 20 ms: five readings in 100 ms, numbered without a gap', async () => {
  await opened();
  const before = controller.requests.length;
  for (let i = 0; i < 5; i += 1) await poll();
  expect(controller.requests.length - before).toBe(20);
  const numbers = controller.requests.map((r) => r.readUInt16BE(0));
  expect(numbers).toEqual(numbers.map((_, i) => i + 1));
});

test('goes on past 256 requests, where the numbers of the library begin anew', async () => {
  await opened();
  for (let i = 0; i < 80; i += 1) await poll();
  expect(await link.read()).toEqual({ ...GOOD, age: 0 });
  expect(controller.calls).toBe(1);
});

test.each([
  ['guard', 0, 1, 'open'],
  ['emergencyStop', 2, 3, 'pressed'],
  ['presence', 10, 11, 'released'],
  ['coupling', 17, 16, 'loose'],
] as const)(
  '%s (inputs %i and %i) reads as %s at the next reading after its pair changed',
  async (name, on, off, word) => {
    await opened();
    set([
      [on, false],
      [off, true],
    ]);
    await poll();
    expect(await link.read()).toEqual({ ...GOOD, [name]: word, age: 0 });
  },
);

test.each([
  [true, 'both on'],
  [false, 'both off'],
])(
  'a pair that is %s on both inputs reads as contradictory with an age of Infinity',
  async (isOn, said) => {
    await opened();
    set([
      [2, isOn],
      [3, isOn],
    ]);
    await poll();
    expect(await link.read()).toEqual({ ...GOOD, emergencyStop: 'contradictory', age: Infinity });
    expect(link.reason).toContain('Discrete inputs 2 and 3');
    expect(link.reason).toContain(said);
    set([
      [2, true],
      [3, false],
    ]);
    await poll();
    expect(await link.read()).toEqual({ ...GOOD, age: 0 });
  },
);

test('a bench without hold-to-run device and coupling lines reads held and tells no coupling', async () => {
  const { lines, ...rest } = description(controller.port);
  link = modbusInterlocks(
    'safety',
    { ...rest, lines: { guard: lines.guard, emergencyStop: lines.emergencyStop } },
    clock,
  );
  await opened();
  expect(await link.read()).toEqual({
    guard: 'closed',
    emergencyStop: 'released',
    presence: 'held',
    age: 0,
  });
});

test('a heartbeat that stands is old after 0.2 s though every request is answered', async () => {
  await opened();
  controller.misdeed = 'standing-heartbeat';
  for (let i = 0; i < 10; i += 1) await poll();
  expect(await link.read()).toEqual({ ...GOOD, age: 0.2 });
  expect(interlockProblems(await link.read())).toEqual([]);
  await poll();
  expect((await link.read()).age).toBeCloseTo(0.22, 9);
  expect(interlockProblems(await link.read()).map(({ code }) => code)).toEqual(['bench/interlock']);
  expect(link.reason).toMatch(/stood at \d+ for 0\.220 s/u);
  controller.misdeed = 'none';
  await poll();
  expect(await link.read()).toEqual({ ...GOOD, age: 0 });
});

test('an opened line is told at once also while the heartbeat stands', async () => {
  await opened();
  controller.misdeed = 'standing-heartbeat';
  set([
    [0, false],
    [1, true],
  ]);
  await poll();
  expect((await link.read()).guard).toBe('open');
});

describe('what is no good reply reads as open with an age of Infinity and says why', () => {
  const atOnce: readonly (readonly [Misdeed, RegExp])[] = [
    ['exception', /refused function 2: .*exception 4/u],
    ['other-transaction', /in the transaction number/u],
    ['other-protocol', /1 in place of 0 in the protocol number/u],
    ['other-unit', /9 in place of 3 as unit/u],
    ['other-function', /3 in place of 2 as function/u],
    ['other-count', /0 in place of 1 bytes of values/u],
    ['twice', /more than the 10 bytes asked for/u],
    ['garbage', /72 in place of 0 in the transaction number/u],
    ['flood', /in place of/u],
    ['close', /hung up/u],
  ];
  test.each(atOnce)('%s: without waiting for a deadline', async (misdeed, why) => {
    await opened();
    controller.misdeed = misdeed;
    await poll();
    expect(await link.read()).toEqual({ ...OPEN, age: Infinity });
    expect(link.reason).toMatch(why);
    expect(link.reason).toContain(`tcp 127.0.0.1:${controller.port} unit 3`);
  });

  test.each([
    ['silence', 0],
    ['half', 7],
  ] as const)('%s: after 150 ms, %i bytes having come', async (misdeed, bytes) => {
    await opened();
    controller.misdeed = misdeed;
    const asked = controller.nextRequest();
    await clock.hand.advance(20);
    await asked;
    for (let turn = 0; turn < 5; turn += 1) await new Promise((go) => setImmediate(go));
    await clock.hand.advance(149);
    expect(await link.read()).toEqual({ ...GOOD, age: 0.169 });
    const done = clock.read();
    await clock.hand.advance(1);
    await done;
    expect(await link.read()).toEqual({ ...OPEN, age: Infinity });
    expect(link.reason).toContain(`${bytes} bytes of a reply to function 2 within 150 ms`);
  });

  test('bytes that nobody asked for, before the next reading', async () => {
    await opened();
    await controller.sendUnasked(Buffer.alloc(10));
    expect(await link.read()).toEqual({ ...OPEN, age: Infinity });
    expect(link.reason).toContain('sent 10 bytes that nobody asked for');
  });

  test('a request that was given up is never answered later: the next goes over a new connection', async () => {
    await opened();
    controller.misdeed = 'silence';
    const asked = controller.nextRequest();
    await clock.hand.advance(20);
    await asked;
    const done = clock.read();
    await clock.hand.advance(150);
    await done;
    controller.misdeed = 'none';
    await poll();
    expect(controller.calls).toBe(2);
    expect(controller.requests.at(-1)?.readUInt16BE(0)).toBe(4);
  });

  test('a controller that hangs up between two readings', async () => {
    await opened();
    const told = new Promise<void>((resolve) => {
      const look = (): void => {
        if (link.reason === undefined) setImmediate(look);
        else resolve();
      };
      look();
    });
    controller.hangUp();
    await told;
    expect(await link.read()).toEqual({ ...OPEN, age: Infinity });
    expect(link.reason).toContain('hung up');
  });
});

test('calls at most every 250 ms, and needs a heartbeat that changes before the lines are good', async () => {
  await opened();
  controller.misdeed = 'close';
  const pauses = [];
  for (let i = 0; i < 5; i += 1) pauses.push(await poll());
  // Opened at 0 ms, broken off at 40 ms: calls at 250, 500, 750 and 1000 ms.
  expect(pauses).toEqual([20, 210, 250, 250, 250]);
  expect(controller.calls).toBe(5);
  controller.misdeed = 'none';
  await poll();
  expect(await link.read()).toEqual({ ...GOOD, age: Infinity });
  expect(link.reason).toContain('must change every 0.1 s');
  await poll();
  expect(await link.read()).toEqual({ ...GOOD, age: 0 });
  expect(link.reason).toBeUndefined();
});

test('an exception keeps the connection; the lines are back after two good readings', async () => {
  await opened();
  controller.misdeed = 'exception';
  await poll();
  controller.misdeed = 'none';
  await poll();
  expect((await link.read()).age).toBe(Infinity);
  await poll();
  expect(await link.read()).toEqual({ ...GOOD, age: 0 });
  expect(controller.calls).toBe(1);
});

test('age goes on between readings: 15 ms after one it is 0.015 s', async () => {
  await opened();
  await clock.hand.advance(15);
  expect((await link.read()).age).toBeCloseTo(0.015, 12);
});

describe('open', () => {
  test.each([
    ['exception', 'link/refused'],
    ['other-unit', 'link/garbled'],
    ['close', 'link/closed'],
  ] as const)('throws for %s: %s', async (misdeed, code) => {
    controller.misdeed = misdeed;
    await expect(link.open()).rejects.toMatchObject({ problems: [{ code }] });
    expect(await link.read()).toEqual({ ...OPEN, age: Infinity });
  });

  test('throws link/unreachable where nobody listens', async () => {
    await controller.close();
    await expect(link.open()).rejects.toMatchObject({ problems: [{ code: 'link/unreachable' }] });
  });

  test('throws link/silent when the heartbeat stands for 2 s', async () => {
    controller.misdeed = 'standing-heartbeat';
    const first = clock.read();
    const open = link.open();
    const refused = expect(open).rejects.toMatchObject({ problems: [{ code: 'link/silent' }] });
    await first;
    for (let i = 0; i < 99; i += 1) await poll();
    await clock.hand.advance(20); // to 2000 ms
    await refused;
  });

  test('opens again after it was closed', async () => {
    await opened();
    await link.close();
    expect((await link.read()).guard).toBe('open');
    await opened();
    expect(await link.read()).toEqual({ ...GOOD, age: 0 });
    expect(controller.calls).toBe(2);
  });
});

test('close ends the polling and reads as open from then on', async () => {
  await opened();
  await link.close();
  const before = controller.requests.length;
  await clock.hand.advance(500);
  expect(controller.requests.length).toBe(before);
  expect(await link.read()).toEqual({ ...OPEN, age: Infinity });
  expect(link.reason).toBe('The link "safety" is closed.');
});
