import { expect, test } from 'vitest';
import { MOST_BLOCKS } from '../../src/link/sample-queue.js';
import type { WireEvent } from '../../src/link/wire-message.js';
import { encodeSamples, encodeWaveform } from '../../src/link/wire-samples.js';
import { WireSession } from '../../src/link/wire-session.js';
import { handClock } from '../support/clock.js';
import { memoryPort } from '../support/memory-port.js';
import { problemOf } from '../support/problem-of.js';

function begun() {
  const port = memoryPort();
  const clock = handClock();
  const events: WireEvent[] = [];
  const session = new WireSession('The link "s"', port, clock, {
    event: (event) => events.push(event),
    samples: () => true,
  });
  return { port, clock, events, session };
}

const turn = (): Promise<void> => new Promise((resolve) => setImmediate(resolve));
const nothing = (): undefined => undefined;
const block = (number: number): Uint8Array =>
  encodeSamples({
    ...{ take: 1, block: number, start: number, clock: 0, channels: 1 },
    report: { updates: 0, missing: 0, time: 0, fault: 0, torqueEnabled: false },
    values: new Float32Array(1),
  });

test('one request is under way at a time; the next goes out with the reply to the one before', async () => {
  const { port, session } = begun();
  const first = session.request({ do: 'one', members: { x: 1 } }, (from) => from.count('y'));
  const second = session.request({ do: 'two' }, (from) => from.count('y'));
  await turn();
  expect(port.messages()).toEqual([{ id: 1, do: 'one', x: 1 }]);
  port.tell({ re: 1, ok: true, y: 11 });
  expect(await first).toBe(11);
  await turn();
  expect(port.messages()).toHaveLength(2);
  port.tell({ re: 2, ok: true, y: 22 });
  expect(await second).toBe(22);
});

test('a request is given up after 250 ms; its late reply is dropped and the next gets its own', async () => {
  const { port, clock, session } = begun();
  const slow = problemOf(session.request({ do: 'slow' }, nothing));
  await turn();
  await clock.advance(249);
  const next = session.request({ do: 'next' }, (from) => from.count('y'));
  await clock.advance(1);
  expect(await slow).toMatchObject({
    code: 'link/silent',
    what: 'The link "s" did not answer "slow" within 250 ms.',
  });
  await turn();
  port.tell({ re: 1, ok: true, y: 1 });
  port.tell({ re: 1, ok: true, y: 1 });
  port.tell({ re: 2, ok: true, y: 2 });
  expect(await next).toBe(2);
  expect(session.failure).toBeUndefined();
});

test('a greeting waits 2 s; one of version 2 ends the session', async () => {
  const { port, clock, session } = begun();
  const hello = problemOf(session.hello());
  await turn();
  await clock.advance(1999);
  expect(port.messages()).toEqual([{ id: 1, do: 'hello', protocol: [1], runner: 'stallmark' }]);
  port.tell({ re: 1, ok: true, protocol: 2, odd: true });
  expect((await hello).code).toBe('link/version');
  expect(port.isClosed).toBe(true);
});

test('a reply to a request that nobody made ends the session', async () => {
  const { port, session } = begun();
  const asked = problemOf(session.request({ do: 'one' }, nothing));
  await turn();
  port.tell({ re: 2, ok: true });
  expect((await asked).what).toBe('The link "s" answered request 2; 1 was asked last.');
  expect(port.isClosed).toBe(true);
});

test('a reply that is not as agreed ends the session with all that is wrong', async () => {
  const { port, session } = begun();
  const asked = session.request({ do: 'one' }, (from) => [from.count('a'), from.flag('b')]);
  await turn();
  port.tell({ re: 1, ok: true, a: 0.5 });
  await expect(asked).rejects.toMatchObject({
    problems: [{ code: 'link/garbled' }, { code: 'link/garbled' }],
  });
  expect((await problemOf(session.request({ do: 'two' }, nothing))).what).toContain(
    'with 0.5 as a',
  );
});

test('a refusal leaves the session sound', async () => {
  const { port, session } = begun();
  const asked = problemOf(session.request({ do: 'one' }, nothing));
  await turn();
  port.tell({ re: 1, ok: false, code: 'x/y', what: 'no power' });
  expect((await asked).code).toBe('link/refused');
  expect(session.failure).toBeUndefined();
});

test('a stop goes at once and gives up what is under way and what waits, which is then never sent', async () => {
  const { port, session } = begun();
  const given = [
    problemOf(session.request({ do: 'arrange', deadline: 10_000 }, nothing)),
    problemOf(session.request({ do: 'energize' }, nothing)),
  ];
  await turn();
  const stop = session.request({ do: 'makeSafe', isStop: true }, nothing);
  await turn();
  expect(port.messages().map((message) => message['do'])).toEqual(['arrange', 'makeSafe']);
  port.tell({ re: 1, ok: true });
  port.tell({ re: 2, ok: true });
  await stop;
  for (const one of given) expect((await one).code).toBe('bench/permit-void');
  await turn();
  expect(port.messages()).toHaveLength(2);
});

test('a stop in the middle of a waveform keeps the rest of it from being sent', async () => {
  const { port, session } = begun();
  let stop: Promise<undefined> | undefined;
  function* parts(): Generator<Uint8Array> {
    for (let part = 0; part < 100; part++) {
      if (part === 3) stop = session.request({ do: 'makeSafe', isStop: true }, nothing);
      yield encodeWaveform({ part, what: 'command', values: new Float64Array(1) });
    }
  }
  const load = problemOf(session.request({ do: 'load', waveform: parts() }, nothing));
  expect((await load).code).toBe('bench/permit-void');
  await turn();
  expect(port.sent.filter(({ kind }) => kind === 'waveform').length).toBeLessThanOrEqual(4);
  port.tell({ re: 2, ok: true });
  await stop;
});

test('of 1000 requests at once 32 wait, the others are refused', async () => {
  const { port, session } = begun();
  const codes: string[] = [];
  for (let i = 0; i < 1000; i++) {
    void problemOf(session.request({ do: 'status' }, nothing)).then(({ code }) => codes.push(code));
  }
  await turn();
  expect(codes.filter((code) => code === 'link/stalled')).toHaveLength(968);
  port.hangUp('gone');
  await turn();
  expect(codes.filter((code) => code === 'link/closed')).toHaveLength(32);
});

test('256 blocks that nobody reads are kept; the next ends the session', async () => {
  const { port, session } = begun();
  session.samples.begin();
  for (let i = 0; i < MOST_BLOCKS; i++) port.samples(block(i));
  expect(session.failure).toBeUndefined();
  port.samples(block(MOST_BLOCKS));
  expect(session.failure?.problems[0].code).toBe('link/gap');
  expect((await problemOf(session.nextSamples())).what).toContain('Block 256');
});

test('whoever waits for samples is told at once when the other end hangs up', async () => {
  const { port, session } = begun();
  session.samples.begin();
  const next = problemOf(session.nextSamples());
  port.hangUp('it ended with status 1');
  expect((await next).what).toBe('The link "s" hung up: it ended with status 1.');
});

test('samples are waited for 250 ms, and an end wakes who waits', async () => {
  const { clock, session } = begun();
  session.samples.begin();
  const late = problemOf(session.nextSamples());
  await clock.advance(250);
  expect((await late).code).toBe('link/silent');
  const next = session.nextSamples();
  session.samples.end();
  expect(await next).toBeUndefined();
});

test('lines of events are told for 200 ms, and not at all after the session', async () => {
  const { port, clock, events, session } = begun();
  port.tell({ event: 'lines', guard: 'closed', emergencyStop: 'released', presence: 'held' });
  expect(await session.readLines()).toMatchObject({ guard: 'closed', age: 0 });
  await clock.advance(201);
  expect(await session.readLines()).toMatchObject({ guard: 'open', presence: 'released' });
  port.tell({ event: 'lines', guard: 'closed', emergencyStop: 'released', presence: 'held' });
  expect(await session.readLines()).toMatchObject({ guard: 'closed', age: 0 });
  expect(events).toHaveLength(2);
  port.hangUp('gone');
  expect(await session.readLines()).toMatchObject({ guard: 'open', age: Infinity });
});

test('what is posted has no id, and posting to nobody is no error', async () => {
  const { port, session } = begun();
  session.post({ do: 'feed', seq: 0 });
  await turn();
  expect(port.messages()).toEqual([{ do: 'feed', seq: 0 }]);
  await session.close();
  session.post({ do: 'feed', seq: 1 });
  expect(port.messages()).toHaveLength(1);
});

test('a waveform from an adapter, and bytes that are no frame, end the session once', async () => {
  const { port, session } = begun();
  port.bytes(Uint8Array.of(1, 2, 3));
  const first = session.failure;
  expect(first?.problems[0].code).toBe('link/garbled');
  port.bytes(Uint8Array.of(4));
  port.hangUp('gone');
  expect(session.failure).toBe(first);
  await session.gone();
  expect(port.isClosed).toBe(true);
});
