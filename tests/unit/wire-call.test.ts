import { spawn } from 'node:child_process';
import { once } from 'node:events';
import { createServer, type AddressInfo } from 'node:net';
import { fileURLToPath } from 'node:url';
import { expect, test } from 'vitest';
import { callAdapter, isBreach, type Call } from '../../src/rig/wire-call.js';
import { handClock } from '../support/clock.js';

const adapter = fileURLToPath(new URL('../support/small-adapter.mjs', import.meta.url));
const call = (place: Call['place'], known?: Call['known']): Call => ({
  ...{ name: 's', place, clock: handClock(), roles: [], known },
  listener: { event: () => undefined, samples: () => false },
  log: () => undefined,
});

test('an adapter behind a TCP port is called like one that is a program, and learns of the end', async () => {
  const program = spawn(process.execPath, [adapter]);
  let said = '';
  program.stderr.on('data', (chunk: Buffer) => (said += chunk.toString()));
  const server = createServer((socket) => {
    socket.pipe(program.stdin);
    program.stdout.pipe(socket);
  });
  await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve));
  const { port } = server.address() as AddressInfo;
  const called = await callAdapter(call({ kind: 'tcp', host: '127.0.0.1', port }));
  expect(called.hello.name).toBe('Small adapter');
  expect(called.channels).toEqual(['command', 'current', 'torque', 'supply', 'winding']);
  await called.session.request({ do: 'energize' }, () => undefined);
  const ended = once(program, 'close');
  await called.session.close();
  await ended;
  expect(said).toContain('torque off: end of file');
  await new Promise((resolve) => server.close(resolve));
});

test('an adapter of another name than before is refused and hung up on', async () => {
  const place = { kind: 'command', command: [process.execPath, adapter] } as const;
  const { session, hello } = await callAdapter(call(place));
  await session.close();
  const again = await callAdapter(call(place, { ...hello, version: '2' }));
  await again.session.close();
  await expect(callAdapter(call(place, { ...hello, name: 'Other' }))).rejects.toThrow(
    'was tests Other, serial 7; now tests Small adapter, serial 7 answers',
  );
});

test('only what was ended from this side is a breach', () => {
  expect(
    ['link/gap', 'link/closed', 'link/silent', 'link/stalled'].map((c) =>
      isBreach(c as 'link/gap'),
    ),
  ).toEqual([...[true, false, false, false]]);
});
