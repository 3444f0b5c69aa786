import { PassThrough, Writable } from 'node:stream';
import { setImmediate as turn } from 'node:timers/promises';
import { expect, test } from 'vitest';
import { stdioPort } from '../../src/emulator/stdio-port.js';
import { handClock } from '../support/clock.js';

test('input is heard, output is written, and the end of input is told once', async () => {
  const [input, output, told] = [new PassThrough(), new PassThrough(), [] as string[]];
  const port = stdioPort(input, output, handClock());
  port.listen({
    bytes: (chunk) => told.push(Buffer.from(chunk).toString()),
    closed: (reason) => told.push(`end: ${reason}`),
  });
  input.write('ask');
  await turn();
  await port.write(Buffer.from('answer'));
  expect(Buffer.from(output.read() as Buffer).toString()).toBe('answer');
  input.end();
  await turn();
  await turn();
  expect(told).toEqual(['ask', 'end: the other end hung up']);
});

test('the end of input is told while nobody takes the output', async () => {
  const [input, told] = [new PassThrough(), [] as string[]];
  const stuck = new Writable({ write: () => undefined });
  const port = stdioPort(input, stuck, handClock());
  port.listen({ bytes: () => undefined, closed: (reason) => told.push(reason) });
  void port.write(Buffer.alloc(10));
  input.end();
  await turn();
  await turn();
  expect(told).toEqual(['the other end hung up']);
});

test('what is written while the end is told still goes out', async () => {
  const [input, output] = [new PassThrough(), new PassThrough()];
  const port = stdioPort(input, output, handClock());
  port.listen({
    bytes: () => undefined,
    closed: () => {
      void port.write(Buffer.from('off'));
      void port.close();
    },
  });
  input.end();
  await turn();
  await turn();
  expect(String(output.read())).toBe('off');
  await expect(port.write(Buffer.from('more'))).rejects.toThrow('link/closed');
});

test('output that nobody takes for 10 s ends the port, for 9.9 s it does not', async () => {
  const [input, told, clock] = [new PassThrough(), [] as string[], handClock()];
  const stuck = new Writable({ write: () => undefined });
  const port = stdioPort(input, stuck, clock);
  port.listen({ bytes: () => undefined, closed: (reason) => told.push(reason) });
  void port.write(Buffer.alloc(10));
  await clock.advance(9900);
  expect(told).toEqual([]);
  await clock.advance(100);
  expect(told).toEqual(['it took no bytes for 10000 ms']);
});

test('a peer that leaves 8 MiB untaken is hung up on', async () => {
  const [input, told] = [new PassThrough(), [] as string[]];
  const stuck = new Writable({ write: () => undefined });
  const port = stdioPort(input, stuck, handClock());
  port.listen({ bytes: () => undefined, closed: (reason) => told.push(reason) });
  for (let i = 0; i < 8; i++) void port.write(Buffer.alloc(2 ** 20));
  expect(told).toEqual([]);
  await expect(port.write(Buffer.alloc(1))).rejects.toThrow('link/stalled');
  expect(told).toEqual(['it left 8388608 bytes untaken']);
});
