import { once } from 'node:events';
import { connect, type Socket } from 'node:net';
import { afterEach, expect, test } from 'vitest';
import { listenTcp } from '../../src/emulator/listening-port.js';
import type { Nastiness } from '../../src/emulator/nastiness.js';
import { type NastyProxy, nastyProxy } from '../../src/emulator/nasty-proxy.js';
import { lcg } from '../support/lcg.js';

const ends: (() => Promise<void>)[] = [];
afterEach(async () => {
  for (const end of ends.splice(0).reverse()) await end();
});

const HOST = '127.0.0.1';
const portOf = (address: string): number => Number(address.split(':')[1]);

/** A proxy in front of a server that sends back what it hears. */
async function proxied(nastiness: Nastiness): Promise<{ proxy: NastyProxy; socket: Socket }> {
  const echo = await listenTcp(
    { host: HOST, port: 0 },
    (port) => {
      port.listen({ bytes: (chunk) => void port.write(chunk), closed: () => undefined });
    },
    { most: 8 },
  );
  ends.push(() => echo.close());
  const target = { host: HOST, port: portOf(echo.address) };
  const proxy = await nastyProxy({ host: HOST, port: 0 }, target, { nastiness, seed: 1 });
  ends.push(() => proxy.close());
  const socket = connect(portOf(proxy.address), HOST);
  ends.push(() => Promise.resolve(void socket.destroy()));
  socket.on('error', () => undefined); // hung up on by the server
  await once(socket, 'connect');
  return { proxy, socket };
}

async function read(socket: Socket, length: number): Promise<Buffer> {
  const chunks: Buffer[] = [];
  let got = 0;
  for await (const chunk of socket.iterator({ destroyOnReturn: false }) as AsyncIterable<Buffer>) {
    chunks.push(chunk);
    got += chunk.length;
    if (got >= length) break;
  }
  return Buffer.concat(chunks);
}

test.each<Nastiness>([{}, { fragment: true }, { merge: true }, { delay: 5, fragment: true }])(
  '50,000 bytes come back through %j as they were sent',
  async (nastiness) => {
    const random = lcg(3);
    const bytes = Buffer.from(Array.from({ length: 50_000 }, () => Math.floor(256 * random())));
    const { socket } = await proxied(nastiness);
    socket.write(bytes);
    expect((await read(socket, bytes.length)).equals(bytes)).toBe(true);
  },
);

test('close=100 hangs up on the peer after 100 bytes', async () => {
  const { socket } = await proxied({ close: 100 });
  socket.write(Buffer.alloc(300, 7));
  const got = await read(socket, Infinity);
  expect(got).toHaveLength(100);
  expect(socket.readableEnded || socket.destroyed).toBe(true);
});

test('a plan is changed for a connection that is there', async () => {
  const { proxy, socket } = await proxied({});
  socket.write('first');
  expect((await read(socket, 5)).toString()).toBe('first');
  proxy.misbehave({ garbage: 1 });
  socket.write('first');
  expect((await read(socket, 5)).toString()).not.toBe('first');
});

test('a server that is not there hangs up on the peer', async () => {
  const gone = await listenTcp({ host: HOST, port: 0 }, () => undefined);
  const target = { host: HOST, port: portOf(gone.address) };
  await gone.close();
  const proxy = await nastyProxy({ host: HOST, port: 0 }, target, { nastiness: {}, seed: 1 });
  ends.push(() => proxy.close());
  const socket = connect(portOf(proxy.address), HOST);
  socket.on('error', () => undefined); // reset is an end too
  await once(socket, 'close');
  expect(socket.destroyed).toBe(true);
});
