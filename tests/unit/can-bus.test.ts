import { expect, test } from 'vitest';
import { StallmarkError } from '../../src/base/error.js';
import { CanBus, GATEWAY_DEADLINE, MOST_UNSENT } from '../../src/link/can-bus.js';
import type { Port, PortListener } from '../../src/link/port.js';
import { handClock, type HandClock } from '../support/clock.js';

/** A gateway that answers commands as a table says. */
function gateway(answers: Readonly<Record<string, string>>): {
  readonly port: Port;
  readonly lines: string[];
  readonly state: { isClosed: boolean; stalls: boolean };
  readonly say: (text: string) => void;
  readonly hangUp: () => void;
} {
  let listener: PortListener | undefined;
  const lines: string[] = [];
  const state = { isClosed: false, stalls: false };
  const say = (text: string): void => listener?.bytes(Buffer.from(text, 'latin1'));
  return {
    lines,
    state,
    say,
    hangUp: () => listener?.closed('it was unplugged'),
    port: {
      name: 'a gateway',
      tellsEnd: true,
      write: (bytes) => {
        const line = Buffer.from(bytes).toString('latin1').replace('\r', '');
        lines.push(line);
        if (state.stalls) return new Promise(() => undefined);
        return Promise.resolve().then(() => {
          say(answers[line] ?? '');
        });
      },
      listen: (given) => {
        listener = given;
      },
      close: () => {
        state.isClosed = true;
        return Promise.resolve();
      },
    },
  };
}

const GOOD = { C: '\r', S6: '\r', O: '\r' };

async function settled<T>(clock: HandClock, promise: Promise<T>): Promise<T> {
  const state = { isOver: false };
  const end = (): void => {
    state.isOver = true;
  };
  promise.then(end, end);
  for (let i = 0; i < 1000 && !state.isOver; i++) {
    await clock.advance(1);
    await new Promise((resolve) => setImmediate(resolve));
  }
  return promise;
}

const codeOf = (error: unknown): string =>
  error instanceof StallmarkError ? error.problems[0].code : String(error);

async function refusal(promise: Promise<unknown>): Promise<string> {
  try {
    await promise;
    return 'none';
  } catch (error) {
    return codeOf(error);
  }
}

test('500,000 bit/s are opened by C, C, S6, O, also when the first C is refused', async () => {
  const { port, lines } = gateway({ ...GOOD, C: '\x07' });
  await CanBus.open(port, 500_000, handClock());
  expect(lines).toEqual(['C', 'C', 'S6', 'O']);
});

test('what another session left on the line before the gateway is open is passed over', async () => {
  const { port } = gateway({ ...GOOD, C: '00t08\rt0800\r\r' });
  const bus = await CanBus.open(port, 500_000, handClock());
  expect(bus.failure).toBeUndefined();
});

const REFUSED: readonly (readonly [string, Readonly<Record<string, string>>, number, string])[] = [
  ['a bit rate without a setting', GOOD, 333_333, 'link/ability'],
  ['a gateway that refuses O', { ...GOOD, O: '\x07' }, 500_000, 'link/refused'],
  [`a gateway that is silent for ${GATEWAY_DEADLINE} ms`, {}, 500_000, 'link/silent'],
];
for (const [name, answers, bitRate, code] of REFUSED) {
  test(`${name} is ${code}, and its port is let go`, async () => {
    const clock = handClock();
    const { port, state } = gateway(answers);
    expect(await refusal(settled(clock, CanBus.open(port, bitRate, clock)))).toBe(code);
    expect(state.isClosed).toBe(true);
  });
}

test('frames go to whoever listens to their identifier, extended and remote ones to nobody', async () => {
  const { port, say } = gateway(GOOD);
  const bus = await CanBus.open(port, 500_000, handClock());
  const heard: number[][] = [];
  bus.on(0x185, (data) => heard.push([...data]));
  say('t18520102\rt1860\rT000001850\rr1852\rt1851ff1234\r');
  expect(heard).toEqual([[1, 2], [0xff]]);
  expect(bus.failure).toBeUndefined();
});

const FAILURES: readonly (readonly [string, string])[] = [
  ['what is no frame', 'link/garbled'],
  ['\x07', 'link/refused'],
];
for (const [text, code] of FAILURES) {
  test(`${JSON.stringify(text)} from an open gateway is ${code}, told once, and it stays`, async () => {
    const { port, say } = gateway(GOOD);
    const bus = await CanBus.open(port, 500_000, handClock());
    const told: string[] = [];
    bus.onFailure((failure) => told.push(codeOf(failure)));
    say(`${text}\r`);
    say('x\r');
    expect(told).toEqual([code]);
    expect(codeOf(bus.failure)).toBe(code);
    expect(bus.isGone).toBe(false);
  });
}

test('a gateway that hangs up is link/closed, and nothing is written to it any more', async () => {
  const { port, lines, hangUp } = gateway(GOOD);
  const bus = await CanBus.open(port, 500_000, handClock());
  hangUp();
  bus.send(0x205, new Uint8Array(6));
  expect(codeOf(bus.failure)).toBe('link/closed');
  expect(lines).toHaveLength(4);
});

test(`${MOST_UNSENT} frames that nobody takes are link/stalled, and no more are kept`, async () => {
  const { port, lines, state } = gateway(GOOD);
  const bus = await CanBus.open(port, 500_000, handClock());
  state.stalls = true;
  for (let i = 0; i < 1000; i++) bus.send(0x205, new Uint8Array(6));
  expect(codeOf(bus.failure)).toBe('link/stalled');
  expect(lines).toHaveLength(4 + MOST_UNSENT);
});

test('close closes gateway and port', async () => {
  const { port, lines, state } = gateway(GOOD);
  const bus = await CanBus.open(port, 500_000, handClock());
  await bus.close();
  expect(lines.at(-1)).toBe('C');
  expect(state.isClosed).toBe(true);
});
