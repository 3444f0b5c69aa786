import { spawn } from 'node:child_process';
import { once } from 'node:events';
import { writeFileSync } from 'node:fs';
import { connect, type Socket } from 'node:net';
import { join } from 'node:path';
import fc from 'fast-check';
import { afterEach, expect, test } from 'vitest';
import { problem } from '../../src/bench/refusal.js';
import { type Controlled, obey, serveControl } from '../../src/emulator/control.js';
import { temporaryFolder } from '../support/folder.js';

const ends: (() => Promise<void>)[] = [];
afterEach(async () => {
  for (const end of ends.splice(0).reverse()) await end();
});

/** Hands that note what they were told. */
function hands(): { readonly controlled: Controlled; readonly told: unknown[] } {
  const told: unknown[] = [];
  return {
    told,
    controlled: {
      lines: (lines) => told.push(lines),
      item: (serial) => {
        if (serial === 'powered') throw problem('bench/permit-void', 'Power is on.', 'Wait.');
        told.push(serial);
      },
      nasty: (link, nastiness) => told.push([link, nastiness]),
      uncommanded: (torque) => told.push(torque),
      report: () => ({ energized: true, shaftTorque: 1.5, fault: 0 }),
    },
  };
}

const ordered = (order: unknown): readonly [unknown, readonly unknown[]] => {
  const { controlled, told } = hands();
  return [obey(Buffer.from(JSON.stringify(order)), controlled), told];
};

test.each<[unknown, unknown]>([
  [{ lines: { guard: 'open' } }, { guard: 'open' }],
  [{ lines: { presence: 'released', age: 0.5 } }, { presence: 'released', age: 0.5 }],
  [{ item: 'H12-26-00002' }, 'H12-26-00002'],
  [{ uncommanded: 2 }, 2],
  [{ nasty: { drive: 'delay=5' } }, ['drive', { delay: 5 }]],
  [{ nasty: { drive: null } }, ['drive', {}]],
])('%j is done', (order, told) => {
  expect(ordered(order)).toEqual([{ ok: true }, [told]]);
});

test('a report tells power, shaft torque and fault', () => {
  const report = { ok: true, energized: true, shaftTorque: 1.5, fault: 0 };
  expect(ordered({ report: true })).toEqual([report, []]);
});

test.each([
  [{ lines: { guard: 'ajar' } }],
  [{ lines: { door: 'open' } }],
  [{ lines: [] }],
  [{ item: 7 }],
  [{ item: 'powered' }],
  [{ uncommanded: 'much' }],
  [{ nasty: { drive: 'slow' } }],
  [{ nasty: { drive: 'delay=5', guard: 7 } }],
  [{ lines: { guard: 'open' }, report: true }],
  [{}],
  ['report'],
])('%j is refused and changes nothing', (order) => {
  const [answer, told] = ordered(order);
  expect(answer).toMatchObject({ ok: false });
  expect(told).toEqual([]);
});

test('whatever a line holds, it is answered', () => {
  fc.assert(
    fc.property(
      fc.oneof(
        fc.uint8Array({ maxLength: 80 }),
        fc.json().map((text) => Buffer.from(text)),
      ),
      (line) => {
        expect(typeof obey(line, hands().controlled)['ok']).toBe('boolean');
      },
    ),
    { numRuns: 200 },
  );
});

async function serving(
  path: string,
): Promise<{ readonly call: () => Promise<Socket>; readonly told: unknown[] }> {
  const { controlled, told } = hands();
  const control = await serveControl(path, controlled);
  ends.push(() => control.close());
  const call = async (): Promise<Socket> => {
    const socket = connect(path);
    ends.push(() => Promise.resolve(void socket.destroy()));
    await once(socket, 'connect');
    return socket;
  };
  return { call, told };
}

async function lineOf(socket: Socket): Promise<unknown> {
  const [chunk] = (await once(socket, 'data')) as [Buffer];
  return JSON.parse(chunk.toString()) as unknown;
}

test('orders are taken line by line over the socket, however they are cut', async () => {
  const { call, told } = await serving(join(temporaryFolder(), 'control'));
  const socket = await call();
  socket.write('{"lines":{"gu');
  socket.write('ard":"open"}}\n');
  expect(await lineOf(socket)).toEqual({ ok: true });
  expect(told).toEqual([{ guard: 'open' }]);
});

test('a line of more than 4,096 bytes is hung up on', async () => {
  const { call } = await serving(join(temporaryFolder(), 'control'));
  const socket = await call();
  socket.on('error', () => undefined); // reset is an end too
  socket.write(Buffer.alloc(5000, 0x20));
  await once(socket, 'close');
  expect(socket.destroyed).toBe(true);
});

test('a socket at which somebody listens is refused, and so is a file', async () => {
  const path = join(temporaryFolder(), 'control');
  await serving(path);
  await expect(serveControl(path, hands().controlled)).rejects.toThrow('link/unreachable');
  const file = join(temporaryFolder(), 'file');
  writeFileSync(file, 'text');
  await expect(serveControl(file, hands().controlled)).rejects.toThrow('link/unreachable');
});

test('a socket that a killed program left behind is taken over', async () => {
  const path = join(temporaryFolder(), 'control');
  const script = `require('node:net').createServer().listen(${JSON.stringify(path)}, () => console.log('ready'))`;
  const child = spawn(process.execPath, ['-e', script]);
  await once(child.stdout, 'data');
  child.kill('SIGKILL');
  await once(child, 'exit');
  const { call } = await serving(path);
  const socket = await call();
  socket.write('{"report":true}\n');
  expect(await lineOf(socket)).toMatchObject({ ok: true });
});
