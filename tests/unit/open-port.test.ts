import { once } from 'node:events';
import { createServer, type AddressInfo } from 'node:net';
import { expect, test } from 'vitest';
import { openPort } from '../../src/link/open-port.js';
import { handClock } from '../support/clock.js';

test('each kind of place opens its kind of port', async () => {
  const server = createServer().listen(0, '127.0.0.1');
  await once(server, 'listening');
  const { port: at } = server.address() as AddressInfo;
  const clock = handClock();
  const tcp = await openPort({ kind: 'tcp', host: '127.0.0.1', port: at }, clock);
  expect(tcp.name).toBe(`tcp 127.0.0.1:${at}`);
  await tcp.close();
  server.close();
  const program = await openPort({ kind: 'command', command: ['cat'] }, clock);
  expect(program.name).toBe('program cat');
  await program.close();
  const none = openPort({ kind: 'serial', path: '/dev/no-such-device', baud: 9600 }, clock);
  await expect(none).rejects.toThrow('There is no device /dev/no-such-device.');
});
