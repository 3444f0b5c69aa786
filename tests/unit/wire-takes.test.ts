import { expect, test } from 'vitest';
import { hertz } from '../../src/base/units.js';
import { encodeSamples } from '../../src/link/wire-samples.js';
import { WireSession } from '../../src/link/wire-session.js';
import { WireTakes } from '../../src/rig/wire-takes.js';
import { handClock } from '../support/clock.js';
import { memoryPort } from '../support/memory-port.js';

const ORDER = { samples: 800, rate: hertz(20_000), on: 'now', afterStop: 400 } as const;
const turn = (): Promise<void> => new Promise((resolve) => setImmediate(resolve));

function begun() {
  const port = memoryPort();
  const takes = new WireTakes();
  const session = new WireSession('It', port, handClock(), {
    event: (event, from) => {
      if (event.is === 'end') takes.hearEnd(from, event.take);
    },
    samples: (frame, from) => takes.look(from, frame),
    late: (asked, isDone) => {
      takes.hearLate(asked, isDone);
    },
  });
  const block = (take: number): void => {
    const report = { updates: 0, missing: 0, time: 0, fault: 0, torqueEnabled: false };
    const place = { take, block: 0, start: 0, clock: 0, channels: 1 };
    port.samples(encodeSamples({ ...place, report, values: new Float32Array(4) }));
  };
  return { port, takes, session, block };
}

test('a take is asked for as it was ordered, and its blocks may come before the reply', async () => {
  const { port, takes, session, block } = begun();
  const armed = takes.arm(session, ORDER, ['torque']);
  await turn();
  expect(port.messages()).toEqual([
    { id: 1, do: 'arm', samples: 800, rate_Hz: 20_000, on: 'now', afterStop: 400 },
  ]);
  block(1);
  port.tell({ re: 1, ok: true });
  await armed;
  expect(await session.nextSamples()).toMatchObject({ take: 1 });
  port.tell({ event: 'end', take: 1, samples: 4 });
  expect(await session.nextSamples()).toBeUndefined();
  expect(takes.current?.isOver).toBe(true);
});

test('a refused take has no number: the next is still take 1', async () => {
  const { port, takes, session } = begun();
  for (const id of [1, 2]) {
    const armed = takes.arm(session, ORDER, ['torque']);
    await turn();
    expect(takes.current?.number).toBe(1);
    port.tell(id === 1 ? { re: 1, ok: false, code: 'a/b', what: 'no' } : { re: 2, ok: true });
    await (id === 1 ? expect(armed).rejects.toThrow('no') : armed);
  }
});

test('blocks of a take that was let go are dropped; those of one that nobody asked for end it all', async () => {
  const { port, takes, session, block } = begun();
  const armed = takes.arm(session, ORDER, ['torque']);
  await turn();
  port.tell({ re: 1, ok: true });
  await armed;
  takes.drop();
  block(1);
  expect(session.failure).toBeUndefined();
  block(2);
  expect(session.failure?.problems[0].what).toBe('It sent take 2, which nobody asked for.');
});

test('an end of a take that nobody asked for ends it all', () => {
  const { port, session } = begun();
  port.tell({ event: 'end', take: 1, samples: 0 });
  expect(session.failure?.problems[0].what).toBe('It ended take 1, which nobody asked for.');
});
