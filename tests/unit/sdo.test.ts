import fc from 'fast-check';
import { expect, test } from 'vitest';
import { StallmarkError } from '../../src/base/error.js';
import type { CanSide } from '../../src/link/can-bus.js';
import { LONGEST_OBJECT, SDO_DEADLINE, SdoClient } from '../../src/link/sdo.js';
import { handClock, type HandClock } from '../support/clock.js';

type Bytes = readonly number[];

/** A bus whose one device answers as a test says; what is answered comes a microtask later. */
class FakeBus implements CanSide {
  readonly name = 'a bus';
  readonly sent: number[][] = [];
  failure: StallmarkError | undefined;
  isGone = false;
  answer: (request: Bytes) => Bytes | undefined = () => undefined;
  private listener: (data: Uint8Array) => void = () => undefined;
  private failing: (failure: StallmarkError) => void = () => undefined;

  send(id: number, data: Uint8Array): void {
    expect(id).toBe(0x605);
    const request = [...data];
    this.sent.push(request);
    const answer = this.answer(request);
    if (answer !== undefined) {
      void Promise.resolve().then(() => {
        this.say(answer);
      });
    }
  }

  on(id: number, listener: (data: Uint8Array) => void): void {
    expect(id).toBe(0x585);
    this.listener = listener;
  }

  onFailure(listener: (failure: StallmarkError) => void): void {
    this.failing = listener;
  }

  say(data: Bytes): void {
    this.listener(Uint8Array.from(data));
  }

  end(): void {
    this.isGone = true;
    this.failure = new StallmarkError([{ code: 'link/closed', what: 'gone', fix: 'look' }]);
    this.failing(this.failure);
  }
}

function client(): { bus: FakeBus; sdo: SdoClient; clock: HandClock } {
  const bus = new FakeBus();
  const clock = handClock();
  return { bus, clock, sdo: new SdoClient(bus, 5, clock) };
}

/** Moves the clock until it is over, at most two seconds. */
async function settled(clock: HandClock, promise: Promise<unknown>): Promise<string> {
  let said: string | undefined;
  promise.then(
    () => {
      said = 'done';
    },
    (error: unknown) => {
      said = error instanceof StallmarkError ? error.message : `defect: ${String(error)}`;
    },
  );
  for (let i = 0; i < 2000 && said === undefined; i++) {
    await clock.advance(1);
    await new Promise((resolve) => setImmediate(resolve));
  }
  return said ?? 'hangs';
}

test('a number of 2 bytes is read in one answer', async () => {
  const { bus, sdo } = client();
  bus.answer = () => [0x4b, 0x41, 0x60, 0x00, 0x37, 0x02, 0, 0];
  expect([...(await sdo.upload(0x6041_00))]).toEqual([0x37, 0x02]);
  expect(bus.sent).toEqual([[0x40, 0x41, 0x60, 0, 0, 0, 0, 0]]);
});

/** A device that keeps one object, in segments when it is long. Independent of the client. */
function keeper(initial: Bytes): {
  readonly stored: () => Bytes;
  readonly answer: (request: Bytes) => Bytes | undefined;
} {
  let stored = [...initial];
  let at = 0;
  let growing: number[] = [];
  return {
    stored: () => stored,
    answer: ([head = 0, low = 0, high = 0, sub = 0, ...rest]) => {
      const name = [low, high, sub];
      if (head === 0x40) {
        at = 0;
        return [0x41, ...name, stored.length & 0xff, stored.length >> 8, 0, 0];
      }
      if (head === 0x60 || head === 0x70) {
        const part = stored.slice(at, at + 7);
        at += 7;
        const last = at >= stored.length ? 1 : 0;
        const padding = new Array<number>(7 - part.length).fill(0);
        return [(head & 0x10) | (padding.length << 1) | last, ...part, ...padding];
      }
      if (head === 0x21) {
        growing = [];
        return [0x60, ...name, 0, 0, 0, 0];
      }
      if (head >> 5 === 1) {
        stored = rest.slice(0, 4 - ((head >> 2) & 3));
        return [0x60, ...name, 0, 0, 0, 0];
      }
      if (head >> 5 !== 0) return undefined;
      growing.push(...[low, high, sub, ...rest].slice(0, 7 - ((head >> 1) & 7)));
      if ((head & 1) === 1) stored = growing;
      return [0x20 | (head & 0x10), 0, 0, 0, 0, 0, 0, 0];
    },
  };
}

test('objects of 0 … 1024 bytes go both ways whole', async () => {
  const sizes = fc.oneof(
    fc.uint8Array({ maxLength: 30 }),
    fc.uint8Array({ minLength: 1000, maxLength: LONGEST_OBJECT }),
  );
  await fc.assert(
    fc.asyncProperty(sizes, async (value) => {
      const { bus, sdo } = client();
      const device = keeper([]);
      bus.answer = device.answer;
      await sdo.download(0x2107_00, value);
      expect(device.stored()).toEqual([...value]);
      expect([...(await sdo.upload(0x2107_00))]).toEqual([...value]);
    }),
    { seed: 12, numRuns: 50 },
  );
});

test('a device that refuses is told in its words', async () => {
  const { bus, sdo, clock } = client();
  bus.answer = () => [0x80, 0x41, 0x60, 0x00, 0x11, 0x00, 0x09, 0x06];
  expect(await settled(clock, sdo.upload(0x6041_00))).toBe(
    'link/refused: Object 6041:00 of node 5 at a bus was refused: 0x06090011, subindex does not exist.',
  );
});

test(`a device that says nothing is given up after ${SDO_DEADLINE} ms and told so`, async () => {
  const { bus, sdo, clock } = client();
  const before = clock.monotonic();
  expect(await settled(clock, sdo.upload(0x6041_00))).toContain(
    `not answered within ${SDO_DEADLINE} ms`,
  );
  expect(clock.monotonic() - before).toBeLessThanOrEqual(SDO_DEADLINE + 2);
  expect(bus.sent.at(-1)).toEqual([0x80, 0x41, 0x60, 0x00, 0x00, 0x00, 0x04, 0x05]);
});

test('the late answer to one question is not taken for the next, also of the same object', async () => {
  const { bus, sdo, clock } = client();
  await settled(clock, sdo.upload(0x6041_00));
  const told: Bytes[] = [
    [0x4b, 0x41, 0x60, 0x00, 0x01, 0x00, 0, 0], // late: answer to the question before
    [0x43, 0x00, 0x10, 0x00, 0x92, 0x01, 0x02, 0x00],
    [0x4b, 0x41, 0x60, 0x00, 0x02, 0x00, 0, 0],
  ];
  bus.answer = ([head]) => {
    if (head !== 0x40) return undefined;
    if (told.length === 3) bus.say(told.shift() ?? []);
    return told.shift();
  };
  expect([...(await sdo.upload(0x6041_00))]).toEqual([2, 0]);
});

test('a late segment is not taken for one of the next text', async () => {
  const { bus, sdo, clock } = client();
  const device = keeper([...Buffer.from('first text')]);
  let mute = false;
  bus.answer = (request) => (mute && request[0] === 0x60 ? undefined : device.answer(request));
  mute = true;
  expect(await settled(clock, sdo.upload(0x2102_00))).toContain('link/silent');
  mute = false;
  await settled(clock, sdo.download(0x2103_00, Buffer.from('second text')));
  const read = sdo.upload(0x2103_00);
  bus.say([0x00, ...Buffer.from('first t')]); // before the first segment was asked for
  expect(Buffer.from(await read).toString()).toBe('second text');
});

test('a toggle that does not alternate is garbled and broken off with 0x05030000', async () => {
  const { bus, sdo, clock } = client();
  bus.answer = ([head]) =>
    head === 0x40 ? [0x41, 2, 0x21, 0, 20, 0, 0, 0] : [0x00, 1, 2, 3, 4, 5, 6, 7];
  expect(await settled(clock, sdo.upload(0x2102_00))).toContain('link/garbled');
  expect(bus.sent.at(-1)).toEqual([0x80, 2, 0x21, 0, 0, 0, 0x03, 0x05]);
});

const ENDLESS: readonly (readonly [string, Bytes, (toggle: number) => number])[] = [
  ['promises 1,000,000 bytes', [0x41, 2, 0x21, 0, 0x40, 0x42, 0x0f, 0], (toggle) => toggle],
  ['never ends its segments', [0x40, 2, 0x21, 0, 0, 0, 0, 0], (toggle) => toggle],
  ['sends empty segments for ever', [0x40, 2, 0x21, 0, 0, 0, 0, 0], (toggle) => toggle | 0x0e],
  ['promises 9 bytes and sends 7', [0x41, 2, 0x21, 0, 9, 0, 0, 0], (toggle) => toggle | 1],
];
for (const [name, first, head] of ENDLESS) {
  test(`a device that ${name} is garbled`, async () => {
    const { bus, sdo, clock } = client();
    bus.answer = ([asked = 0]) =>
      asked === 0x40 ? first : [head(asked & 0x10), 1, 2, 3, 4, 5, 6, 7];
    expect(await settled(clock, sdo.upload(0x2102_00))).toContain('link/garbled');
    expect(bus.sent.length).toBeLessThan(160);
  });
}

test('a stop goes before what is asked and what waits', async () => {
  const { bus, sdo, clock } = client();
  const asked = settled(clock, sdo.upload(0x2102_00));
  const waiting = settled(clock, sdo.upload(0x2103_00));
  await new Promise((resolve) => setImmediate(resolve));
  sdo.cancel();
  bus.answer = ([head, low = 0, high = 0]) =>
    head === 0x23 || head === 0x2b
      ? [0x60, low, high, 0, 0, 0, 0, 0]
      : head === 0x40
        ? [0x43, low, high, 0, 0, 0, 0, 0]
        : undefined;
  expect(await settled(clock, sdo.download(0x6040_00, Uint8Array.of(0, 0)))).toBe('done');
  expect(await asked).toContain('a stop went first');
  expect(await waiting).toContain('a stop went first');
});

test('a bus that goes ends the question at once, and every later one', async () => {
  const { bus, sdo, clock } = client();
  const asked = sdo.upload(0x2102_00);
  await new Promise((resolve) => setImmediate(resolve));
  bus.end();
  await expect(asked).rejects.toThrow('link/closed');
  expect(await settled(clock, sdo.upload(0x2103_00))).toContain('link/closed');
  expect(bus.sent).toHaveLength(1);
});

test('40 questions at once do not pile up', async () => {
  const { sdo, clock } = client();
  const asked = Array.from({ length: 40 }, () => settled(clock, sdo.upload(0x2102_00)));
  const said = await Promise.all(asked);
  expect(said.filter((text) => text.includes('link/stalled'))).toHaveLength(8);
});

test('hostile answers neither crash nor hang nor grow a question', async () => {
  await fc.assert(
    fc.asyncProperty(fc.array(fc.uint8Array({ maxLength: 9 }), { maxLength: 40 }), async (said) => {
      const { bus, sdo, clock } = client();
      let i = 0;
      bus.answer = () => {
        const answer = said[i++];
        return answer === undefined ? undefined : [...answer];
      };
      for (const ask of [
        () => sdo.upload(0x2102_00),
        () => sdo.download(0x6040_00, Uint8Array.of(1)),
      ]) {
        expect(await settled(clock, ask())).toMatch(/^(?:done|link\/)/u);
      }
      expect(bus.sent.length).toBeLessThan(200);
    }),
    { seed: 12, numRuns: 60 },
  );
});
