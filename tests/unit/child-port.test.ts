import { expect, test } from 'vitest';
import { openChildPort } from '../../src/link/child-port.js';
import type { Port } from '../../src/link/port.js';
import { handClock } from '../support/clock.js';
import { problemOf } from '../support/problem-of.js';

const node = (script: string, ...args: string[]) =>
  [process.execPath, '-e', script, ...args] as const;

function heardOf(port: Port) {
  const chunks: Uint8Array[] = [];
  let wake = (): void => undefined;
  const closed = new Promise<string>((resolve) => {
    port.listen({
      bytes: (chunk) => {
        chunks.push(chunk);
        wake();
      },
      closed: resolve,
    });
  });
  const text = (): string => Buffer.concat(chunks).toString();
  const until = async (words: string): Promise<string> => {
    while (!text().includes(words)) await new Promise<void>((resolve) => (wake = resolve));
    return text();
  };
  return { closed, text, until };
}

test('arguments reach the program as they are: no shell reads them', async () => {
  const script = 'process.stdout.write(JSON.stringify(process.argv.slice(1)))';
  const port = await openChildPort(node(script, '$HOME; exit 1', '*'), handClock());
  const { closed, text } = heardOf(port);
  expect(await closed).toBe('it ended with status 0');
  expect(text()).toBe('["$HOME; exit 1","*"]');
  expect([port.name, port.tellsEnd]).toEqual([`program ${process.execPath}`, true]);
});

test('bytes go both ways until its input ends, and closing waits for its end', async () => {
  const script = `process.stdin.on('data', (d) => process.stdout.write(d));
    process.stdin.on('end', () => console.error('end of file'))`;
  const lines: string[] = [];
  const port = await openChildPort(node(script), handClock(), (line) => lines.push(line));
  const { closed, until } = heardOf(port);
  await port.write(Buffer.from('ping'));
  expect(await until('ping')).toBe('ping');
  await port.close();
  expect(lines).toEqual(['end of file']);
  expect(await closed).toBe('it was closed by this program');
});

test('a program that ends is told with its status and its last 5 lines', async () => {
  const script = `for (let i = 1; i < 8; i++) console.error('line ' + i); process.exit(3)`;
  const port = await openChildPort(node(script), handClock());
  expect(await heardOf(port).closed).toBe(
    'it ended with status 3; its last words were: line 3 / line 4 / line 5 / line 6 / line 7',
  );
  expect((await problemOf(port.write(Buffer.from('x')))).what).toContain('ended with status 3');
});

test('a program that goes on after its input ended is killed after 500 ms, with what it started', async () => {
  const script = `process.on('SIGTERM', () => undefined); setInterval(() => undefined, 1000);
    const { spawn } = require('node:child_process');
    const child = spawn('sleep', ['1000'], { stdio: 'inherit' });
    process.stdout.write(process.pid + ' ' + child.pid + '\\n')`;
  const clock = handClock();
  const port = await openChildPort(node(script), clock);
  const pids = (await heardOf(port).until('\n')).trim().split(' ').map(Number);
  let isClosed = false;
  const closing = port.close().then(() => (isClosed = true));
  await clock.advance(499);
  expect(isClosed).toBe(false);
  await clock.advance(1);
  await closing;
  expect(pids).toHaveLength(2);
  for (const pid of pids) await gone(pid);
});

/** Waits until a process is gone, or only its entry is left for whoever inherited it. */
async function gone(pid: number): Promise<void> {
  const { readFileSync } = await import('node:fs');
  for (;;) {
    try {
      if (/^State:\s+Z/mu.test(readFileSync(`/proc/${pid}/status`, 'utf8'))) return;
    } catch {
      return;
    }
    await new Promise((resolve) => setImmediate(resolve));
  }
}

test('a line of 1 MiB is cut to 400 characters, and of 2000 lines 1000 are logged', async () => {
  const script = `console.error('x'.repeat(2 ** 20)); for (let i = 0; i < 2000; i++) console.error('l' + i)`;
  const lines: string[] = [];
  const port = await openChildPort(node(script), handClock(), (line) => lines.push(line));
  const reason = await heardOf(port).closed;
  expect(lines[0]).toHaveLength(400);
  expect(lines).toHaveLength(1000);
  expect(lines.at(-1)).toBe('1000 lines are logged, the rest is not');
  expect(reason).toContain('l1998 / l1999');
});

test('a program that is not there, or may not be run, is unreachable', async () => {
  expect(await problemOf(openChildPort(['/no/such/program'], handClock()))).toMatchObject({
    code: 'link/unreachable',
    what: 'There is no program /no/such/program.',
  });
  expect(await problemOf(openChildPort(['/etc/passwd'], handClock()))).toMatchObject({
    code: 'link/unreachable',
    what: 'The program /etc/passwd may not be run.',
  });
  expect((await problemOf(openChildPort(['a\0b'], handClock()))).code).toBe('link/unreachable');
});
