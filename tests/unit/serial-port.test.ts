import { spawn, type ChildProcess } from 'node:child_process';
import { once } from 'node:events';
import { existsSync, mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterEach, beforeEach, expect, test } from 'vitest';
import type { Port } from '../../src/link/port.js';
import { openSerialPort } from '../../src/link/serial-port.js';
import { handClock } from '../support/clock.js';
import { problemOf } from '../support/problem-of.js';

let folder = '';
let cable: ChildProcess | undefined;
beforeEach(() => {
  folder = mkdtempSync(join(tmpdir(), 'serial-'));
});
afterEach(async () => {
  await unplug();
  rmSync(folder, { recursive: true });
});

/** Two serial devices of this computer that are joined to each other. */
async function plugged(): Promise<readonly [string, string]> {
  const ends = [join(folder, 'a'), join(folder, 'b')] as const;
  const made = ends.map((end) => `pty,raw,echo=0,link=${end}`);
  const started = spawn('socat', ['-d', '-d', ...made]);
  cable = started;
  let said = '';
  while (!said.includes('starting data transfer loop')) {
    const [chunk] = (await once(started.stderr, 'data')) as [Buffer];
    said += chunk.toString();
  }
  return ends;
}

async function unplug(): Promise<void> {
  const pulled = cable;
  cable = undefined;
  if (pulled === undefined) return;
  const gone = once(pulled, 'exit');
  pulled.kill('SIGKILL');
  await gone;
}

function textOf(port: Port, length: number): Promise<string> {
  let text = '';
  return new Promise((resolve) => {
    port.listen({
      bytes: (chunk) => {
        text += Buffer.from(chunk).toString();
        if (text.length >= length) resolve(text);
      },
      closed: () => undefined,
    });
  });
}

test('bytes go both ways over a serial line, and the other end is not told of the end', async () => {
  const [here, there] = await plugged();
  const port = await openSerialPort(here, 115_200, handClock());
  const other = await openSerialPort(there, 115_200, handClock());
  expect([port.name, port.tellsEnd]).toEqual([`serial ${here}`, false]);
  const heard = textOf(other, 3000);
  await port.write(Buffer.from('u'.repeat(3000)));
  expect(await heard).toBe('u'.repeat(3000));
  await Promise.all([port.close(), other.close()]);
  expect((await problemOf(port.write(Buffer.from('x')))).code).toBe('link/closed');
});

test('a device that another program holds is in use, and free again after it', async () => {
  const [here] = await plugged();
  const port = await openSerialPort(here, 9600, handClock());
  const hand = handClock();
  // Whoever waits moves the clock on: a device is called again for 0.3 s before it counts as in use.
  const clock = {
    ...hand,
    wait: (ms: number): Promise<void> => (ms < 100 ? hand.advance(ms) : hand.wait(ms)),
  };
  expect(await problemOf(openSerialPort(here, 9600, clock))).toEqual({
    code: 'link/unreachable',
    what: `${here} is in use by another program.`,
    fix: 'Close the other program.',
  });
  await port.close();
  await (await openSerialPort(here, 9600, handClock())).close();
});

test('a device that is unplugged ends the port', async () => {
  const [here] = await plugged();
  const port = await openSerialPort(here, 9600, handClock());
  const closed = new Promise<string>((resolve) => {
    port.listen({ bytes: () => undefined, closed: resolve });
  });
  await unplug();
  void port.write(Buffer.from('x')).catch(() => undefined);
  expect(await closed).toMatch(
    /^(?:the other end hung up|the line broke|it cannot be written to)/u,
  );
  expect((await problemOf(port.write(Buffer.from('x')))).code).toBe('link/closed');
  await port.close();
});

test('a path without a device, and one of something else, are told apart', async () => {
  const missing = join(folder, 'none');
  expect(await problemOf(openSerialPort(missing, 9600, handClock()))).toMatchObject({
    code: 'link/unreachable',
    what: `There is no device ${missing}.`,
  });
  const file = join(folder, 'file');
  writeFileSync(file, '');
  expect(existsSync(file)).toBe(true);
  expect((await problemOf(openSerialPort(file, 9600, handClock()))).what).toBe(
    `${file} is no serial device.`,
  );
});
