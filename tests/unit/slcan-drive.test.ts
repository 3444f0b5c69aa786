import fc from 'fast-check';
import { beforeEach, expect, test } from 'vitest';
import { FAULT_CODES } from '../../src/bench/drive.js';
import { serveCia402 } from '../../src/emulator/slcan-drive.js';
import { CanHost } from '../support/can-host.js';
import { cia402Description } from '../support/cia402-bed.js';
import { handClock, type HandClock } from '../support/clock.js';
import { FakeStand } from '../support/fake-stand.js';

class HangingStand extends FakeStand {
  isHung = false;
}

let stand: HangingStand;
let clock: HandClock;
let host: CanHost;

const turn = (): Promise<void> => new Promise((resolve) => setImmediate(resolve));
const bytesOf = (value: number, size: number): readonly number[] =>
  Array.from({ length: size }, (_, i) => Math.floor(value / 256 ** i) & 0xff);

function connect(): void {
  stand = new HangingStand();
  clock = handClock();
  host = new CanHost();
  serveCia402(host.port, cia402Description, stand, clock);
  host.type('S8\rO\r');
  host.forget();
}

beforeEach(connect);

const keyBytes = (key: number): readonly number[] => [(key >> 8) & 255, key >> 16, key & 255];

/** Asks for an object of at most 4 bytes. */
function read(key: number): number {
  host.forget();
  host.send(0x605, [0x40, ...keyBytes(key), 0, 0, 0, 0]);
  const [answer = []] = host.heard(0x585);
  const [head = 0] = answer;
  if (head >> 5 !== 2) throw new Error(`answered ${answer.join(' ')}`);
  return answer.slice(4, 8 - ((head >> 2) & 3)).reduceRight((sum, one) => 256 * sum + one, 0);
}

/** Writes an object, and says with what it was refused. */
function write(key: number, size: 1 | 2 | 4, value: number): string | undefined {
  host.forget();
  const unused = 4 - size;
  const data = [...bytesOf(value, size), ...new Array<number>(unused).fill(0)];
  host.send(0x605, [0x23 | (unused << 2), ...keyBytes(key), ...data]);
  const [answer = []] = host.heard(0x585);
  if (answer[0] === 0x60) return undefined;
  return Buffer.from(answer.slice(4)).reverse().toString('hex');
}

const command = (word: number): string | undefined => write(0x6040_00, 2, word);
const manage = (...data: readonly number[]): string => host.send(0x000, data);
const setPoint = (update: number, target: number, word = 0x0f): string =>
  host.send(0x205, [...bytesOf(word, 2), ...bytesOf(target & 0xffff, 2), ...bytesOf(update, 2)]);
const feed = (): string => host.send(0x764, [5]);

/** Everything that power wants, but its last command. */
function prepare(): void {
  expect([
    write(0x6060_00, 1, 4),
    write(0x6072_00, 2, 500),
    write(0x1016_01, 4, (100 << 16) | 90),
    write(0x1005_00, 4, 0x4000_0080),
    write(0x1006_00, 4, 1000),
    command(0x06),
    command(0x07),
  ]).toEqual(new Array<undefined>(7).fill(undefined));
  manage(1, 5);
}

function enable(): void {
  prepare();
  command(0x0f);
  expect([read(0x6041_00), stand.isEnergized]).toEqual([0x0237, true]);
  host.forget();
}

/** A stream that has begun, with so many set points of 100 ‰ that wait. */
async function play(waiting = 1): Promise<void> {
  enable();
  for (let i = 0; i < waiting; i++) setPoint(i, 100);
  await turn();
  expect(stand.isPlaying).toBe(true);
  host.forget();
}

test('power comes with the third controlword, and the statusword tells each state', () => {
  expect(read(0x6041_00)).toBe(0x0250);
  prepare();
  expect([read(0x6041_00), stand.isEnergized]).toEqual([0x0233, false]);
  command(0x0f);
  expect([read(0x6041_00), stand.isEnergized]).toEqual([0x0237, true]);
  expect(stand.acts.filter((one) => one === 'energize')).toHaveLength(1);
});

/** What power wants besides commands. */
const WANTED = [
  ['the mode', 0x6060_00, 1, 4],
  ['a heartbeat of the host', 0x1016_01, 4, (100 << 16) | 90],
  ['a greatest torque', 0x6072_00, 2, 500],
] as const;

test.each(WANTED.map(([name]) => name))('without %s there is no power', (missing) => {
  for (const [name, key, size, value] of WANTED) if (name !== missing) write(key, size, value);
  for (const word of [0x06, 0x07, 0x0f]) command(word);
  expect([read(0x6041_00), stand.isEnergized]).toEqual([0x0233, false]);
});

test('no power comes before a greatest torque was written over this connection', () => {
  stand.limit(12, 0.1); // by somebody before
  write(0x6060_00, 1, 4);
  write(0x1016_01, 4, (100 << 16) | 90);
  for (const word of [0x06, 0x07, 0x0f]) command(word);
  expect(stand.isEnergized).toBe(false);
  write(0x6072_00, 2, 500);
  command(0x0f);
  expect([stand.isEnergized, stand.limits.ceiling]).toEqual([true, 5]);
});

test('an open guard is EMCY 0xFF13, its code and the state of a fault', () => {
  prepare();
  stand.move({ guard: 'open' });
  command(0x0f);
  expect(host.heard(0x085)).toEqual([[0x13, 0xff, 1, 0, 0, 0, 0, 0]]);
  expect([read(0x6041_00), read(0x603f_00), read(0x1001_00)]).toEqual([0x0218, 0xff13, 1]);
});

test('a limit is refused with 0800 0022 while power is on', () => {
  enable();
  expect([write(0x6072_00, 2, 900), write(0x1016_01, 4, 1)]).toEqual(['08000022', '08000022']);
});

test('the heartbeat of the host feeds the stand, that of another node does not', () => {
  feed();
  host.send(0x763, [5]);
  host.send(0x705, [5]);
  expect(stand.acts).toEqual(['feed']);
});

test('SYNC paces a stream of 1 kHz: each set point is latched with its own', async () => {
  enable();
  [100, -200, 300].forEach((target, update) => setPoint(update, target));
  await turn();
  host.forget();
  expect(stand.acts.slice(-2)).toEqual(['stream 1000 Hz', 'start']);
  const take = stand.arm(100, 'now');
  stand.advance(4);
  expect(host.heard(0x080)).toHaveLength(4);
  const block = await take.read(0, 80);
  const each = [0, 20, 40, 60].map((i) => block?.samples.torque?.[i]);
  expect(each).toEqual([1, -2, 3, 3]);
});

test('slope and smoothing of a stream are those that were written', async () => {
  write(0x2101_00, 1, 3);
  write(0x6087_00, 4, 5000);
  await play();
  expect(stand.settings).toEqual({ smoothing: 3, fixture: 'coupled', slew: 50 });
});

test('every tenth SYNC tells statusword, target, updates and missing', async () => {
  await play(10);
  stand.advance(20);
  expect(host.heard(0x080)).toHaveLength(20);
  expect(host.heard(0x185)).toEqual([
    [0x37, 0x02, 100, 0, ...bytesOf(180, 2), 0, 0],
    [0x37, 0x02, 100, 0, ...bytesOf(380, 2), 0, 0],
  ]);
});

test('before NMT start no set point is heard; nor is one of 5 bytes', async () => {
  enable();
  manage(0x80, 0);
  for (const word of [0x06, 0x07, 0x0f]) command(word);
  expect(stand.isEnergized).toBe(true);
  setPoint(0, 100);
  manage(1, 0);
  host.send(0x205, [0x0f, 0, 100, 0, 0]);
  await turn();
  expect(stand.acts).not.toContain('start');
});

test('a controlword in a set point counts too: 0 takes power off', async () => {
  await play();
  setPoint(1, 100, 0);
  expect([stand.isEnergized, read(0x6041_00), read(0x6077_00)]).toEqual([false, 0x0250, 0]);
});

test.each([
  ['stop', 0x02, 5],
  ['stop of all nodes', 0x02, 0],
  ['pre-operational', 0x80, 5],
  ['reset of the node', 0x81, 5],
  ['reset of communication', 0x82, 5],
])('NMT %s takes power off in the middle of a stream', async (_name, word, node) => {
  await play(5);
  manage(word, node);
  expect([stand.isEnergized, stand.isPlaying]).toEqual([false, false]);
  expect([stand.acts.at(-1), read(0x6041_00)]).toEqual(['off: NMT on the bus', 0x0250]);
});

test('a reset is told by the boot-up message', () => {
  manage(0x81, 5);
  expect(host.heard(0x705)).toEqual([[0]]);
});

test.each([[[0x02, 6]], [[0x02]], [[]], [[0x55, 5]]])('NMT %j is none of ours', async (data) => {
  await play();
  manage(...data);
  expect(stand.isPlaying).toBe(true);
});

test('without a heartbeat of the host: EMCY 0x8130 within 91 ms, a fault, and no more SYNC', async () => {
  await play();
  stand.advance(89);
  feed();
  stand.advance(89);
  expect(host.heard(0x085)).toEqual([]);
  stand.advance(2);
  expect(host.heard(0x085)).toEqual([[0x30, 0x81, 1, 0, 0, 0, 0, 0]]);
  expect(host.heard(0x185).at(-1)?.slice(0, 4)).toEqual([0x18, 0x02, 0, 0]);
  const syncs = host.heard(0x080).length;
  stand.advance(20);
  expect(host.heard(0x080)).toHaveLength(syncs);
  expect([read(0x6041_00), stand.isEnergized]).toEqual([0x0218, false]);
});

test.each([
  [FAULT_CODES.overTorque, 0x8311],
  [FAULT_CODES.safeTorqueOff, 0xff13],
  [FAULT_CODES.internal, 0xff00],
])(
  'fault %i of the item is EMCY %i, kept in the history until it is forgotten',
  async (fault, code) => {
    await play();
    stand.trip(fault);
    expect(host.heard(0x085)).toEqual([[...bytesOf(code, 2), 1, 0, 0, 0, 0, 0]]);
    command(0x80);
    expect(host.heard(0x085)).toEqual([[0, 0, 0, 0, 0, 0, 0, 0]]);
    expect([read(0x6041_00), read(0x603f_00)]).toEqual([0x0250, 0]);
    expect([read(0x1003_00), read(0x1003_01)]).toEqual([1, code]);
    expect([write(0x1003_00, 1, 0), read(0x1003_00)]).toEqual([undefined, 0]);
  },
);

test('halt ends the stream at zero with power on, and begins none', async () => {
  await play(5);
  stand.advance(2);
  setPoint(0xffff, 0, 0x10f);
  expect([stand.isPlaying, stand.isEnergized, read(0x6077_00)]).toEqual([false, true, 0]);
  const acts = stand.acts.length;
  setPoint(0, 100, 0x10f);
  await turn();
  expect(stand.acts).toHaveLength(acts);
});

test('voltage that is disabled while a stream is made ready starts nothing and is no fault', async () => {
  enable();
  setPoint(0, 100);
  command(0);
  await turn();
  expect([stand.isPlaying, read(0x6041_00), host.heard(0x085)]).toEqual([false, 0x0250, []]);
});

test('a stream without a period is EMCY 0xFF00 and no power, not the end of the program', async () => {
  write(0x6060_00, 1, 4);
  write(0x6072_00, 2, 500);
  write(0x1016_01, 4, (100 << 16) | 90);
  manage(1, 5);
  for (const word of [0x06, 0x07, 0x0f]) command(word);
  setPoint(0, 100);
  await turn();
  expect(host.heard(0x085)).toEqual([[0x00, 0xff, 1, 0, 0, 0, 0, 0]]);
  expect([read(0x6041_00), stand.isPlaying]).toEqual([0x0218, false]);
});

test('the drive beats every 50 ms with its state once it was asked to, 0 ends it', async () => {
  await clock.advance(200);
  expect(host.heard(0x705)).toEqual([]);
  write(0x1017_00, 2, 50);
  host.forget();
  await clock.advance(200);
  expect(host.heard(0x705)).toEqual([[0x7f], [0x7f], [0x7f], [0x7f]]);
  manage(1, 5);
  host.forget();
  await clock.advance(1000);
  expect(host.heard(0x705)).toEqual(new Array<number[]>(20).fill([5]));
  write(0x1017_00, 2, 0);
  host.forget();
  await clock.advance(200);
  expect(host.text).toBe('');
});

test('a heartbeat of 25 ms keeps its time although it is looked for each 10 ms', async () => {
  write(0x1017_00, 2, 25);
  host.forget();
  await clock.advance(1010);
  expect(host.heard(0x705)).toHaveLength(40);
});

test('a drive that hangs says nothing: no answer, no SYNC, no heartbeat, no EMCY', async () => {
  await play(5);
  write(0x1017_00, 2, 50);
  host.forget();
  stand.isHung = true;
  host.send(0x605, [0x40, 0x41, 0x60, 0, 0, 0, 0, 0]);
  feed();
  stand.advance(100);
  await clock.advance(200);
  expect([host.text, stand.isEnergized]).toEqual(['', false]);
});

test('frames for other nodes have no answer', () => {
  expect(host.send(0x606, [0x40, 0x41, 0x60, 0, 0, 0, 0, 0])).toBe('z\r');
  expect(host.send(0x605, [0x40, 0x41, 0x60])).toBe('z\r');
});

test('a port that closed is neither beaten to nor told of faults', async () => {
  await play();
  write(0x1017_00, 2, 50);
  host.forget();
  host.hangUp();
  await clock.advance(200);
  stand.trip(FAULT_CODES.internal);
  expect(host.text).toBe('');
});

const seeds = { numRuns: 200, seed: 4 };

test('whatever bytes come, each line has one end and at most one frame of answer, and no power', () => {
  const word = fc.oneof(
    fc.string({ unit: 'binary', maxLength: 60 }),
    fc.constantFrom('C', 'O', 't00020105', 't00028105'),
    fc.stringMatching(/^t(605|205|764|085)8[0-9A-F]{16}$/u),
  );
  fc.assert(
    fc.property(
      fc.array(word, { maxLength: 15 }),
      fc.uint8Array({ maxLength: 200 }),
      (words, tail) => {
        connect();
        const typed = Buffer.from(words.map((one) => `${one}\r`).join(''), 'latin1');
        host.bytes(typed);
        host.bytes(tail);
        expect(stand.acts).not.toContain('energize');
        const lines = [...typed, ...tail].filter((one) => one === 0x0d).length;
        expect(host.text.length).toBeLessThanOrEqual(24 * lines); // a frame of 8 bytes, and "z"
      },
    ),
    seeds,
  );
});

/** Frames to a drive, of any content but the two objects without which there is no power. */
const frames = fc.array(
  fc.oneof(
    fc.tuple(
      fc.constant(0x000),
      fc.tuple(fc.constantFrom(1, 2, 0x80, 0x81, 7), fc.constantFrom(0, 5)),
    ),
    fc.tuple(
      fc.constant(0x205),
      fc
        .tuple(fc.constantFrom(0x06, 0x07, 0x0f, 0x8f, 0, 2), fc.constantFrom(0, 1), fc.nat(255))
        .map(([low, high, one]): number[] => [low, high, one, one >> 4, one & 3, 0]),
    ),
    fc.tuple(
      fc.constant(0x605),
      fc
        .constantFrom(0x06, 0x07, 0x0f, 0x8f)
        .map((one): number[] => [0x2b, 0x40, 0x60, 0, one, 0, 0, 0]),
    ),
    fc.tuple(
      fc.constant(0x605),
      fc
        .uint8Array({ minLength: 8, maxLength: 8 })
        .filter(([, , high]) => high !== 0x10 && high !== 0x60)
        .map((data): number[] => [...data]),
    ),
  ),
  { maxLength: 60 },
);

test('no order of commands energizes a drive whose mode and dead-man are not set', async () => {
  await fc.assert(
    fc.asyncProperty(frames, async (sent) => {
      connect();
      manage(1, 5);
      for (const [id, data] of sent) host.send(id, data);
      await turn();
      expect(stand.acts).not.toContain('energize');
    }),
    seeds,
  );
});

test('no order of commands keeps torque for more than 91 ms without a heartbeat of the host', async () => {
  await fc.assert(
    fc.asyncProperty(frames, async (sent) => {
      connect();
      await play(20);
      for (const [id, data] of sent) {
        host.send(id, data);
        stand.advance(1);
      }
      await turn();
      stand.advance(91);
      expect(stand.isPlaying).toBe(false);
    }),
    { numRuns: 50, seed: 5 },
  );
});
