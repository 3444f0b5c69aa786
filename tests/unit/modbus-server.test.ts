import * as fc from 'fast-check';
import { afterEach, beforeEach, expect, test } from 'vitest';
import { systemClock } from '../../src/base/clock.js';
import type { Interlocks } from '../../src/bench/bench.js';
import { answerModbus, serveModbus } from '../../src/emulator/modbus-server.js';
import type { PortListener } from '../../src/link/port.js';
import type { ModbusDescription } from '../../src/procedure/links.js';
import { modbusInterlocks } from '../../src/rig/modbus-interlocks.js';
import { handClock, type HandClock } from '../support/clock.js';
import { rawSocket, type RawSocket } from '../support/raw-socket.js';

const DESCRIPTION: ModbusDescription = {
  protocol: 'modbus',
  place: { kind: 'tcp', host: '127.0.0.1', port: 0 },
  unit: 3,
  heartbeat: 40,
  lines: { guard: [0, 1], emergencyStop: [2, 3], presence: [4, 5], coupling: [6, 7] },
};
const GOOD: Interlocks = {
  guard: 'closed',
  emergencyStop: 'released',
  presence: 'held',
  coupling: 'seated',
  age: 0,
};

let lines: Interlocks;
let clock: HandClock;
let server: Awaited<ReturnType<typeof serveModbus>>;
let socket: RawSocket;

const portOf = (address: string): number => Number(address.split(':')[1]);
const bytes = (hex: string): Buffer => Buffer.from(hex.replaceAll(' ', ''), 'hex');
const ask = async (hex: string, count: number): Promise<string> =>
  (await socket.exchange(bytes(hex), count)).toString('hex');

beforeEach(async () => {
  lines = GOOD;
  clock = handClock();
  server = await serveModbus(DESCRIPTION.place, DESCRIPTION, { lines: () => lines }, clock);
  socket = await rawSocket(portOf(server.address));
});

afterEach(async () => {
  socket.close();
  await server.close();
});

test.each<[Partial<Interlocks>, string]>([
  [{}, '55'],
  [{ guard: 'open' }, '56'],
  [{ emergencyStop: 'pressed' }, '59'],
  [{ presence: 'released' }, '65'],
  [{ coupling: 'loose' }, '95'],
  [{ guard: 'contradictory' }, '57'],
])('tells lines %j as inputs %s', async (changed, byte) => {
  lines = { ...GOOD, ...changed };
  const reply = await ask('0007 0000 0006 03 02 0000 0008', 10);
  expect(reply).toBe(`00070000000403 0201${byte}`.replace(' ', ''));
});

test('tells inputs 2 … 4 alone, the first in the lowest bit', async () => {
  expect(await ask('0001 0000 0006 03 02 0002 0003', 10)).toBe('00010000000403020105');
});

test('counts the heartbeat up every 20 ms, and from 65535 to 0', async () => {
  const beat = async (): Promise<string> =>
    (await ask('0001 0000 0006 03 04 0028 0001', 11)).slice(-4);
  expect(await beat()).toBe('0000');
  await clock.advance(19);
  expect(await beat()).toBe('0000');
  await clock.advance(1);
  expect(await beat()).toBe('0001');
  await clock.advance(20 * 65534);
  expect(await beat()).toBe('ffff');
  await clock.advance(20);
  expect(await beat()).toBe('0000');
});

test.each([
  ['function 3', '03 03 0000 0001', '83', '01'],
  ['function 5, which would write', '03 05 0000 ff00', '85', '01'],
  ['input 8, which there is not', '03 02 0008 0001', '82', '02'],
  ['inputs 7 and 8', '03 02 0007 0002', '82', '02'],
  ['register 41', '03 04 0029 0001', '84', '02'],
  ['registers 40 and 41', '03 04 0028 0002', '84', '02'],
  ['no input at all', '03 02 0000 0000', '82', '03'],
  ['2001 inputs', '03 02 0000 07d1', '82', '03'],
  ['126 registers', '03 04 0028 007e', '84', '03'],
  ['unit 4', '04 02 0000 0008', '82', '0b'],
])('answers %s (%s) with function %s and exception %s', async (_, request, code, exception) => {
  const unit = request.slice(0, 2);
  const reply = await ask(`0102 0000 0006 ${request}`, 9);
  expect(reply).toBe(`010200000003${unit}${code}${exception}`);
});

test('a request in two pieces is answered once, two requests in one piece twice', async () => {
  const request = bytes('0001 0000 0006 03 02 0000 0008');
  const [first, second] = [request.subarray(0, 5), request.subarray(5)];
  await socket.exchange(first, 0);
  expect((await socket.exchange(second, 10)).toString('hex')).toBe('00010000000403020155');
  const both = await socket.exchange(Buffer.concat([request, request]), 20);
  expect(both.toString('hex')).toBe('00010000000403020155'.repeat(2));
});

test.each([
  ['another protocol', '0001 0001 0006 03 02 0000 0008'],
  ['a length of 1', '0001 0000 0001 03'],
  ['a length of 65535', '0001 0000 ffff 03 02 0000 0008'],
  ['text', '474554202f20485454502f312e310d0a0d0a'],
])('hangs up on %s', async (_, request) => {
  expect(await ask(request, 1)).toBe('');
});

test('a ninth peer is not answered while eight are', async () => {
  const port = portOf(server.address);
  const more = await Promise.all(Array.from({ length: 7 }, () => rawSocket(port)));
  expect(await ask('0001 0000 0006 03 02 0000 0008', 10)).toHaveLength(20);
  const ninth = await rawSocket(port);
  expect((await ninth.exchange(bytes('0001 0000 0006 03 02 0000 0008'), 10)).length).toBe(0);
  for (const peer of [...more, ninth]) peer.close();
});

test('an address that is taken is link/unreachable', async () => {
  const place = { ...DESCRIPTION.place, port: portOf(server.address) };
  const again = serveModbus(place, DESCRIPTION, { lines: () => lines });
  await expect(again).rejects.toMatchObject({ problems: [{ code: 'link/unreachable' }] });
});

test('the link of this program reads from it what the stand says', async () => {
  await server.close();
  server = await serveModbus(DESCRIPTION.place, DESCRIPTION, { lines: () => lines });
  const place = { ...DESCRIPTION.place, port: portOf(server.address) };
  const link = modbusInterlocks('safety', { ...DESCRIPTION, place }, systemClock);
  await link.open();
  const read = await link.read();
  expect(read).toEqual({ ...GOOD, age: read.age });
  expect(read.age).toBeLessThan(0.2);
  await link.close();
});

test('200 runs of random bytes never make it throw, nor answer more than was asked', () => {
  fc.assert(
    fc.property(fc.array(fc.uint8Array({ maxLength: 300 }), { maxLength: 5 }), (chunks) => {
      let listener: PortListener | undefined;
      let written = 0;
      const port = {
        ...{ name: 'test', tellsEnd: true },
        write: (reply: Uint8Array) => Promise.resolve(void (written += reply.length)),
        listen: (given: PortListener) => void (listener = given),
        close: () => Promise.resolve(),
      };
      answerModbus(port, DESCRIPTION, { lines: () => lines }, clock);
      for (const chunk of chunks) listener?.bytes(chunk);
      const sent = chunks.reduce((sum, { length }) => sum + length, 0);
      expect(written).toBeLessThanOrEqual((sent / 8) * 9);
    }),
    { numRuns: 200, seed: 1 },
  );
});
