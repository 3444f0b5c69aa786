import { setImmediate as turn } from 'node:timers/promises';
import fc from 'fast-check';
import { expect, test } from 'vitest';
import { FAULT_CODES } from '../../src/bench/drive.js';
import { problem } from '../../src/bench/refusal.js';
import { serveWire } from '../../src/emulator/wire-server.js';
import type { LinkRole } from '../../src/procedure/links.js';
import { type HandClock, handClock } from '../support/clock.js';
import { FakeStand } from '../support/fake-stand.js';
import { WireRunner } from '../support/wire-runner.js';

interface Served {
  readonly stand: FakeStand;
  readonly runner: WireRunner;
  readonly clock: HandClock;
}

function served(roles?: readonly LinkRole[]): Served {
  const [stand, runner, clock] = [new FakeStand(), new WireRunner(), handClock()];
  const options = { clock, nanoseconds: () => 42n, ...(roles === undefined ? {} : { roles }) };
  serveWire(runner.port, stand, 'emulated stand', options);
  return { stand, runner, clock };
}

const HELLO = { protocol: [1], runner: 'stallmark' };

async function greeted(roles?: readonly LinkRole[]): Promise<Served> {
  const all = served(roles);
  expect(await all.runner.ask('hello', HELLO)).toMatchObject({ ok: true });
  return all;
}

async function powered(): Promise<Served> {
  const all = await greeted();
  await all.runner.ask('limit', { ceiling_Nm: 2, deadMan_s: 0.05 });
  expect(await all.runner.ask('energize')).toMatchObject({ ok: true });
  return all;
}

const ORDER = { rate_Hz: 1000, updates: 4, smoothing: 0, parts: 1 };

/** Power on, 1 N·m for 0.1 s under way. */
async function playing(samples = 2000): Promise<Served> {
  const all = await powered();
  const { runner } = all;
  const id = runner.post('load', { ...ORDER, updates: 100 });
  runner.part(0, new Array<number>(100).fill(1));
  expect(await runner.reply(id)).toMatchObject({ ok: true, updates: 100, peak_Nm: 1 });
  await runner.ask('arm', { samples, rate_Hz: 20_000, on: 'trigger' });
  expect(await runner.ask('start')).toMatchObject({ ok: true });
  return all;
}

test('hello tells all roles, that it is simulated, and channels in their units', async () => {
  const { runner } = served();
  expect(await runner.ask('hello', HELLO)).toEqual({
    ...{ re: 1, ok: true, protocol: 1, name: 'emulated stand', maker: 'SIMULATED', version: '1' },
    ...{ simulated: true, roles: ['drive', 'digitizer', 'interlock'] },
    abilities: {
      drive: {
        ...{ deadMan_s: [0.01, 0.1], maximumUpdates_Hz: 20_000, smoothing: [0, 1, 2, 3, 4, 5] },
        ...{ setsSlew: true, silence: true, closedLoop: true, ceilingStep_Nm: 0 },
      },
      digitizer: {
        rates_Hz: [20_000],
        channels: [
          { name: 'command', unit: 'N·m' },
          { name: 'current', unit: 'A' },
          { name: 'torque', unit: 'N·m' },
          { name: 'supply', unit: 'V' },
          { name: 'winding', unit: '°C' },
        ],
        fixtures: ['coupled', 'uncoupled', 'shunt', 'timing'],
        ...{ indexing: 'bench', trigger: true, marksStop: true },
      },
    },
  });
});

test.each([[{ protocol: [2] }], [{ protocol: 1 }], [{}]])(
  'hello with %j is refused with link/version',
  async (members) => {
    const { runner } = served();
    const reply = await runner.ask('hello', members);
    expect(reply).toMatchObject({ ok: false, code: 'link/version' });
  },
);

test('before hello nothing is done and nothing is told', async () => {
  const { runner, stand, clock } = served();
  expect(await runner.ask('energize')).toMatchObject({ ok: false, code: 'link/refused' });
  await clock.advance(100);
  expect([stand.acts, runner.events]).toEqual([[], []]);
});

test('identity, environment, lines and report are told with units in their names', async () => {
  const { runner } = await greeted();
  expect(await runner.ask('identify')).toMatchObject({ model: 'H12', serial: 'H12-26-04711' });
  expect(await runner.ask('environment')).toMatchObject({
    ...{ ambient_C: 23, humidity: 0.4, supply_V: 48, poweredFor_s: 3600 },
  });
  const safe = { guard: 'closed', emergencyStop: 'released', presence: 'held', age_s: 0.002 };
  expect(await runner.ask('interlocks')).toMatchObject(safe);
  expect(await runner.ask('status')).toMatchObject({
    ...{ updates: 0, missing: 0, linkLost: 0, gap_s: 0.001, jitter_s: 1e-5, duty: 0.25 },
    ...{ time_s: 0, fault: 0, torqueEnabled: false },
  });
});

test('power is refused before limits were set in this conversation, also where others set some', async () => {
  const { runner, stand } = await greeted();
  stand.limit(12, 0.1);
  expect(await runner.ask('energize')).toMatchObject({ ok: false, code: 'link/refused' });
  await runner.ask('limit', { ceiling_Nm: 0, deadMan_s: 0.1 }); // refused
  expect(await runner.ask('energize')).toMatchObject({ ok: false, code: 'link/refused' });
  expect(stand.isEnergized).toBe(false);
});

test('limits are read back as they are clipped, and refused with power on', async () => {
  const { runner } = await greeted();
  const reply = await runner.ask('limit', { ceiling_Nm: 20, deadMan_s: 0.5 });
  expect(reply).toMatchObject({ ok: true, ceiling_Nm: 13.2, deadMan_s: 0.1 });
  await runner.ask('energize');
  expect(await runner.ask('limit', { ceiling_Nm: 1, deadMan_s: 0.1 })).toMatchObject({ ok: false });
});

test.each([
  ['limit', { ceiling_Nm: null, deadMan_s: 0.1 }],
  ['limit', { ceiling_Nm: -1, deadMan_s: 0.1 }],
  ['limit', { ceiling_Nm: 0, deadMan_s: 0.1 }],
  ['limit', { ceiling_Nm: 1, deadMan_s: 0 }],
  ['arm', { samples: 1.5, rate_Hz: 20_000, on: 'now' }],
  ['arm', { samples: 100, rate_Hz: 10_000, on: 'now' }],
  ['arm', { samples: 100, rate_Hz: 20_000, on: 'later' }],
  ['arrange', { fixture: 'loose' }],
  ['arrange', { fixture: 'coupled', angle_rad: 7 }],
  ['load', { ...ORDER, parts: 0 }],
  ['explode', {}],
])('%s %j is refused, and the link goes on', async (act, members) => {
  const { runner } = await greeted();
  expect(await runner.ask(act, members)).toMatchObject({ ok: false });
  expect(await runner.ask('status')).toMatchObject({ ok: true });
});

test('a waveform comes over in parts, bit by bit, with all that belongs to it', async () => {
  const { runner, stand } = await powered();
  const id = runner.post('load', {
    ...{ rate_Hz: 500, updates: 3, smoothing: 2, slew_Nm_per_s: 50, parts: 3 },
    wheel: { inertia_kgm2: 0.01, drag_Nms_per_rad: 0.1, damping_Nms_per_rad: 0.2, limit_Nm: 1.5 },
  });
  runner.part(0, [0.1, -0.7]);
  runner.part(1, [0.3]);
  runner.part(2, [0, 5, 5], 'stiffness');
  expect(await runner.reply(id)).toMatchObject({ ok: true, updates: 3, peak_Nm: 0.7 });
  expect(stand.waveform).toEqual({
    ...{ rate: 500, command: Float64Array.of(0.1, -0.7, 0.3) },
    wheel: {
      ...{ inertia: 0.01, drag: 0.1, damping: 0.2, limit: 1.5 },
      stiffness: Float64Array.of(0, 5, 5),
    },
  });
  expect(stand.settings).toEqual({ fixture: 'coupled', smoothing: 2, slew: 50 });
});

test.each<[string, object, (runner: WireRunner) => void]>([
  [
    'too few values',
    {},
    (runner) => {
      runner.part(0, [1, 2, 3]);
    },
  ],
  [
    'too many values',
    {},
    (runner) => {
      runner.part(0, [1, 2, 3, 4, 5]);
    },
  ],
  [
    'another part',
    {},
    (runner) => {
      runner.part(1, [1, 2, 3, 4]);
    },
  ],
  [
    'a stiffness without a wheel',
    {},
    (runner) => {
      runner.part(0, [1, 2, 3, 4], 'stiffness');
    },
  ],
  [
    'a smoothing that is not there',
    { smoothing: 9 },
    (runner) => {
      runner.part(0, [1, 2, 3, 4]);
    },
  ],
])(
  'a load with %s is refused once its parts have come, and the next one is taken',
  async (_, members, send) => {
    const { runner } = await powered();
    const id = runner.post('load', { ...ORDER, ...members });
    send(runner);
    expect(await runner.reply(id)).toMatchObject({ ok: false, code: 'link/refused' });
    const again = runner.post('load', ORDER);
    runner.part(0, [1, 2, 1, 0]);
    expect(await runner.reply(again)).toMatchObject({ ok: true, peak_Nm: 2 });
  },
);

test('a waveform with power off is refused', async () => {
  const { runner, stand } = await greeted();
  const id = runner.post('load', ORDER);
  runner.part(0, [1, 2, 1, 0]);
  expect(await runner.reply(id)).toMatchObject({ ok: false, code: 'link/refused' });
  expect(stand.waveform).toBeUndefined();
});

test('a stop while a load is on its way gives it up, and the next one is taken', async () => {
  const { runner } = await powered();
  const id = runner.post('load', { ...ORDER, parts: 2 });
  runner.part(0, [1, 1]);
  expect(await runner.ask('makeSafe', { how: 'off' })).toMatchObject({ ok: true });
  expect(await runner.reply(id)).toMatchObject({ ok: false });
  await runner.ask('energize');
  const again = runner.post('load', ORDER);
  runner.part(0, [1, 2, 1, 0]);
  expect(await runner.reply(again)).toMatchObject({ ok: true, peak_Nm: 2 });
});

test('a second request while one is done is refused, a stop and a question are not', async () => {
  const { runner, stand } = await powered();
  const load = runner.post('load', ORDER);
  expect(await runner.ask('identify')).toMatchObject({ ok: false, code: 'link/refused' });
  expect(await runner.ask('status')).toMatchObject({ ok: true }); // a question disturbs nothing
  expect(runner.replies.has(load)).toBe(false);
  expect(await runner.ask('makeSafe', { how: 'ramp' })).toMatchObject({ ok: true });
  expect(stand.isEnergized).toBe(false);
});

test('the samples of a take come whole, in order, with the report, then its end', async () => {
  const { runner, stand } = await playing();
  for (let ms = 0; ms < 100; ms += 20) {
    runner.say({ do: 'feed', seq: ms / 20 });
    stand.advance(20);
    await turn();
  }
  await turn();
  expect(runner.blocks.map(({ take, block, start }) => [take, block, start])).toEqual([
    [1, 0, 0],
    [1, 1, 400],
    [1, 2, 800],
    [1, 3, 1200],
    [1, 4, 1600],
  ]);
  expect(runner.channel(3)).toEqual(Array.from({ length: 2000 }, (_, i) => i));
  expect(runner.channel(2)).toEqual(new Array<number>(2000).fill(1));
  expect(runner.blocks[0]?.report).toMatchObject({ torqueEnabled: true, fault: 0, duty: 0.25 });
  expect(runner.event('end')).toEqual({ event: 'end', take: 1, samples: 2000 });
});

test('no sample comes before the reply to arm', async () => {
  const { runner, stand } = await greeted();
  const id = runner.post('arm', { samples: 400, rate_Hz: 20_000, on: 'now' });
  stand.advance(20);
  await runner.reply(id);
  await turn();
  const from = runner.order.indexOf(`re ${id}`);
  expect(runner.order.slice(from).filter((what) => what !== 'lines')).toEqual([
    ...[`re ${id}`, 'samples', 'end'],
  ]);
});

test('a take that is ended tells its end with what was told of it', async () => {
  const { runner, stand } = await greeted();
  await runner.ask('arm', { samples: 4000, rate_Hz: 20_000, on: 'now' });
  stand.advance(45);
  await turn();
  await runner.ask('end');
  await turn();
  expect(runner.event('end')).toEqual({
    event: 'end',
    take: 1,
    samples: 400 * runner.blocks.length,
  });
});

test('a guard that opens is told with the off and marks its sample', async () => {
  const { runner, stand } = await playing();
  stand.advance(10);
  stand.move({ guard: 'open' });
  await turn();
  await turn();
  const { order } = runner;
  expect(runner.event('fault')).toMatchObject({ fault: FAULT_CODES.safeTorqueOff });
  expect(runner.event('off')).toMatchObject({ at_ns: 42 });
  expect(runner.events.filter(({ guard }) => guard === 'open')).not.toEqual([]);
  expect(runner.blocks.at(-1)).toMatchObject({ start: 0, opened: 200 });
  expect(order.indexOf('fault')).toBeLessThan(order.indexOf('end'));
});

test('the lines are told every 20 ms, also when nothing changes', async () => {
  const { runner, clock } = await greeted();
  const before = runner.events.length;
  await clock.advance(200);
  expect(runner.events.slice(before)).toHaveLength(10);
  expect(runner.events.at(-1)).toEqual({
    ...{ event: 'lines', guard: 'closed', emergencyStop: 'released', presence: 'held' },
  });
});

test('without a feed the torque goes after the dead-man, and fault and off are told', async () => {
  const { runner, stand } = await playing();
  stand.advance(49);
  expect(stand.isEnergized).toBe(true);
  stand.advance(2);
  expect(stand.isEnergized).toBe(false);
  await turn();
  expect(runner.event('fault')).toMatchObject({ fault: FAULT_CODES.deadMan });
  expect(runner.event('off')).toMatchObject({ reason: 'the dead-man was not fed' });
  expect(runner.isClosed).toBe(false);
});

test.each([[1], [-1], [0.5], ['0'], [undefined]])(
  'a first feed with number %j takes the torque away before it is told',
  async (seq) => {
    const { runner, stand } = await playing();
    runner.say({ do: 'feed', seq });
    expect(stand.isEnergized).toBe(false);
    await turn();
    expect(String(runner.event('log')?.['what'])).toContain('feed 0 was due');
    expect(runner.order.indexOf('off')).toBeLessThan(runner.order.indexOf('log'));
  },
);

test('feeds count anew from each start', async () => {
  const { runner, stand } = await playing();
  for (const seq of [0, 1, 2]) runner.say({ do: 'feed', seq });
  await runner.ask('finish');
  await runner.ask('start');
  runner.say({ do: 'feed', seq: 0 });
  expect(stand.isEnergized).toBe(true);
  runner.say({ do: 'feed', seq: 0 });
  expect(stand.isEnergized).toBe(false);
});

test('the end of the port takes the torque away at once', async () => {
  const { runner, stand } = await playing();
  runner.hangUp();
  expect(stand.isEnergized).toBe(false);
  expect(stand.acts).toContain('off: end of file on test port: the other end hung up');
  expect(runner.event('off')).toMatchObject({
    reason: 'end of file on test port: the other end hung up',
  });
});

test('bye takes the torque away, is answered, and the port closes', async () => {
  const { runner, stand } = await playing();
  expect(await runner.ask('bye')).toMatchObject({ ok: true });
  expect(stand.acts).toContain('off: bye');
  expect([stand.isEnergized, runner.isClosed]).toEqual([false, true]);
});

test.each<[string, (runner: WireRunner) => void]>([
  [
    'a wrong first byte',
    (runner) => {
      runner.raw(Uint8Array.of(0));
    },
  ],
  [
    'a frame left out',
    (runner) => {
      runner.encoder.next('control', Buffer.from('{}'));
      runner.say({});
    },
  ],
  [
    'control that is no JSON',
    (runner) => {
      runner.raw(runner.encoder.next('control', Buffer.from('{')));
    },
  ],
  [
    'control that is no UTF-8',
    (runner) => {
      runner.raw(runner.encoder.next('control', Buffer.of(0x22, 0xff, 0x22)));
    },
  ],
  [
    'a list',
    (runner) => {
      runner.raw(runner.encoder.next('control', Buffer.from('[]')));
    },
  ],
  [
    'a request without id',
    (runner) => {
      runner.say({ do: 'status' });
    },
  ],
  [
    'a waveform without load',
    (runner) => {
      runner.part(0, [1]);
    },
  ],
  [
    'samples',
    (runner) => {
      runner.raw(runner.encoder.next('samples', Buffer.alloc(200)));
    },
  ],
])('%s takes the torque away first, then is told, and the port closes', async (_, send) => {
  const { runner, stand } = await playing();
  send(runner);
  expect(stand.isEnergized).toBe(false);
  await turn();
  await turn();
  expect(runner.event('log')).toBeDefined();
  expect(runner.isClosed).toBe(true);
});

test('a runner that takes nothing is hung up on, and the torque goes', async () => {
  const { runner, stand } = await playing();
  runner.taken = Promise.reject(problem('link/stalled', 'It took no bytes.', 'Read.'));
  runner.taken.catch(() => undefined);
  stand.advance(20);
  await turn();
  await turn();
  expect([stand.isEnergized, runner.isClosed]).toEqual([false, true]);
});

test('a runner that asks and never reads leaves no more than 256 frames behind', async () => {
  const { runner } = await greeted();
  runner.taken = new Promise(() => undefined);
  for (let i = 0; i < 300 && !runner.isClosed; i++) {
    runner.post('status');
    await turn();
  }
  expect(runner.isClosed).toBe(true);
});

test('a link that only digitizes neither drives nor takes torque away when it ends', async () => {
  const { runner, stand } = await greeted(['digitizer']);
  stand.energize();
  expect(await runner.ask('energize')).toMatchObject({ ok: false, code: 'link/ability' });
  expect(await runner.ask('makeSafe', { how: 'off' })).toMatchObject({ ok: false });
  runner.hangUp();
  expect(stand.isEnergized).toBe(true);
});

test('whatever bytes come, torque is gone when the link is, and nothing is thrown', async () => {
  const acts = [
    'hello',
    'energize',
    'load',
    'arm',
    'start',
    'end',
    'makeSafe',
    'bye',
    'feed',
    'arrange',
  ];
  const members = fc.dictionary(
    fc.constantFrom(
      'parts',
      'updates',
      'samples',
      'on',
      'how',
      'seq',
      'protocol',
      'rate_Hz',
      'fixture',
    ),
    fc.jsonValue(),
  );
  const step = fc.oneof(
    fc
      .record({ do: fc.constantFrom(...acts), id: fc.nat(9) })
      .chain((head) => members.map((more) => ({ ...more, ...head }))),
    fc.uint8Array({ maxLength: 40 }),
    fc.constant('part' as const),
  );
  await fc.assert(
    fc.asyncProperty(fc.array(step, { maxLength: 12 }), async (steps) => {
      const { runner, stand } = await powered();
      for (const one of steps) {
        if (one instanceof Uint8Array) runner.raw(one);
        else if (one === 'part') runner.part(0, [1]);
        else runner.say(one);
        await turn();
      }
      if (!runner.isClosed) runner.hangUp();
      expect(stand.isEnergized).toBe(false);
    }),
    { numRuns: 200 },
  );
});
