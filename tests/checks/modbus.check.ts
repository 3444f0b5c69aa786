import { readFileSync } from 'node:fs';
import { createServer } from 'node:net';
import { expect, test } from 'vitest';
import { systemClock } from '../../src/base/clock.js';
import type { Interlocks } from '../../src/bench/bench.js';
import { serveModbus } from '../../src/emulator/modbus-server.js';
import { converse } from '../../src/link/modbus-conversation.js';
import type { ModbusDescription } from '../../src/procedure/links.js';
import { handClock } from '../support/clock.js';
import { rawSocket } from '../support/raw-socket.js';

interface Example {
  readonly inputs: { readonly from: number; readonly count: number };
  readonly request: string;
  readonly response: string;
  readonly expected: readonly number[];
}
/** What the rows of modbus.json hold. */
interface Rows {
  readonly 'read-discrete-inputs': Example;
  readonly 'read-input-registers': Example;
  readonly exceptions: {
    readonly inputs: { readonly requests: readonly string[]; readonly units: readonly number[] };
    readonly expected: readonly string[];
  };
  readonly header: { readonly request: string };
}

const file = new URL('modbus.json', import.meta.url);
const rows = JSON.parse(readFileSync(file, 'utf8')) as readonly { readonly id: string }[];
const row = <K extends keyof Rows>(id: K): Rows[K] =>
  rows.find((r) => r.id === id) as unknown as Rows[K];

const bytes = (hex: string): number[] => hex.split(' ').map((byte) => Number.parseInt(byte, 16));
const HEADER = bytes(row('header').request);
/** A frame around a request or reply, as the first of a connection with unit 1. */
const framed = (pdu: readonly number[], unit = 1): Buffer =>
  Buffer.from([...HEADER.slice(0, 4), 0, 1 + pdu.length, unit, ...pdu]);

/**
 * Lines whose eight inputs, 197 … 204 as the standard counts, are the first byte of its example, AC; the
 * heartbeat is its register 9.
 */
const describe = (port: number): ModbusDescription => ({
  protocol: 'modbus',
  place: { kind: 'tcp', host: '127.0.0.1', port },
  unit: 1,
  heartbeat: 8,
  lines: {
    guard: [198, 196],
    emergencyStop: [199, 197],
    presence: [201, 200],
    coupling: [203, 202],
  },
});
const SAFE: Interlocks = {
  guard: 'closed',
  emergencyStop: 'released',
  presence: 'held',
  coupling: 'seated',
  age: 0,
};

/** Has the client ask once of a server that answers with the reply of the standard. */
async function asked(
  example: Example,
  ask: (conversation: Awaited<ReturnType<typeof converse>>) => Promise<unknown>,
): Promise<{ readonly sent: readonly number[]; readonly read: unknown }> {
  const sent: number[] = [];
  const server = createServer((socket) => {
    socket.on('data', (chunk: Buffer) => {
      sent.push(...chunk);
      socket.write(framed(bytes(example.response)));
    });
  });
  await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve));
  const address = server.address();
  const port = typeof address === 'object' && address !== null ? address.port : 0;
  const conversation = await converse(describe(port), systemClock);
  const read = await ask(conversation);
  conversation.hangUp();
  await new Promise((resolve) => server.close(resolve));
  return { sent, read };
}

test('read-discrete-inputs: the client asks for inputs 197 … 218 and reads 22 states', async () => {
  const example = row('read-discrete-inputs');
  const { from, count } = example.inputs;
  const { sent, read } = await asked(example, (c) => c.discreteInputs(from, count));
  expect(sent).toEqual([...framed(bytes(example.request))]);
  expect(read).toEqual(example.expected.map((bit) => bit === 1));
});

test('read-input-registers: the client asks for register 9 and reads 10', async () => {
  const example = row('read-input-registers');
  const { sent, read } = await asked(example, (c) => c.inputRegister(example.inputs.from));
  expect(sent).toEqual([...framed(bytes(example.request))]);
  expect([read]).toEqual(example.expected);
});

test('the server answers register 9 with 10 in the bytes of the standard, and inputs with AC', async () => {
  const clock = handClock();
  await clock.advance(200); // ten counts
  const server = await serveModbus(describe(0).place, describe(0), { lines: () => SAFE }, clock);
  const socket = await rawSocket(Number(server.address.split(':')[1]));
  const registers = row('read-input-registers');
  const reply = framed(bytes(registers.response));
  expect(await socket.exchange(framed(bytes(registers.request)), reply.length)).toEqual(reply);
  const inputs = framed(bytes('02 01 AC'));
  expect(await socket.exchange(framed(bytes('02 00 C4 00 08')), inputs.length)).toEqual(inputs);
  socket.close();
  await server.close();
});

test('exceptions: the server answers 1, 2, 3 and 11 as the standard numbers them', async () => {
  const server = await serveModbus(describe(0).place, describe(0), { lines: () => SAFE });
  const socket = await rawSocket(Number(server.address.split(':')[1]));
  const { inputs, expected } = row('exceptions');
  for (const [i, request] of inputs.requests.entries()) {
    const unit = inputs.units[i] ?? 0;
    const reply = await socket.exchange(framed(bytes(request), unit), 9);
    expect(reply).toEqual(framed(bytes(expected[i] ?? ''), unit));
  }
  socket.close();
  await server.close();
});
