import { once } from 'node:events';
import { createServer, connect, type AddressInfo, type Socket } from 'node:net';
import { afterEach, expect, test } from 'vitest';
import { hertz } from '../../src/base/units.js';
import { serveScpi } from '../../src/emulator/scpi-server.js';
import type { Port, PortListener } from '../../src/link/port.js';
import type { ScpiDescription } from '../../src/procedure/links.js';
import { HandStand, settled } from '../support/scpi-stand.js';

const open: (() => void)[] = [];
afterEach(() => {
  for (const close of open.splice(0)) close();
});

/** A real socket as a port. */
class SocketPort implements Port {
  readonly name: string;
  readonly tellsEnd = true;
  constructor(private readonly socket: Socket) {
    this.name = `tcp ${socket.remoteAddress ?? ''}`;
  }
  write(bytes: Uint8Array): Promise<void> {
    return new Promise((resolve, reject) => {
      this.socket.write(bytes, (error) => {
        if (error instanceof Error) reject(error);
        else resolve();
      });
    });
  }
  listen(listener: PortListener): void {
    this.socket.on('data', (chunk) => {
      listener.bytes(chunk);
    });
    this.socket.on('close', () => {
      listener.closed('end of file');
    });
  }
  close(): Promise<void> {
    this.socket.destroy();
    return Promise.resolve();
  }
}

function description(role: 'digitizer' | 'drive'): ScpiDescription {
  const empty = { acts: new Map(), questions: new Map(), facts: new Map() };
  return {
    protocol: 'scpi',
    place: { kind: 'tcp', host: '127.0.0.1', port: 0 },
    dialect: { id: 'x', file: 'x', digest: 'x', role, ...empty },
  };
}

/** A stand behind a server on a real socket, and its client. */
async function served(role: 'digitizer' | 'drive', stand: HandStand) {
  const server = createServer((socket) => {
    serveScpi(new SocketPort(socket), description(role), stand);
  });
  server.listen(0, '127.0.0.1');
  await once(server, 'listening');
  const { port } = server.address() as AddressInfo;
  const client = connect(port, '127.0.0.1');
  open.push(
    () => client.destroy(),
    () => server.close(),
  );
  await once(client, 'connect');
  client.setNoDelay(true);
  let heard = Buffer.alloc(0);
  const wanted = { bytes: 0, wake: (): void => undefined };
  client.on('data', (chunk) => {
    heard = heard.length === 0 ? chunk : Buffer.concat([heard, chunk]);
    if (heard.length >= wanted.bytes) wanted.wake();
  });
  /** Waits for so many bytes, without a clock: the test has one. */
  const hear = async (bytes: number): Promise<Buffer> => {
    if (heard.length < bytes) {
      await new Promise<void>((resolve) => Object.assign(wanted, { bytes, wake: resolve }));
    }
    const got = heard.subarray(0, bytes);
    heard = heard.subarray(bytes);
    return got;
  };
  return { client, hear };
}

test('a digitizer answers over TCP', async () => {
  const { client, hear } = await served('digitizer', new HandStand());
  client.write('SENS:CHAN:COUN?\n');
  expect((await hear(2)).toString()).toBe('5\n');
});

test('a drive answers over TCP, and its power goes with the connection', async () => {
  const stand = new HandStand();
  const { client, hear } = await served('drive', stand);
  client.write('OUTP:LIM 1;:OUTP ON;:OUTP?\n');
  expect((await hear(2)).toString()).toBe('1\n');
  expect(stand.isEnergized).toBe(true);
  client.destroy();
  while (stand.isEnergized) await settled();
  expect(stand.calls.at(-1)).toMatch(/^off tcp 127\.0\.0\.1: end of file/u);
});

test('a block of 1 MB of levels arrives over TCP', async () => {
  const stand = new HandStand();
  const { client, hear } = await served('drive', stand);
  client.write('OUTP:LIM 1;:OUTP ON\nFORM:BORD SWAP\nSOUR:ARB:DATA #71048576');
  client.write(Buffer.from(new Float64Array(131_072).fill(0.5).buffer));
  client.write(';POIN?\n');
  expect((await hear(7)).toString()).toBe('131072\n');
  expect(stand.loaded?.waveform.command.every((level) => level === 0.6)).toBe(true);
});

test('ten seconds of 6 inputs at 100 kHz come whole and in order, in blocks of 20 ms', async () => {
  const stand = new HandStand();
  stand.rate = hertz(100_000);
  stand.channels = ['command', 'current', 'torque', 'supply', 'winding', 'sound'];
  stand.value = (n) => n % 16;
  const { client, hear } = await served('digitizer', stand);
  client.write('FORM REAL,32;:FORM:BORD SWAP;:SENS:SWE:POIN 1000000;:INIT;*OPC?\n');
  await hear(2);
  stand.take?.make(1_000_000);
  for (let from = 0; from < 1_000_000; from += 2000) {
    client.write(`FETC? ${from},2000\n`);
    const reply = await hear('#548000'.length + 48_000 + 1);
    expect(reply.toString('latin1', 0, 7)).toBe('#548000');
    expect(reply.at(-1)).toBe(10);
    expect([reply.readFloatLE(7), reply.readFloatLE(7 + 48_000 - 24)]).toEqual([
      (from % 16) / 2,
      ((from + 1999) % 16) / 2,
    ]);
  }
});
