import { expect, test } from 'vitest';
import {
  Events,
  MOST_OF_SESSION,
  MOST_STREAMS,
  MOST_WAITING,
  type Sink,
} from '../../src/serve/events.js';
import { Hold, HOLD_PATIENCE } from '../../src/serve/hold.js';
import type { Frame } from '../../src/serve/nest-view.js';
import { handClock } from '../support/clock.js';
import { FakeDesk } from '../support/fake-desk.js';

/** A browser that takes what it is sent only when it is told to. */
class SlowSink {
  sent: string[] = [];
  destroyed = false;
  isEnded = false;
  takes = true;
  #close: () => void = () => undefined;

  get writableLength(): number {
    return this.takes ? 0 : this.#waiting;
  }

  #waiting = 0;

  write(text: string): boolean {
    this.sent.push(text);
    if (!this.takes) this.#waiting += text.length;
    return this.takes;
  }

  end(): void {
    this.isEnded = true;
  }

  destroy(): void {
    this.destroyed = true;
  }

  on(_event: 'close', told: () => void): this {
    this.#close = told;
    return this;
  }

  leave(): void {
    this.#close();
  }

  count(name: string): number {
    return this.sent.filter((text) => text.startsWith(`event: ${name}\n`)).length;
  }
}

function made(): {
  readonly desk: FakeDesk;
  readonly hold: Hold;
  readonly events: Events;
  readonly clock: ReturnType<typeof handClock>;
  readonly follow: (tab: string, session?: number, counts?: () => boolean) => SlowSink;
} {
  const clock = handClock();
  const desk = new FakeDesk();
  const hold = new Hold(desk, clock);
  const events = new Events(desk, hold, clock);
  const follow = (tab: string, session = 1, counts = (): boolean => true): SlowSink => {
    const sink = new SlowSink();
    events.follow({ session, tab, mayHold: true, counts }, sink as unknown as Sink);
    return sink;
  };
  return { desk, hold, events, clock, follow };
}

const columns = { low: [0], high: [1] };
const frame: Frame = {
  ...{ stage: 0, take: 0, from: 0, step: 1, command: columns, produced: columns, torque: columns },
};

test('whoever follows gets the present view at once, then each change, each frame and each beat', () => {
  const { desk, events, follow } = made();
  const sink = follow('a');
  expect(sink.sent[0]).toBe('retry: 500\n\n');
  expect(sink.sent[1]).toMatch(
    /^event: nest\ndata: \{"bench":"TW-1".*"hold":"free","mayHold":true\}\n\n$/u,
  );
  desk.show({ phase: { kind: 'checking' } });
  for (let i = 0; i < 20; i += 1) desk.frame(frame);
  events.beat();
  expect([sink.count('nest'), sink.count('frame'), sink.count('beat')]).toEqual([2, 20, 2]);
});

test('a slow browser gets no frame while something waits, but every view', () => {
  const { desk, follow } = made();
  const [slow, quick] = [follow('a'), follow('b')];
  slow.takes = false;
  for (let i = 0; i < 100; i += 1) {
    desk.frame(frame);
    desk.show({ checkedAt: i });
  }
  expect(quick.count('frame')).toBe(100);
  expect(slow.count('frame')).toBe(1);
  expect(slow.count('nest')).toBe(101);
});

test('a browser that is too far behind is cut off, so that it begins anew', () => {
  const { desk, events, follow } = made();
  const slow = follow('a');
  slow.takes = false;
  const sample = 'x'.repeat(10_000);
  for (let i = 0; i < (2 * MOST_WAITING) / 10_000; i += 1) desk.show({ sample });
  expect(slow.destroyed).toBe(true);
  expect(slow.writableLength).toBeLessThanOrEqual(MOST_WAITING);
  expect(events.count).toBe(0);
});

test('a hold that lapses is told with the next beat, and only then', async () => {
  const { hold, events, clock, follow } = made();
  const sink = follow('a');
  hold.take({ session: 1, tab: 'a', person: 'O. Operator' });
  events.beat();
  expect(sink.sent.join('')).toContain('"hold":"yours"');
  const before = sink.count('nest');
  events.beat();
  expect(sink.count('nest')).toBe(before);
  await clock.advance(HOLD_PATIENCE);
  events.beat();
  expect(sink.count('nest')).toBe(before + 1);
  expect(sink.sent.at(-2)).toContain('"hold":"free"');
});

test('a stream ends with its session, and with the server', () => {
  const { events, follow } = made();
  let counts = true;
  const [own, other] = [follow('a', 1, () => counts), follow('b', 2)];
  counts = false;
  events.beat();
  expect([own.isEnded, other.isEnded, events.count]).toEqual([true, false, 1]);
  events.close();
  expect(other.isEnded).toBe(true);
});

test('a browser that leaves is forgotten', () => {
  const { desk, events, follow } = made();
  const sink = follow('a');
  sink.leave();
  const { length } = sink.sent;
  desk.frame(frame);
  expect([events.count, sink.sent.length]).toEqual([0, length]);
});

test('one session follows in four tabs at most, and no more than 32 follow at all', () => {
  const { events, follow } = made();
  for (let i = 0; i < MOST_OF_SESSION; i += 1) follow(String(i));
  expect(() => {
    events.refuseTooMany(1);
  }).toThrow(/page\/busy/u);
  expect(() => {
    events.refuseTooMany(2);
  }).not.toThrow();
  for (let i = MOST_OF_SESSION; i < MOST_STREAMS; i += 1) follow('a', i + 10);
  expect(() => {
    events.refuseTooMany(2);
  }).toThrow(/page\/busy/u);
});
