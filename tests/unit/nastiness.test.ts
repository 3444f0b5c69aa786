import fc from 'fast-check';
import { expect, test } from 'vitest';
import {
  MOST_WAITING,
  type Nastiness,
  nastyPort,
  readNastiness,
} from '../../src/emulator/nastiness.js';
import type { Port, PortListener } from '../../src/link/port.js';
import { handClock } from '../support/clock.js';

/** A port that keeps what is written to it. */
class KeptPort implements Port {
  readonly name = 'kept';
  readonly tellsEnd = true;
  readonly pieces: Uint8Array[] = [];
  listener: PortListener | undefined;
  isPaused = false;
  isClosed = false;

  write(bytes: Uint8Array): Promise<void> {
    this.pieces.push(bytes.slice());
    return Promise.resolve();
  }

  listen(listener: PortListener): void {
    this.listener = listener;
  }

  pause(isPaused: boolean): void {
    this.isPaused = isPaused;
  }

  close(): Promise<void> {
    if (!this.isClosed) this.listener?.closed('closed');
    this.isClosed = true;
    return Promise.resolve();
  }

  get bytes(): number[] {
    return this.pieces.flatMap((piece) => [...piece]);
  }
}

const count = (n: number, from = 0): Uint8Array =>
  Uint8Array.from({ length: n }, (_, i) => (from + i) & 0xff);

async function sent(
  plan: Nastiness,
  chunks: readonly Uint8Array[],
  seed = 1,
): Promise<{ readonly port: KeptPort; readonly given: readonly number[] }> {
  const port = new KeptPort();
  const clock = handClock();
  const nasty = nastyPort(port, plan, seed, clock);
  for (const chunk of chunks) {
    if (port.isClosed) break;
    await nasty.write(chunk);
    await clock.advance(3);
  }
  await clock.advance(20_000);
  return { port, given: chunks.flatMap((chunk) => [...chunk]) };
}

const chunks = fc.array(fc.uint8Array({ maxLength: 60 }), { maxLength: 12 });

test('whatever delay, fragment and merge make of it, the bytes that leave are those that came', async () => {
  const plans = fc.record(
    {
      delay: fc.integer({ min: 0, max: 500 }),
      fragment: fc.constant(true as const),
      merge: fc.constant(true as const),
    },
    { requiredKeys: [] },
  );
  await fc.assert(
    fc.asyncProperty(chunks, plans, fc.integer(), async (given, plan, seed) => {
      const { port, given: all } = await sent(plan, given, seed);
      expect(port.bytes).toEqual(all);
    }),
    { numRuns: 200 },
  );
});

test('a plan that changes while bytes wait neither loses nor reorders them', async () => {
  const steps = fc.array(
    fc.record({
      bytes: fc.uint8Array({ minLength: 1, maxLength: 9 }),
      delay: fc.integer({ min: 0, max: 80 }),
    }),
    { maxLength: 20 },
  );
  await fc.assert(
    fc.asyncProperty(steps, async (all) => {
      const port = new KeptPort();
      const clock = handClock();
      const nasty = nastyPort(port, {}, 1, clock);
      for (const { bytes, delay } of all) {
        nasty.misbehave({ delay });
        await nasty.write(bytes);
        await clock.advance(5);
      }
      await clock.advance(200);
      expect(port.bytes).toEqual(all.flatMap(({ bytes }) => [...bytes]));
    }),
    { numRuns: 200 },
  );
});

test('silence and close let through their bytes and not one more', async () => {
  await fc.assert(
    fc.asyncProperty(chunks, fc.nat(200), fc.boolean(), async (given, most, closes) => {
      const { port, given: all } = await sent(closes ? { close: most } : { silence: most }, given);
      expect(port.bytes).toEqual(all.slice(0, most));
      expect(port.isClosed).toBe(closes && all.length >= most);
    }),
    { numRuns: 200 },
  );
});

test('garbage changes bytes, at about its probability, and adds or drops none', async () => {
  const { port, given } = await sent({ garbage: 0.1 }, [count(10_000)]);
  const wrong = port.bytes.filter((byte, i) => byte !== given[i]).length;
  expect(port.bytes).toHaveLength(10_000);
  // Six standard deviations of 10,000 draws: 180.
  expect(Math.abs(wrong - 1000)).toBeLessThan(180);
});

test('the same seed makes the same garbage, another one does not', async () => {
  const bytes = async (seed: number): Promise<readonly number[]> =>
    (await sent({ garbage: 0.1 }, [count(200)], seed)).port.bytes;
  expect(await bytes(4)).toEqual(await bytes(4));
  expect(await bytes(4)).not.toEqual(await bytes(5));
});

test('the array of a writer is left as it was', async () => {
  const mine = count(50);
  await sent({ garbage: 1 }, [mine]);
  expect(mine).toEqual(count(50));
});

test('fragments have 1 to 7 bytes, and both occur', async () => {
  const { port } = await sent({ fragment: true }, [count(500)]);
  const lengths = port.pieces.map((piece) => piece.length);
  expect(Math.min(...lengths)).toBe(1);
  expect(Math.max(...lengths)).toBe(7);
});

test('what is written within 20 ms is merged into one piece', async () => {
  const { port } = await sent({ merge: true }, [count(3), count(3, 3), count(3, 6), count(3, 9)]);
  expect(port.pieces.map((piece) => piece.length)).toEqual([12]);
});

test('a delay of 30 ms lets nothing through after 29 ms and all of it after 30, both ways', async () => {
  const port = new KeptPort();
  const clock = handClock();
  const nasty = nastyPort(port, { delay: 30 }, 1, clock);
  const heard: number[] = [];
  nasty.listen({ bytes: (chunk) => heard.push(...chunk), closed: () => heard.push(-1) });
  await nasty.write(count(4));
  port.listener?.bytes(count(2));
  await clock.advance(29);
  expect([port.bytes, heard]).toEqual([[], []]);
  await clock.advance(1);
  expect([port.bytes, heard]).toEqual([
    [0, 1, 2, 3],
    [0, 1],
  ]);
});

test('bytes that came before the end are heard before it, also late ones', async () => {
  const port = new KeptPort();
  const clock = handClock();
  const nasty = nastyPort(port, { delay: 30 }, 1, clock);
  const heard: (number | string)[] = [];
  nasty.listen({ bytes: (chunk) => heard.push(...chunk), closed: (reason) => heard.push(reason) });
  port.listener?.bytes(count(2));
  port.listener?.closed('gone');
  await clock.advance(30);
  expect(heard).toEqual([0, 1, 'gone']);
});

test('what a device writes while it is told the end still leaves, later writes do not', async () => {
  const port = new KeptPort();
  const nasty = nastyPort(port, {}, 1, handClock());
  nasty.listen({ bytes: () => undefined, closed: () => void nasty.write(count(3)) });
  port.listener?.closed('gone');
  expect(port.bytes).toEqual([0, 1, 2]);
  await expect(nasty.write(count(1))).rejects.toThrow('link/closed');
});

test('half-open loses what is written and hears on', async () => {
  const port = new KeptPort();
  const nasty = nastyPort(port, { halfOpen: true }, 1, handClock());
  const heard: number[] = [];
  nasty.listen({ bytes: (chunk) => heard.push(...chunk), closed: () => heard.push(-1) });
  await nasty.write(count(4));
  port.listener?.bytes(count(2));
  expect([port.bytes, heard]).toEqual([[], [0, 1]]);
});

test('a stalled device makes its peer wait, and hears what waited once it goes on', async () => {
  const port = new KeptPort();
  const nasty = nastyPort(port, { stall: true }, 1, handClock());
  const heard: number[] = [];
  nasty.listen({ bytes: (chunk) => heard.push(...chunk), closed: () => heard.push(-1) });
  port.listener?.bytes(count(2));
  expect([port.isPaused, heard]).toEqual([true, []]);
  nasty.misbehave({});
  await Promise.resolve();
  expect([port.isPaused, heard]).toEqual([false, [0, 1]]);
});

test('a stalled device that cannot make its peer wait hangs up after 8 MiB', () => {
  const port = new KeptPort();
  const nasty = nastyPort(port, { stall: true }, 1, handClock());
  nasty.listen({ bytes: () => undefined, closed: () => undefined });
  const chunk = new Uint8Array(1 << 20);
  for (let i = 0; i < MOST_WAITING / chunk.length; i++) port.listener?.bytes(chunk);
  expect(port.isClosed).toBe(false);
  port.listener?.bytes(count(1));
  expect(port.isClosed).toBe(true);
});

test('after it hung up nothing is written', async () => {
  const { port } = await sent({}, []);
  const nasty = nastyPort(port, { close: 0 }, 1, handClock());
  expect(port.isClosed).toBe(true);
  await expect(nasty.write(count(1))).rejects.toThrow('link/closed');
});

test('a plan is read from its words, with what they are left at', () => {
  expect(readNastiness('delay=30,fragment,merge,silence,garbage,close=12,half-open,stall')).toEqual(
    {
      ...{ delay: 30, fragment: true, merge: true, silence: 0, garbage: 0.001, close: 12 },
      ...{ halfOpen: true, stall: true },
    },
  );
  expect(readNastiness('')).toEqual({});
});

test.each([
  'delay',
  'delay=-1',
  'delay=',
  'garbage=2',
  'close=1.5',
  'fragment=3',
  'slow',
  'close=1=2',
  'delay=1e9',
])('the plan "%s" is refused', (spec) => {
  expect(() => readNastiness(spec)).toThrow('usage/argument');
});
