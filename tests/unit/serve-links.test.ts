import { spawn } from 'node:child_process';
import { once } from 'node:events';
import { connect, type Socket } from 'node:net';
import { join } from 'node:path';
import { setImmediate as turn } from 'node:timers/promises';
import { afterEach, expect, test } from 'vitest';
import { systemClock } from '../../src/base/clock.js';
import { FAULT_CODES } from '../../src/bench/drive.js';
import { type Emulation, serveLinks } from '../../src/emulator/serve-links.js';
import type { ServeOptions } from '../../src/emulator/served-link.js';
import { openPort } from '../../src/link/open-port.js';
import { FrameEncoder } from '../../src/link/wire-frame.js';
import { FakeStand } from '../support/fake-stand.js';
import { temporaryFolder } from '../support/folder.js';
import { linkedStation, linkedText } from '../support/linked-station.js';

/** A bench with a link for each role. */
const THREE = linkedStation(
  linkedText(`kind: emulated
links:
  motor: { protocol: wire, tcp: "127.0.0.1:5001" }
  samples: { protocol: wire, tcp: "127.0.0.1:5002" }
  guard:
    protocol: modbus
    tcp: 127.0.0.1:5003
    unit: 1
    heartbeat: 0
    lines: { guard: [0, 1], emergency-stop: [2, 3], presence: [4, 5] }
roles: { drive: motor, digitizer: samples, interlock: guard }
timing: { method: command, U: 0.02 ms }
safe-touch: 0.5 N·m
`),
);
const FREE = new Map(['motor', 'samples', 'guard'].map((name) => [name, '127.0.0.1:0']));

interface Serving {
  readonly stand: FakeStand;
  readonly notes: string[];
  readonly emulation: Emulation;
  readonly call: (link: string) => Promise<Socket>;
}

const ends: (() => Promise<void>)[] = [];
afterEach(async () => {
  for (const end of ends.splice(0).reverse()) await end();
});

async function serving(changes: Partial<ServeOptions> = {}): Promise<Serving> {
  const stand = new FakeStand();
  const notes: string[] = [];
  const emulation = await serveLinks(
    {
      stand,
      move: (lines) => {
        stand.move(lines);
      },
      swap: (serial) => {
        stand.serial = serial;
      },
      uncommanded: () => undefined,
      shaftTorque: () => 0.25,
      isHung: () => stand.fault === FAULT_CODES.internal,
      note: (what, members) => notes.push(`${what} ${String(members['link'])}`),
    },
    {
      ...{ links: THREE.links, fixtures: ['coupled'], at: FREE, nasty: new Map(), seed: 1 },
      ...{ clock: systemClock, ...changes },
    },
  );
  ends.push(() => emulation.close('test over'));
  const call = async (link: string): Promise<Socket> => {
    const socket = connect(Number(emulation.links[link]?.split(':').at(-1)), '127.0.0.1');
    socket.on('error', () => undefined); // reset is an end too
    ends.push(() => Promise.resolve(void socket.destroy()));
    await once(socket, 'connect');
    return socket;
  };
  return { stand, notes, emulation, call };
}

/** Lets the system go on until something holds. */
async function until(holds: () => boolean): Promise<void> {
  for (let i = 0; i < 1e6 && !holds(); i++) await turn();
  expect(holds()).toBe(true);
}

const hello = (): Uint8Array =>
  new FrameEncoder().next('control', Buffer.from('{"id":1,"do":"hello","protocol":[1]}'));

/** Asks the safety controller for its first inputs, Modbus function 2. */
const INPUTS = Buffer.from('000100000006010200000002', 'hex');

test('every link is served where it was told to be, and says who it is', async () => {
  const { emulation, notes, call } = await serving();
  expect(Object.keys(emulation.links)).toEqual(['motor', 'samples', 'guard']);
  for (const [link, role] of [
    ['motor', 'drive'],
    ['samples', 'digitizer'],
  ] as const) {
    const socket = await call(link);
    socket.write(hello());
    const [chunk] = (await once(socket, 'data')) as [Buffer];
    expect(chunk.toString()).toContain(`"name":"${link}"`);
    expect(chunk.toString()).toContain(`"roles":["${role}"]`);
  }
  const guard = await call('guard');
  guard.write(INPUTS);
  const [reply] = (await once(guard, 'data')) as [Buffer];
  expect(reply.toString('hex')).toBe('00010000000401020101');
  expect(notes.slice(0, 3)).toEqual(['listening motor', 'listening samples', 'listening guard']);
});

test('when the link that drives hangs up the torque goes, and it can be called again', async () => {
  const { stand, notes, call } = await serving();
  const first = await call('motor');
  await until(() => notes.includes('connected motor'));
  stand.energize();
  first.destroy();
  await until(() => !stand.isEnergized);
  expect(stand.acts.some((act) => act.startsWith('off: end of file on tcp 127.0.0.1'))).toBe(true);
  const second = await call('motor');
  second.write(hello());
  expect(await once(second, 'data')).toHaveLength(1);
});

test('a device that hangs answers nobody, and still loses its power when its link hangs up', async () => {
  const { stand, notes, call } = await serving();
  const socket = await call('motor');
  await until(() => notes.includes('connected motor'));
  stand.energize();
  stand.fault = FAULT_CODES.internal;
  let heard = 0;
  socket.on('data', (chunk: Buffer) => (heard += chunk.length));
  socket.end(hello());
  await until(() => notes.includes('closed motor'));
  expect([heard, stand.isEnergized]).toEqual([0, false]);
});

test('when a link that does not drive hangs up the torque stays', async () => {
  const { stand, notes, call } = await serving();
  const socket = await call('samples');
  await until(() => notes.includes('connected samples'));
  stand.energize();
  socket.destroy();
  await until(() => notes.includes('closed samples'));
  expect(stand.isEnergized).toBe(true);
});

test('the end of it all takes the torque away and hangs up', async () => {
  const { stand, emulation, call } = await serving();
  const socket = await call('motor');
  stand.energize();
  await emulation.close('interrupted');
  expect(stand.acts).toContain('off: interrupted');
  if (!socket.closed) await once(socket, 'close');
  expect(socket.destroyed).toBe(true);
});

test('links misbehave as planned, and otherwise as ordered while they run', async () => {
  const control = join(temporaryFolder(), 'control');
  const { call } = await serving({ control, nasty: new Map([['motor', { halfOpen: true }]]) });
  const motor = await call('motor');
  motor.write(hello());
  const orders = connect(control);
  ends.push(() => Promise.resolve(void orders.destroy()));
  orders.write('{"nasty":{"motor":null,"guard":"close"}}\n');
  expect(String((await once(orders, 'data'))[0])).toBe('{"ok":true}\n');
  motor.write(hello().fill(1, 4, 5)); // out of order, so it is hung up on after a frame
  const [chunk] = (await once(motor, 'data')) as [Buffer];
  expect(chunk.toString()).toContain('"event":"');
  const guard = await call('guard');
  if (!guard.closed) await once(guard, 'close');
  orders.write('{"report":true}\n');
  const report = '{"ok":true,"energized":false,"shaftTorque":0.25,"fault":0}\n';
  expect(String((await once(orders, 'data'))[0])).toBe(report);
});

test.each<[string, Partial<ServeOptions>]>([
  ['a link that there is not', { at: new Map([...FREE, ['camera', '127.0.0.1:0']]) }],
  ['a place that is none', { at: new Map([...FREE, ['motor', 'somewhere']]) }],
  ['a port too high', { at: new Map([...FREE, ['motor', '127.0.0.1:65536']]) }],
  ['a safety controller on a serial device', { at: new Map([...FREE, ['guard', '/dev/null']]) }],
  ['a nasty link that there is not', { nasty: new Map([['camera', {}]]) }],
  ['standard input for a link that there is not', { stdio: 'camera' }],
])('%s is refused', async (_, changes) => {
  await expect(serving(changes)).rejects.toThrow('usage/argument');
});

test('when one address is taken nothing is served', async () => {
  const { emulation } = await serving();
  const taken = emulation.links['motor'] ?? '';
  const at = new Map([...FREE, ['guard', taken]]);
  await expect(serving({ at })).rejects.toThrow('link/unreachable');
});

test('a link is served on a serial device too', async () => {
  const folder = temporaryFolder();
  const [here, there] = [join(folder, 'here'), join(folder, 'there')];
  const pair = [here, there].map((path) => `pty,raw,echo=0,link=${path}`);
  const socat = spawn('socat', ['-d', '-d', ...pair]);
  ends.push(async () => {
    socat.kill();
    if (socat.exitCode === null && socat.signalCode === null) await once(socat, 'exit');
  });
  let log = '';
  for await (const chunk of socat.stderr as AsyncIterable<Buffer>) {
    log += chunk.toString();
    if (log.includes('starting data transfer loop')) break;
  }
  const at = new Map([...FREE, ['motor', here]]);
  const { emulation, stand } = await serving({ at });
  expect(emulation.links['motor']).toBe(here);
  const port = await openPort({ kind: 'serial', path: there, baud: 115_200 });
  ends.push(() => port.close());
  const heard = new Promise<string>((resolve) => {
    port.listen({
      bytes: (chunk) => {
        resolve(Buffer.from(chunk).toString());
      },
      closed: () => undefined,
    });
  });
  await port.write(hello());
  expect(await heard).toContain('{"re":1,"ok":true');
  stand.energize();
  await emulation.close('test over');
  expect(stand.isEnergized).toBe(false);
});
