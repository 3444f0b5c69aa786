import { once } from 'node:events';
import { mkdirSync, readdirSync, readFileSync, writeFileSync } from 'node:fs';
import { createServer, type AddressInfo, type Socket } from 'node:net';
import { join } from 'node:path';
import { setTimeout as later } from 'node:timers/promises';
import { describe, expect, onTestFinished, test } from 'vitest';
import { systemClock } from '../../src/base/clock.js';
import { CODES, type ErrorCode } from '../../src/base/codes.js';
import type { Problem } from '../../src/base/error.js';
import { emulate } from '../../src/emulator/emulate.js';
import { openLedger } from '../../src/ledger/sqlite.js';
import { openTcpPort } from '../../src/link/tcp-port.js';
import { openRig } from '../../src/rig/open-rig.js';
import { ledgerFile } from '../../src/run/places.js';
import { emulated, type Emulated, type MakeUp } from '../support/emulated.js';
import { temporaryFolder } from '../support/folder.js';
import { linkedStation } from '../support/linked-station.js';
import { stallmark, start, type Ended, type Running } from '../support/program.js';
import { renamingProxy, type RenamingProxy } from '../support/renaming-proxy.js';
import { documentOptions, SHORT_STAGES, shortDocuments } from '../support/short-documents.js';
import {
  asOfKind,
  problemsOf,
  SMALL_ITEM,
  smallBench,
  walkRig,
  type Walk,
} from '../support/walk-rig.js';

const SERIAL = 'H12-26-04711';
/** Stages that end in a verdict, 4 s of them with power on: a patient emulator passes them in half a second. */
const SHORT = ['zero', 'idle', 'close'];
const BOTH = ['--acknowledge', 'crushing', '--acknowledge', 'sudden-torque'];

/** An emulator that ends with the test. */
async function farSide(makeUp: MakeUp): Promise<Emulated> {
  const far = await emulated(makeUp);
  onTestFinished(() => far.end());
  return far;
}

/** Records, keys and approved documents for a bench of links. */
interface Place {
  readonly data: string;
  readonly options: readonly string[];
  /** Puts another description of the bench in its place. */
  readonly describe: (text: string) => void;
}

function place(text: string, stages: readonly string[]): Place {
  const folder = temporaryFolder();
  const data = join(folder, 'records');
  const documents = shortDocuments(folder, stages);
  for (const dialect of ['generator.yaml', 'digitizer.yaml']) {
    writeFileSync(
      join(folder, 'benches', dialect),
      readFileSync(`procedures/links/${dialect}`, 'utf8'),
    );
  }
  const options = [
    ...documentOptions(documents),
    ...['--operator', 'op 17', '--data', data, '--keys', join(folder, 'keys')],
  ];
  const describeBench = (bench: string): void => {
    writeFileSync(documents.bench, bench);
  };
  describeBench(text);
  return { data, options, describe: describeBench };
}

const run = ({ options }: Place, serial = SERIAL): Promise<Ended> =>
  stallmark(['run', serial, ...options, ...BOTH]);

/** Kinds of the entries of an item, and why its attempts were aborted. */
function entered({ data }: Place, serial = SERIAL) {
  const ledger = openLedger(ledgerFile(data));
  try {
    const entries = ledger.of(serial);
    return {
      kinds: entries.map(({ kind }) => kind),
      reasons: entries.flatMap(({ kind, body }) =>
        kind === 'attempt-aborted' ? [JSON.stringify(body['reason'])] : [],
      ),
    };
  } finally {
    ledger.close();
  }
}

const filesOf = ({ data }: Place): readonly string[] =>
  readdirSync(data, { recursive: true, encoding: 'utf8' });

async function expectVerified({ data, options }: Place, records: number): Promise<void> {
  const keys = options.slice(options.indexOf('--keys'));
  const { status, out, err } = await stallmark(['verify', data, ...keys]);
  expect(status, `${out}${err}`).toBe(0);
  expect(out).toContain(`${records} of ${records} records hold.`);
}

/** The journal ends without power, and torque was gone after it was on so many times. */
function expectOff(far: Emulated, times: number): void {
  const power = powerOf(far);
  expect(power.filter((what) => what === 'energized')).toHaveLength(times);
  const torque = power.slice(power.lastIndexOf('energized') + 1);
  expect(torque[0]).toBe('off');
  expect(torque).toContain('zero');
  expect(torque).toContain('shaft-zero');
}

function powerOf(far: Emulated): readonly string[] {
  const told = new Set<unknown>(['energized', 'off', 'zero', 'shaft-zero']);
  return far.journal().flatMap(({ what }) => (told.has(what) ? [String(what)] : []));
}

/** Waits until an emulator that heard nothing from the test has written something down. */
async function journalSays(far: Emulated, what: string): Promise<void> {
  for (let tries = 0; tries < 1000; tries += 1) {
    if (powerOf(far).at(-1) === what) return;
    await later(5); // a process of its own writes it
  }
  throw new Error(`the journal does not end with ${what}: ${powerOf(far).join(', ')}`);
}

async function interrupted(
  far: Emulated,
  stages: readonly string[],
  disturb: (running: Running) => Promise<void> | void,
): Promise<{ readonly there: Place; readonly ended: Ended }> {
  const there = place(far.text, stages);
  const running = start(['run', SERIAL, ...there.options, ...BOTH]);
  await running.says('ENERGIZED —');
  await disturb(running);
  return { there, ended: await running.ended };
}

/** The attempt counts: the next one is the second, and ends in a record. */
async function expectSecond(there: Place): Promise<Ended> {
  const next = await run(there);
  expect(next.status, next.err).toBe(0);
  expect(next.err).toContain('attempt 2 of 2');
  expect(next.out).toMatch(/ACCEPT {3}H12-26-04711 {3}attempt 2/u);
  const twice = ['attempt-begun', 'attempt-aborted', 'attempt-begun', 'record-issued'];
  expect(entered(there).kinds.filter((kind) => twice.includes(kind))).toEqual(twice);
  return next;
}

/** One attempt counts, was aborted for this reason, and left no half record. */
function expectAborted(there: Place, reason: string): void {
  const { kinds, reasons } = entered(there);
  expect(kinds.filter((kind) => /^attempt|^record/u.test(kind))).toEqual([
    'attempt-begun',
    'attempt-aborted',
  ]);
  expect(reasons[0]).toContain(reason);
  const files = filesOf(there);
  expect(files.filter((file) => file.includes('certificate'))).toEqual([]);
  expect(files.filter((file) => /^\d{4}\/.*\/(?:\d\d|\.attempt)/u.test(file))).toEqual([]);
}

/** The emulators that the program with this process number started. */
function startedBy(pid: number): readonly number[] {
  const tasks = readdirSync(`/proc/${pid}/task`);
  return tasks.flatMap((task) =>
    readFileSync(`/proc/${pid}/task/${task}/children`, 'utf8')
      .split(' ')
      .filter((word) => word !== '')
      .map(Number),
  );
}

/**
 * Safety lines by Modbus and replies of instruments have deadlines of the clock, 80 and 240 ms. Where
 * this computer is starved they pass and the run is refused, as it should be: such a run proves nothing.
 */
const AT_LOAD = { retry: 2 };

describe.each(['wire-child', 'scpi-tcp'] as const)(
  'the built program over %s',
  AT_LOAD,
  (makeUp) => {
    test('runner killed with power on: torque off, the next start tells so and ends with ACCEPT', async () => {
      const far = await farSide(makeUp);
      const { there, ended } = await interrupted(far, SHORT_STAGES, ({ child }) => {
        child.kill('SIGKILL');
      });
      expect(ended.signal).toBe('SIGKILL');
      await journalSays(far, 'shaft-zero');
      expectOff(far, 1);
      expect(filesOf(there).filter((file) => file.includes('certificate'))).toEqual([]);
      const next = await expectSecond(there);
      expect(next.err).toMatch(/Attempt 1 of H12-26-04711, begun .*Z, was interrupted\./u);
      await expectVerified(there, 1);
      expectOff(far, 2);
    });

    test('link cut with power on: status 69, torque off, no record, and the ledger says why', async () => {
      const far = await farSide(makeUp);
      const { there, ended } = await interrupted(far, SHORT, () => far.cut());
      expect(ended.status, ended.err).toBe(69);
      expect(ended.err).toContain('bench/unreachable');
      expect(ended.err).toContain('link/closed');
      await journalSays(far, 'shaft-zero');
      expectOff(far, 1);
      expectAborted(there, 'bench/unreachable: Bench');
      await expectVerified(there, 0);
    });
  },
);

test('emulator killed that the run had started: status 69, no record, and attempt 2 starts another', async () => {
  const far = await farSide('wire-child');
  const { there, ended } = await interrupted(far, SHORT, ({ child: { pid = 0 } }) => {
    const [emulator, ...more] = startedBy(pid);
    expect(more).toEqual([]);
    process.kill(emulator ?? 0, 'SIGKILL');
  });
  expect(ended.status, ended.err).toBe(69);
  expect(ended.err).toContain('it was ended by SIGKILL');
  expectAborted(there, 'it was ended by SIGKILL');
  await expectSecond(there);
  await expectVerified(there, 1);
  // The first plant died with its power on; its journal says no more.
  expect(powerOf(far)).toEqual(['energized', 'energized', 'off', 'zero', 'shaft-zero']);
});

test(
  'emulator ended under a run: torque off, and a start without it is refused and not counted',
  AT_LOAD,
  async () => {
    const far = await farSide('scpi-tcp');
    const { there, ended } = await interrupted(far, SHORT, () => {
      far.child?.kill('SIGTERM');
    });
    expect(ended.status, ended.err).toBe(69);
    expect(ended.err).toContain('bench/unreachable');
    await journalSays(far, 'shaft-zero');
    expectOff(far, 1);
    const refused = await run(there);
    expect(refused.status, refused.err).toBe(69);
    expect(refused.err).toMatch(/link\/unreachable.*refused the call: nobody listens there\./su);
    expectAborted(there, 'bench/unreachable: Bench');
    await expectVerified(there, 0);
  },
);

/** What came of a bad input. */
interface Met {
  readonly problems: readonly Problem[];
  /** What the device was told of torque, or did to it: `on`, then `off`. */
  readonly power: readonly ('on' | 'off')[];
}

interface BadInput {
  readonly name: string;
  readonly meet: () => Promise<Met>;
  /** Codes in order. */
  readonly codes: readonly ErrorCode[];
  /** What may be told in the place of the last code. */
  readonly orLast?: ErrorCode;
  /** What one of the sentences says: found against right. */
  readonly says: RegExp;
  /** Whether the device had been energized by then; it is off afterwards in either case. */
  readonly power: 'never on' | 'taken away';
}

/** A small adapter in a process of its own that misbehaves. */
function adapter(
  how: string,
  walk: Walk = {},
  kind: 'emulated' | 'real' = 'emulated',
): () => Promise<Met> {
  return async () => {
    const hears = how === 'lying-channel';
    const small = smallBench(temporaryFolder(), how, kind, hears);
    const problems = await problemsOf(walkRig(small.station, walk));
    const power = small.torque().map((line) => (line === 'torque on' ? 'on' : 'off'));
    return { problems, power };
  };
}

/** Something done with an emulator in a process of its own. */
function farAway(makeUp: MakeUp, act: (far: Emulated) => Promise<unknown>): () => Promise<Met> {
  return async () => {
    const far = await farSide(makeUp);
    const problems = await problemsOf(act(far));
    if (powerOf(far).includes('energized')) await journalSays(far, 'shaft-zero');
    const power = powerOf(far).flatMap((what) =>
      what === 'energized' ? (['on'] as const) : what === 'off' ? (['off'] as const) : [],
    );
    return { problems, power };
  };
}

const walkThe = (text: string, walk: Walk = {}): Promise<void> =>
  walkRig(linkedStation(text), { serial: SERIAL, ...walk });

/** A line to the generator that can be renamed, and the bench that calls over it. */
async function renamed(far: Emulated): Promise<{ line: RenamingProxy; text: string }> {
  const { place } = far.station.links.links.get('drive') ?? {};
  if (place?.kind !== 'tcp') throw new Error('the generator is not called over TCP');
  const address = `${place.host}:${String(place.port)}`;
  const line = await renamingProxy(address);
  onTestFinished(() => line.end());
  return { line, text: far.text.replace(address, line.address) };
}

async function exchanged(far: Emulated): Promise<void> {
  const { line, text } = await renamed(far);
  await walkThe(text, {
    playing: () => {
      line.rename('Torque generator,0', 'Torque generator,8');
      line.cut();
      return Promise.resolve();
    },
  });
}

async function openedTwice({ station, text }: Emulated): Promise<void> {
  const first = await openRig(station, { serial: SERIAL, attempt: 1 }, systemClock);
  try {
    await walkThe(text);
  } finally {
    expect((await first.identify()).serial).toBe(SERIAL); // the first does not suffer
    await first.close();
  }
}

async function servedTwice({ station }: Emulated): Promise<void> {
  const second = await emulate({
    ...{ station, serial: SERIAL, attempt: 1, seed: 1, faults: [], pace: 'patient' },
    ...{ clock: systemClock, at: new Map(), nasty: new Map() },
  });
  await second.close('it should not have come up');
}

const unplugged = (far: Emulated): Promise<void> =>
  walkThe(far.text, {
    opened: async (bench) => {
      expect((await bench.identify()).serial).toBe(SERIAL);
      await far.cut();
      await journalQuiet(bench);
    },
  });

/** Asks until the bench notices that its device is gone; the cable ends in a process of its own. */
async function journalQuiet(bench: { identify(): Promise<unknown> }): Promise<void> {
  for (let tries = 0; tries < 100; tries += 1) await bench.identify();
  throw new Error('the bench answers although its device is gone');
}

const asReal = (far: Emulated): Promise<void> => walkThe(asOfKind(far.text, 'real'));

async function notSimulated(far: Emulated): Promise<void> {
  const { line, text } = await renamed(far);
  line.rename('SIMULATED,Torque generator', 'WORKS,Torque generator');
  await walkThe(text);
}

const BAD: readonly BadInput[] = [
  {
    name: 'adapter of another version',
    ...{ meet: adapter('version'), codes: ['link/version'], power: 'never on' },
    says: /speaks version 2 of the protocol; version 1 is spoken here/u,
  },
  {
    name: 'adapter whose dead-man and smoothing settings cannot be',
    ...{ meet: adapter('lying'), codes: ['link/ability', 'link/ability'], power: 'never on' },
    says: /has a smoothing setting 7; there are 0 … 5/u,
  },
  {
    name: 'adapter that has no channel which the bench description needs',
    meet: async () => {
      const small = smallBench(temporaryFolder(), 'well', 'emulated', true);
      return { problems: await problemsOf(walkRig(small.station)), power: [] };
    },
    ...{ codes: ['link/ability'], power: 'never on' },
    says: /has no channel "sound"/u,
  },
  {
    name: 'adapter that says it has a channel and sends none',
    ...{ meet: adapter('lying-channel'), codes: ['link/garbled'], power: 'taken away' },
    says: /sent a block of 5 channels; it named 6/u,
  },
  {
    name: 'adapter that says 20 kHz and samples at 10 kHz',
    ...{ meet: adapter('lying-rate'), codes: ['link/clock'], power: 'taken away' },
    says: /moved by 20\.0 ms against its samples within one block; at most 5 ms are allowed/u,
  },
  {
    name: 'adapter that says it has a dead-man of 60 ms and holds 100 ms',
    ...{ meet: adapter('lying-dead-man'), codes: ['link/read-back'], power: 'never on' },
    says: /dead-man of 0\.06 s was set; the link "stand" reads back 0\.1 s/u,
  },
  {
    name: 'samples lost between two blocks',
    ...{ meet: adapter('gap'), codes: ['link/gap'], power: 'taken away' },
    says: /sent block 3; block 2 is the next/u,
  },
  {
    name: 'block sent twice',
    ...{ meet: adapter('duplicate'), codes: ['link/duplicate'], power: 'taken away' },
    says: /sent block 1 again; block 2 is the next/u,
  },
  {
    name: 'clock that jumps by 6 ms',
    ...{ meet: adapter('clock'), codes: ['link/clock'], power: 'taken away' },
    says: /moved by 6\.0 ms against its samples within one block; at most 5 ms/u,
  },
  {
    name: 'clock that goes back',
    ...{ meet: adapter('clock-back'), codes: ['link/clock'], power: 'taken away' },
    says: /went back from 0\.040000 s to 0\.010000 s/u,
  },
  {
    name: 'item that is not the one scanned',
    meet: adapter('well', { serial: SERIAL }),
    ...{ codes: ['bench/wrong-item'], power: 'never on' },
    says: /in the nest is H12-0001; the run is for H12-26-04711/u,
  },
  {
    name: 'another instrument that answers after the connection broke',
    meet: farAway('scpi-tcp', exchanged),
    ...{ codes: ['link/identity'], power: 'taken away' },
    says: /is now "SIMULATED,Torque generator,8,1\.0"; it was "SIMULATED,Torque generator,0,1\.0"/u,
  },
  {
    name: 'serial device that is open already',
    meet: farAway('scpi-serial', openedTwice),
    ...{ codes: ['link/unreachable', 'link/closed'], power: 'never on' },
    says: /near is in use by another program/u,
  },
  {
    name: 'TCP port that another emulator serves',
    meet: farAway('wire-tcp', servedTwice),
    ...{ codes: ['link/unreachable'], power: 'never on' },
    says: /The address 127\.0\.0\.1:\d+ cannot be listened at: .*EADDRINUSE/u,
  },
  {
    name: 'serial device that is unplugged while idle',
    meet: farAway('cia402-serial', unplugged),
    ...{ codes: ['bench/unreachable', 'link/closed'], power: 'never on' },
    orLast: 'link/silent', // the system tells of it when it likes, and may be later than a request
    says: /hung up|was not answered within/u,
  },
  {
    name: 'adapter that takes no bytes while a waveform is written',
    meet: adapter('stalled', { updates: 100_000 }), // more than the system holds for it
    ...{ codes: ['bench/unreachable', 'link/stalled'], power: 'taken away' },
    says: /was given up: it took no bytes for 250 ms/u,
  },
  {
    name: 'real bench over an adapter that says it is simulated',
    meet: adapter('well', {}, 'real'),
    ...{ codes: ['link/simulated'], power: 'never on' },
    says: /says that it is simulated, but bench "TW-2" is of kind "real"/u,
  },
  {
    name: 'emulated bench over an adapter that says it is no simulation',
    ...{ meet: adapter('hardware'), codes: ['link/simulated'], power: 'never on' },
    says: /says that it is no simulation, but bench "TW-2" is of kind "emulated"/u,
  },
  {
    name: 'real bench over simulated instruments',
    meet: farAway('scpi-tcp', asReal),
    ...{ codes: ['link/simulated', 'link/simulated'], power: 'never on' },
    says: /"scope" says that it is simulated, but bench "TW-2" is of kind "real"/u,
  },
  {
    name: 'real bench over a simulated servo drive',
    meet: farAway('cia402-serial', asReal),
    ...{ codes: ['link/simulated', 'link/simulated'], power: 'never on' },
    says: /"scope" says that it is simulated, but bench "TW-2" is of kind "real"/u,
  },
  {
    name: 'emulated bench with one instrument that is no simulation',
    meet: farAway('scpi-tcp', notSimulated),
    ...{ codes: ['link/simulated'], power: 'never on' },
    says: /"drive" says that it is no simulation, but bench "TW-2" is of kind "emulated"/u,
  },
];

test('device that hangs up and resets while it is written to: told once, and closing throws nothing', async () => {
  const peers: Socket[] = [];
  const server = createServer({ allowHalfOpen: true, pauseOnConnect: true }, (peer) => {
    peer.on('error', () => undefined); // it resets itself
    peers.push(peer);
  }).listen(0, '127.0.0.1');
  await once(server, 'listening');
  const port = await openTcpPort('127.0.0.1', (server.address() as AddressInfo).port);
  const reasons: string[] = [];
  const written = problemsOf(port.write(new Uint8Array(7e6))); // more than the system takes
  port.listen({
    bytes: () => undefined,
    closed: (reason) => {
      reasons.push(reason);
      peers[0]?.resetAndDestroy(); // while the rest is on its way
    },
  });
  while (peers.length === 0) await once(server, 'connection');
  peers[0]?.end();
  expect((await written).map(({ code }) => code)).toEqual(['link/closed']);
  await port.close();
  expect(reasons).toEqual(['the other end hung up']);
  server.close();
});

describe('what is bad ends with a code, a sentence, an order, and no torque', () => {
  for (const { name, meet, codes, orLast, says, power } of BAD) {
    test(`${name}: ${codes.at(-1) ?? ''}, torque ${power}`, async () => {
      const met = await meet();
      const last = met.problems.at(-1)?.code;
      const right = last === orLast && last !== undefined ? [...codes.slice(0, -1), last] : codes;
      expect(met.problems.map(({ code }) => code)).toEqual(right);
      for (const { code, what, fix } of met.problems) {
        expect(Object.keys(CODES)).toContain(code);
        expect(what).toMatch(/^[A-Z/].+\.$/su);
        expect(fix).toMatch(/^[A-Z].+\.$/su);
      }
      expect(met.problems.map(({ what }) => what).join(' ')).toMatch(says);
      expect(met.power[0]).toBe(power === 'never on' ? undefined : 'on');
      expect(met.power.at(-1)).toBe(power === 'never on' ? undefined : 'off');
    });
  }

  test('without a fault nothing is refused, and torque goes on and off once', async () => {
    const small = await adapter('well')();
    expect(small).toEqual({ problems: [], power: ['on', 'off'] });
    const far = await farAway('scpi-tcp', async (one) => walkThe((await renamed(one)).text))();
    expect(far).toEqual({ problems: [], power: ['on', 'off'] });
  });

  test('the built program refuses a bench of the wrong kind before any attempt counts', async () => {
    const folder = temporaryFolder();
    mkdirSync(join(folder, 'torque-of'));
    const small = smallBench(join(folder, 'torque-of'), 'hardware');
    const there = place(small.text, SHORT);
    const { status, err } = await run(there, SMALL_ITEM.replace('0001', '26-00001'));
    expect(status, err).toBe(69);
    expect(err).toContain('link/simulated');
    expect(err).not.toContain('ENERGIZED');
    expect(small.torque()).toEqual([]);
    expect(entered(there, 'H12-26-00001').kinds).not.toContain('attempt-begun');
  });
});
