import { PassThrough, Readable, Writable } from 'node:stream';
import { expect, test } from 'vitest';
import { StallmarkError } from '../../src/base/error.js';
import { MOST_UNSENT, StreamPort } from '../../src/link/stream-port.js';
import { handClock, type HandClock } from '../support/clock.js';

interface Rig {
  readonly port: StreamPort;
  readonly clock: HandClock;
  readonly input: PassThrough;
  readonly released: () => number;
}

/** A port whose other end takes what `take` says. */
function rig(take: (bytes: Buffer, taken: () => void) => void): Rig {
  const clock = handClock();
  const input = new PassThrough();
  const output = new Writable({
    write: (bytes: Buffer, _encoding, taken) => {
      take(bytes, taken);
    },
  });
  let released = 0;
  const release = (): Promise<void> => {
    released += 1;
    return Promise.resolve();
  };
  const ends = { name: 'line 1', tellsEnd: true, input, output, piece: 4, release };
  return { port: new StreamPort(ends, clock), clock, input, released: () => released };
}

const takesAll = (_: Buffer, taken: () => void): void => {
  taken();
};
const takesNothing = (): void => undefined;

async function refused(act: Promise<unknown>): Promise<readonly [string, string]> {
  try {
    await act;
  } catch (error) {
    if (error instanceof StallmarkError) return [error.problems[0].code, error.problems[0].what];
    throw error;
  }
  throw new Error('nothing was refused');
}

const turn = (): Promise<void> => new Promise((resolve) => setImmediate(resolve));

test('bytes go out in the order of the calls, in pieces of 4', async () => {
  const seen: string[] = [];
  const { port } = rig((bytes, taken) => {
    seen.push(bytes.toString());
    setImmediate(taken);
  });
  await Promise.all([port.write(Buffer.from('abcdef')), port.write(Buffer.from('gh'))]);
  expect(seen).toEqual(['abcd', 'ef', 'gh']);
});

test('what came before anybody listened is handed over at once, also after the end', async () => {
  const { port, input } = rig(takesAll);
  input.write('early');
  await turn();
  input.end('late');
  await turn();
  await turn();
  const heard: string[] = [];
  port.listen({
    bytes: (chunk) => heard.push(Buffer.from(chunk).toString()),
    closed: (reason) => heard.push(reason),
  });
  expect(heard).toEqual(['early', 'late', 'the other end hung up']);
});

test('a device that takes nothing for 250 ms is given up, and every write with it', async () => {
  const { port, clock, released } = rig(takesNothing);
  const reasons: string[] = [];
  port.listen({ bytes: () => undefined, closed: (reason) => reasons.push(reason) });
  const writes = [port.write(Buffer.from('a')), port.write(Buffer.from('b'))].map(refused);
  await clock.advance(249);
  expect(reasons).toEqual([]);
  await clock.advance(1);
  await turn();
  expect(await Promise.all(writes)).toEqual([
    ['link/stalled', 'line 1 is gone: it took no bytes for 250 ms.'],
    ['link/stalled', 'line 1 is gone: it took no bytes for 250 ms.'],
  ]);
  expect((await refused(port.write(Buffer.from('c'))))[0]).toBe('link/stalled');
  expect([reasons, released()]).toEqual([['it took no bytes for 250 ms'], 1]);
});

test('a slow device that takes a piece every 200 ms is not given up', async () => {
  let takeOne = (): void => undefined;
  const { port, clock } = rig((_, taken) => {
    takeOne = taken;
  });
  const written = port.write(Buffer.from('abcdefghijkl'));
  for (let i = 0; i < 3; i++) {
    await clock.advance(200);
    takeOne();
    await turn();
  }
  await written;
});

test('8 MiB that nobody takes are the most that is kept', async () => {
  const { port } = rig(takesNothing);
  const first = refused(port.write(new Uint8Array(MOST_UNSENT)));
  const second = refused(port.write(new Uint8Array(1)));
  expect((await first)[0]).toBe('link/stalled');
  expect((await second)[1]).toBe('line 1 is gone: it left 8388608 bytes untaken.');
});

test('a line that breaks is told once, with its words', async () => {
  const { port, input } = rig(takesAll);
  const reasons: string[] = [];
  port.listen({ bytes: () => undefined, closed: (reason) => reasons.push(reason) });
  input.destroy(new Error('EIO'));
  await turn();
  await port.close();
  expect(reasons).toEqual(['the line broke: EIO']);
  expect((await refused(port.write(Buffer.from('a'))))[0]).toBe('link/closed');
});

test('bytes that nobody listens to make the other end wait after 64 KiB', async () => {
  let made = 0;
  const input = new Readable({
    highWaterMark: 1024,
    read() {
      made += 1024;
      this.push(Buffer.alloc(1024));
    },
  });
  const output = new PassThrough();
  const release = (): Promise<void> => Promise.resolve();
  new StreamPort({ name: 'line 2', tellsEnd: true, input, output, release }, handClock());
  for (let i = 0; i < 1000; i++) await turn();
  expect(made).toBeLessThan(70 * 1024);
});
