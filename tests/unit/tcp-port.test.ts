import { once } from 'node:events';
import { createServer, type AddressInfo, type Server, type Socket } from 'node:net';
import { afterEach, expect, test } from 'vitest';
import { openTcpPort } from '../../src/link/tcp-port.js';
import { handClock } from '../support/clock.js';
import { problemOf } from '../support/problem-of.js';

const servers: Server[] = [];
afterEach(() => {
  for (const server of servers.splice(0)) server.close();
});

async function listening(): Promise<{ readonly at: number; readonly peer: Promise<Socket> }> {
  const server = createServer();
  servers.push(server);
  const peer = once(server, 'connection').then(([socket]) => socket as Socket);
  await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve));
  return { at: (server.address() as AddressInfo).port, peer };
}

test('bytes go both ways; who closes tells the other end', async () => {
  const { at, peer } = await listening();
  const port = await openTcpPort('127.0.0.1', at, handClock());
  expect([port.name, port.tellsEnd]).toEqual([`tcp 127.0.0.1:${at}`, true]);
  const other = await peer;
  const heard = new Promise<string>((resolve) => {
    port.listen({
      bytes: (chunk) => {
        resolve(Buffer.from(chunk).toString());
      },
      closed: () => undefined,
    });
  });
  other.write('pong');
  await port.write(Buffer.from('ping'));
  expect(await heard).toBe('pong');
  const [bytes] = (await once(other, 'data')) as [Buffer];
  expect(bytes.toString()).toBe('ping');
  const end = once(other, 'end');
  await port.close();
  await end;
  expect((await problemOf(port.write(Buffer.from('x')))).code).toBe('link/closed');
});

test('an other end that hangs up is told', async () => {
  const { at, peer } = await listening();
  const port = await openTcpPort('127.0.0.1', at, handClock());
  const closed = new Promise<string>((resolve) => {
    port.listen({ bytes: () => undefined, closed: resolve });
  });
  (await peer).end();
  expect(await closed).toBe('the other end hung up');
});

test('a peer that reads nothing is stalled after 250 ms, and closing does not wait for it', async () => {
  const { at, peer } = await listening();
  const clock = handClock();
  const port = await openTcpPort('127.0.0.1', at, clock);
  (await peer).pause();
  const reason = new Promise<string>((resolve) => {
    port.listen({ bytes: () => undefined, closed: resolve });
  });
  // More than the buffers of the system hold.
  const writes = Array.from({ length: 7 }, () => port.write(new Uint8Array(2 ** 20)));
  const problems = Promise.all(writes.map((write) => write.then(() => undefined, String)));
  let told: string | undefined;
  void reason.then((why) => (told = why));
  for (let i = 0; i < 100 && told === undefined; i++) {
    await new Promise((resolve) => setImmediate(resolve));
    await clock.advance(250);
  }
  expect(told).toBe('it took no bytes for 250 ms');
  expect((await problems).at(-1)).toContain('link/stalled');
  const closing = port.close();
  await clock.advance(250);
  await closing;
});

test('a port where nobody listens is unreachable', async () => {
  const { at } = await listening();
  const server = servers.pop();
  await new Promise((resolve) => server?.close(resolve));
  expect(await problemOf(openTcpPort('127.0.0.1', at, handClock()))).toEqual({
    code: 'link/unreachable',
    what: `tcp 127.0.0.1:${at} refused the call: nobody listens there.`,
    fix: 'Start the device or its server, and check the port.',
  });
});

test('a device that does not answer the call within 2 s is unreachable', async () => {
  const clock = handClock();
  // An address of documentation that leads nowhere, or to nobody: the call stays open or is refused.
  const call = problemOf(openTcpPort('192.0.2.1', 5025, clock));
  await clock.advance(2000);
  expect((await call).code).toBe('link/unreachable');
});
