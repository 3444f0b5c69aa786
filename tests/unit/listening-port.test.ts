import { once } from 'node:events';
import { connect, type Socket } from 'node:net';
import { setImmediate as turn } from 'node:timers/promises';
import { afterEach, expect, test } from 'vitest';
import { type Listening, listenTcp } from '../../src/emulator/listening-port.js';
import type { PausingPort } from '../../src/emulator/nastiness.js';

const ends: (() => Promise<void>)[] = [];
afterEach(async () => {
  for (const end of ends.splice(0)) await end();
});

async function listening(most = 1): Promise<{
  readonly at: Listening;
  readonly ports: PausingPort[];
  readonly told: string[];
  readonly call: () => Promise<Socket>;
}> {
  const ports: PausingPort[] = [];
  const told: string[] = [];
  const at = await listenTcp(
    { host: '127.0.0.1', port: 0 },
    (port) => {
      ports.push(port);
      port.listen({
        bytes: (chunk) => told.push(Buffer.from(chunk).toString()),
        closed: () => told.push('closed'),
      });
    },
    { most },
  );
  ends.push(() => at.close());
  const call = async (): Promise<Socket> => {
    const socket = connect(Number(at.address.split(':')[1]), '127.0.0.1');
    socket.on('error', () => undefined); // a refused one may be reset
    ends.push(() => Promise.resolve(void socket.destroy()));
    await once(socket, 'connect');
    return socket;
  };
  return { at, ports, told, call };
}

/** Lets the system go on until something holds. */
async function until(holds: () => boolean): Promise<void> {
  for (let i = 0; i < 1e6 && !holds(); i++) await turn();
  expect(holds()).toBe(true);
}

test('a peer that calls is a port: bytes go both ways', async () => {
  const { ports, told, call } = await listening();
  const socket = await call();
  socket.write('ask');
  await until(() => told.includes('ask'));
  await ports[0]?.write(Buffer.from('answer'));
  const [answer] = (await once(socket, 'data')) as [Buffer];
  expect(answer.toString()).toBe('answer');
});

test('a second peer is hung up on, and the first goes on', async () => {
  const { told, call } = await listening();
  const first = await call();
  first.write('one');
  await until(() => told.includes('one'));
  const second = await call();
  await once(second, 'close');
  first.write('more');
  await until(() => told.includes('more'));
  expect(told).toEqual(['one', 'more']);
});

test('once the first has hung up, a peer that calls at the same moment is let in', async () => {
  const { ports, call } = await listening();
  for (let i = 1; i <= 20; i++) {
    const socket = await call();
    await until(() => ports.length === i);
    socket.destroy();
  }
  expect(ports).toHaveLength(20);
});

test('the end of the peer is told once, and then nothing is written', async () => {
  const { ports, told, call } = await listening();
  const socket = await call();
  socket.end('last');
  await until(() => told.includes('closed'));
  expect(told).toEqual(['last', 'closed']);
  await expect(ports[0]?.write(Buffer.from('x'))).rejects.toThrow('link/closed');
});

test('an address that is taken is refused with link/unreachable', async () => {
  const { at } = await listening();
  const place = { host: '127.0.0.1', port: Number(at.address.split(':')[1]) };
  await expect(listenTcp(place, () => undefined)).rejects.toThrow('link/unreachable');
});

test('the end of listening hangs up on every peer', async () => {
  const { at, told, call } = await listening(2);
  const sockets = [await call(), await call()];
  const gone = Promise.all(sockets.map((socket) => once(socket, 'close')));
  await until(() => told.length === 0);
  await at.close();
  await gone;
  expect(sockets.every((socket) => socket.destroyed)).toBe(true);
});
