import { afterEach, describe, expect, test } from 'vitest';
import { StallmarkError, type Problem } from '../../src/base/error.js';
import { hertz, newtonMetre, second, torquePerSecond } from '../../src/base/units.js';
import type { Load } from '../../src/bench/bench.js';
import { voltsOf } from '../../src/link/scpi-block.js';
import type { DriveLink } from '../../src/rig/rig.js';
import { scpiDrive } from '../../src/rig/scpi-drive.js';
import { handClock, type HandClock } from '../support/clock.js';
import { described } from '../support/dialects.js';
import { pumped, turns } from '../support/pumped.js';
import { ScriptedPeer } from '../support/scripted-peer.js';
import { tcpPort } from '../support/tcp-port.js';

const open: { close(): Promise<void> }[] = [];

afterEach(async () => {
  for (const one of open.splice(0)) await one.close();
});

/** What the generator tells by question; commands with a value set it. */
const TOLD = {
  'OUTP:LIM': '0',
  'OUTP:WATC': '1',
  OUTP: '0',
  'ITEM:SMO': '0',
  'ITEM:SLEW': '0',
  'SOUR:ARB:RATE': '1000',
  'SOUR:ARB:POIN': '0',
  'SOUR:ARB:STAT': '12,1,1.1E-3,1E-5,4.2E-1,1.2E-2,0,1',
  'SYST:COMPL': '"Winding too hot"',
  'ITEM:IDN': '"H12","H12-26-00001","2.4.1","ab","C3",""',
  'ITEM:COMP': '"motor","M-1","drive","D-1"',
  '*OPC': '1',
} as const;

interface Bench {
  readonly peer: ScriptedPeer;
  readonly told: Map<string, string>;
  readonly clock: HandClock;
  readonly link: DriveLink;
  /** Headers whose value is not taken over. */
  readonly stuck: Set<string>;
  /** Questions that are not answered. */
  readonly silent: Set<string>;
}

async function benchOf(changes: readonly (readonly [string, string])[] = []): Promise<Bench> {
  const told = new Map<string, string>(Object.entries(TOLD));
  const stuck = new Set<string>();
  const silent = new Set<string>();
  const peer = await ScriptedPeer.start((message) => {
    const [header = '', value = ''] = message.split(' ');
    if (header.endsWith('?')) return silent.has(header) ? undefined : told.get(header.slice(0, -1));
    if (stuck.has(header)) return undefined;
    if (header === 'SOUR:ARB:DATA') told.set('SOUR:ARB:POIN', String(levelsIn(message).length));
    else if (header === 'OUTP') told.set('OUTP', value === 'ON' ? '1' : '0');
    else if (header === 'OUTP:RAMP') told.set('OUTP', '0');
    else if (told.has(header)) told.set(header, value);
    return undefined;
  });
  const clock = handClock();
  const call = (): ReturnType<typeof tcpPort> => tcpPort(peer.port);
  const link = scpiDrive('gen', described('generator.yaml', peer.port, changes), call, clock);
  open.push(link, peer);
  return { peer, told, clock, link, stuck, silent };
}

/** Values of the block in a message, V. */
function levelsIn(message: string): readonly number[] {
  const at = message.indexOf('#');
  const bytes = Buffer.from(message.slice(at + 2 + Number(message.charAt(at + 1))), 'latin1');
  return Array.from({ length: bytes.length / 8 }, (_, i) => bytes.readDoubleLE(8 * i));
}

async function problemOf(promise: Promise<unknown>): Promise<Problem | undefined> {
  try {
    await promise;
    return undefined;
  } catch (error) {
    if (error instanceof StallmarkError) return error.problems[0];
    throw error;
  }
}

const codeOf = async (promise: Promise<unknown>): Promise<string | undefined> =>
  (await problemOf(promise))?.code;

const LIMITS = { ceiling: newtonMetre(3), deadMan: second(0.09) };

function loadOf(levels: readonly number[], rest: Partial<Load['settings']> = {}): Load {
  const waveform = { rate: hertz(2000), command: Float64Array.from(levels) };
  return { waveform, settings: { smoothing: 0, fixture: 'coupled', ...rest } };
}

const WITHOUT_DEAD_MAN = [
  ['  dead-man: OUTP:WATC {dead-man}\n', ''],
  ['  feed: OUTP:WATC:FEED\n', ''],
] as const;

describe('abilities', () => {
  test('are what the dialect says, with the output off', async () => {
    const { link, told, peer } = await benchOf();
    told.set('OUTP', '1');
    expect(await link.open()).toEqual({
      simulated: true,
      deadMan: { from: 0.02, to: 1 },
      maximumUpdates: 20_000,
      smoothing: [0, 1, 2, 3, 4, 5],
      setsSlew: true,
      silence: true,
      closedLoop: false,
      paced: 'device',
      ceilingStep: 0,
    });
    expect(peer.heard).toContain('OUTP OFF');
    expect(told.get('OUTP')).toBe('0');
  });

  test('an output that stays on is link/read-back', async () => {
    const { link, told, stuck } = await benchOf();
    told.set('OUTP', '1');
    stuck.add('OUTP');
    expect(await codeOf(link.open())).toBe('link/read-back');
  });

  test('without dead-man, smoothing, slew and silence are fewer', async () => {
    const { link, peer } = await benchOf([
      ...WITHOUT_DEAD_MAN,
      ['  smoothing: ITEM:SMO {smoothing}\n', ''],
      ['  slew: ITEM:SLEW {slew} # N·m/s\n', ''],
      ['  silence: SOUR:ARB:SIL {from},{to}\n', ''],
    ]);
    const abilities = await link.open();
    expect(abilities).toMatchObject({ smoothing: [0], setsSlew: false, silence: false });
    expect(abilities.deadMan).toBeUndefined();
    link.feed();
    await turns();
    expect(peer.heard.some((message) => message.includes('FEED'))).toBe(false);
    const slew = torquePerSecond(10);
    expect(await codeOf(link.load(loadOf([0], { smoothing: 2 })))).toBe('link/ability');
    expect(await codeOf(link.load(loadOf([0], { slew })))).toBe('link/ability');
    const silent = loadOf([0, 1, 0]);
    const waveform = { ...silent.waveform, silence: { from: 1, to: 2 } };
    expect(await codeOf(link.load({ ...silent, waveform }))).toBe('link/ability');
  });
});

test('the item is told with its components; what is empty is left out', async () => {
  const { link } = await benchOf();
  await link.open();
  expect(await link.identify()).toEqual({
    model: 'H12',
    serial: 'H12-26-00001',
    firmware: '2.4.1',
    firmwareDigest: 'ab',
    revision: 'C3',
    components: [
      { kind: 'motor', serial: 'M-1' },
      { kind: 'drive', serial: 'D-1' },
    ],
  });
});

test('an empty nest, too few values and an unknown component are link/garbled', async () => {
  const { link, told } = await benchOf();
  await link.open();
  told.set('ITEM:COMP', '"rotor","R-1"');
  expect(await codeOf(link.identify())).toBe('link/garbled');
  told.set('ITEM:IDN', '"","","","","",""');
  expect(await codeOf(link.identify())).toBe('link/garbled');
  told.set('ITEM:IDN', '"H12","H12-26-00001"');
  expect(await codeOf(link.identify())).toBe('link/garbled');
});

describe('limits', () => {
  test('are what the device reads back', async () => {
    const { link, peer, stuck } = await benchOf();
    await link.open();
    expect(await link.limit(LIMITS)).toEqual(LIMITS);
    expect(peer.heard).toContain('OUTP:LIM 3');
    stuck.add('OUTP:LIM');
    expect(await link.limit({ ...LIMITS, ceiling: newtonMetre(2) })).toEqual(LIMITS);
  });

  test('are never above what was asked for where the device has steps', async () => {
    const { link, peer } = await benchOf([
      ['own-slew: 0 N·m/s', 'ceiling-step: 0.25 N·m\n  own-slew: 0 N·m/s'],
    ]);
    expect((await link.open()).ceilingStep).toBe(0.25);
    await link.limit({ ...LIMITS, ceiling: newtonMetre(2.9) });
    expect(peer.heard).toContain('OUTP:LIM 2.75');
  });

  test('of which half was set over another connection are link/closed', async () => {
    const { link, peer } = await benchOf();
    await link.open();
    const limits = link.limit(LIMITS);
    await peer.hears('OUTP:LIM?');
    peer.send('\x01\n'); // hung up on, and called again for the dead-man
    expect(await codeOf(limits)).toBe('link/closed');
    expect(await codeOf(link.energize())).toBe('link/closed');
    expect(peer.heard).not.toContain('OUTP ON');
  });

  test('that stand for infinity are refused', async () => {
    const { link, told, stuck } = await benchOf();
    await link.open();
    told.set('OUTP:LIM', '9.9E37');
    stuck.add('OUTP:LIM');
    expect(await codeOf(link.limit(LIMITS))).toBe('link/garbled');
  });

  test('that an error met are link/refused', async () => {
    const { link, peer } = await benchOf();
    await link.open();
    peer.errors = ['-222,"Data out of range"'];
    expect((await problemOf(link.limit(LIMITS)))?.what).toContain('"OUTP:LIM 3" with -222');
  });
});

describe('power', () => {
  test('goes on, and is read back', async () => {
    const { link, told, stuck } = await benchOf();
    await link.open();
    await link.limit(LIMITS);
    await link.energize();
    expect(told.get('OUTP')).toBe('1');
    await link.makeSafe('off');
    stuck.add('OUTP');
    expect(await codeOf(link.energize())).toBe('link/read-back');
  });

  test('does not go on when the device was called again since its limits were set', async () => {
    const { link, peer } = await benchOf();
    await link.open();
    await link.limit(LIMITS);
    peer.hangUp();
    await turns();
    await link.identify();
    expect(await codeOf(link.energize())).toBe('link/closed');
    expect(peer.heard).not.toContain('OUTP ON');
    await link.limit(LIMITS);
    await link.energize();
  });

  test('does not go on over another connection, also when the call is made for it', async () => {
    const { link, peer } = await benchOf();
    await link.open();
    await link.limit(LIMITS);
    peer.send('\x01\n'); // no reply: it is hung up on, and called again by whatever is asked next
    await turns();
    expect(await codeOf(link.energize())).toBe('link/closed');
    expect(peer.calls).toBe(2);
    expect(peer.heard).not.toContain('OUTP ON');
  });

  test('that went off with its connection starts nothing over another', async () => {
    const { link, peer } = await benchOf();
    await link.open();
    await link.limit(LIMITS);
    await link.energize();
    peer.send('\x01\n');
    await turns();
    expect(await codeOf(link.start())).toBe('link/closed');
    expect(peer.heard).not.toContain('INIT');
    link.feed();
    await turns();
    expect(peer.heard).not.toContain('OUTP:WATC:FEED');
  });

  test('goes off by a ramp that is waited for', async () => {
    const { link, peer, told } = await benchOf();
    await link.open();
    await link.limit(LIMITS);
    await link.energize();
    await link.makeSafe('ramp');
    const tail = peer.heard.slice(peer.heard.indexOf('OUTP:RAMP'));
    expect(tail).toEqual(['OUTP:RAMP', '*OPC?', 'OUTP OFF', 'OUTP?', 'SYST:ERR?']);
    expect(told.get('OUTP')).toBe('0');
  });

  test('goes off 300 ms after a ramp that nobody confirms', async () => {
    const { link, peer, clock, silent } = await benchOf();
    await link.open();
    await link.limit(LIMITS);
    await link.energize();
    silent.add('*OPC?');
    const safe = link.makeSafe('ramp');
    await peer.hears('*OPC?');
    expect(peer.heard.lastIndexOf('OUTP OFF')).toBeLessThan(peer.heard.indexOf('OUTP ON'));
    await clock.advance(300);
    await peer.hears('OUTP OFF', 3);
    await safe;
  });

  test('goes off at once while a question is not answered', async () => {
    const { link, peer, told, clock, silent } = await benchOf();
    await link.open();
    await link.limit(LIMITS);
    await link.energize();
    silent.add('SOUR:ARB:STAT?');
    const report = codeOf(link.report());
    await peer.hears('SOUR:ARB:STAT?');
    const safe = link.makeSafe('off');
    await peer.hears('OUTP OFF', 3);
    expect(told.get('OUTP')).toBe('0'); // no time has passed
    await clock.advance(240);
    expect(await report).toBe('link/silent');
    await safe;
  });

  test('that nobody confirms to be off is link/silent', async () => {
    const { link, peer, clock } = await benchOf();
    await link.open();
    peer.isMute = true;
    expect(await codeOf(pumped(clock, link.makeSafe('off')))).toBe('link/silent');
  });

  test('that stays on is told to be on', async () => {
    const { link, told, stuck } = await benchOf();
    await link.open();
    told.set('OUTP', '1');
    stuck.add('OUTP');
    const problem = await problemOf(link.makeSafe('off'));
    expect(problem?.code).toBe('link/read-back');
    expect(problem?.what).toContain('output is on');
  });

  test('is confirmed off over a new connection when the device hung up', async () => {
    const { link, peer } = await benchOf();
    await link.open();
    await link.limit(LIMITS);
    await link.energize();
    peer.hangUp();
    await turns();
    await link.makeSafe('ramp');
    expect(peer.calls).toBe(2);
    expect(peer.heard.lastIndexOf('OUTP OFF')).toBeGreaterThan(peer.heard.indexOf('OUTP ON'));
  });
});

describe('a waveform', () => {
  test('is handed over in volts that stand for no more torque than asked for', async () => {
    const { link, peer } = await benchOf();
    await link.open();
    const levels = Array.from({ length: 1000 }, (_, i) => 3 * Math.sin(i / 7));
    await link.load(loadOf(levels));
    const message = peer.heard.find((one) => one.startsWith('SOUR:ARB:DATA #4')) ?? '';
    const volts = levelsIn(message);
    expect(volts).toHaveLength(1000);
    for (const [i, volt] of volts.entries()) {
      const level = levels[i] ?? NaN;
      expect(Math.abs(1.2 * volt)).toBeLessThanOrEqual(Math.abs(level));
      expect(1.2 * volt).toBeCloseTo(level, 12);
    }
    expect(peer.heard).toContain('SOUR:ARB:RATE 2000');
  });

  test('in counts of 10 V / 32767 is rounded towards zero', async () => {
    const { link, peer } = await benchOf([
      ['format: f64', 'format: i16\n  volts-per-count: 1 mV'],
      ['byte-order: swapped', 'byte-order: normal'],
    ]);
    await link.open();
    const loaded = codeOf(link.load(loadOf([0, 1.2, -0.12061])));
    expect(await loaded).toBe('link/read-back'); // this peer counts 8 bytes a value
    const message = peer.heard.find((one) => one.startsWith('SOUR:ARB:DATA')) ?? '';
    const bytes = Buffer.from(message.slice(message.indexOf('#16') + 3), 'latin1');
    const form = { format: 'i16', isSwapped: false, voltsPerCount: 0.001 } as const;
    expect([...voltsOf(bytes, form)]).toEqual([0, 1, -0.1]);
  });

  test('beyond the range of the output is link/ability and is not sent', async () => {
    const { link, peer } = await benchOf();
    await link.open();
    expect(await codeOf(link.load(loadOf([0, 12.1])))).toBe('link/ability');
    expect(peer.heard.some((message) => message.startsWith('SOUR:ARB:DATA'))).toBe(false);
  });

  test('that arrives with fewer values is link/read-back', async () => {
    const { link, told, stuck } = await benchOf();
    await link.open();
    told.set('SOUR:ARB:POIN', '7');
    stuck.add('SOUR:ARB:DATA');
    expect(await codeOf(link.load(loadOf([0, 1, 0])))).toBe('link/read-back');
  });

  test('with smoothing, slew and silence sets all three; without them the item has its own', async () => {
    const { link, peer } = await benchOf();
    await link.open();
    const load = loadOf([0, 1, 0], { smoothing: 3, slew: torquePerSecond(40) });
    const waveform = { ...load.waveform, silence: { from: 1, to: 2 } };
    await link.load({ ...load, waveform });
    expect(peer.heard).toEqual(
      expect.arrayContaining(['ITEM:SMO 3', 'ITEM:SLEW 40', 'SOUR:ARB:SIL 1,2']),
    );
    const before = peer.heard.length;
    await link.load(loadOf([0, 1, 0]));
    const sent = peer.heard.slice(before);
    expect(sent).toEqual(expect.arrayContaining(['ITEM:SMO 0', 'ITEM:SLEW 0', 'SOUR:ARB:SIL 0,0']));
  });

  test('with a wheel cannot be played', async () => {
    const { link } = await benchOf();
    await link.open();
    const load = loadOf([0, 1, 0]);
    const wheel = { inertia: 1, drag: 0, damping: 0, limit: 1, stiffness: new Float64Array(3) };
    const waveform = { ...load.waveform, wheel };
    expect(await codeOf(link.load({ ...load, waveform }))).toBe('link/ability');
  });

  test('is started and ended, errors told', async () => {
    const { link, peer } = await benchOf();
    await link.open();
    await link.start();
    await link.finish();
    expect(peer.heard.filter((message) => message !== 'SYST:ERR?').slice(-2)).toEqual([
      'INIT',
      'ABOR',
    ]);
    peer.errors = ['-221,"Settings conflict;the output is off"'];
    expect((await problemOf(link.start()))?.what).toContain('the output is off');
  });
});

describe('a report', () => {
  test('is one query', async () => {
    const { link, peer } = await benchOf();
    await link.open();
    const before = peer.heard.length;
    expect(await link.report()).toEqual({
      ...{ updates: 12, missing: 1, gap: 0.0011, jitter: 1e-5, duty: 0.42, time: 0.012 },
      fault: 0,
      torqueEnabled: true,
    });
    expect(peer.heard.slice(before)).toEqual(['SOUR:ARB:STAT?']);
  });

  const faults: readonly (readonly [told: number, fault: number])[] = [
    [11, 11],
    [12, 12],
    [13, 13],
    [14, 14],
    [99, 14],
  ];
  for (const [told, fault] of faults) {
    test(`of fault ${told} tells fault ${fault} and asks for the complaint once`, async () => {
      const { link, peer, told: answers } = await benchOf();
      await link.open();
      answers.set('SOUR:ARB:STAT', `1,0,0,0,0,0,${told},0`);
      expect((await link.report()).fault).toBe(fault);
      expect(link.complaint).toBe('Winding too hot');
      await link.report();
      expect(peer.heard.filter((message) => message === 'SYST:COMPL?')).toHaveLength(1);
    });
  }

  test('of infinite values or too few of them is link/garbled', async () => {
    const { link, told } = await benchOf();
    await link.open();
    told.set('SOUR:ARB:STAT', '1,0,9.9E37,0,0,0,0,1');
    expect(await codeOf(link.report())).toBe('link/garbled');
    told.set('SOUR:ARB:STAT', '1,0,0');
    expect(await codeOf(link.report())).toBe('link/garbled');
  });

  test('that does not come within 240 ms is link/silent', async () => {
    const { link, peer, clock, silent } = await benchOf();
    await link.open();
    silent.add('SOUR:ARB:STAT?');
    const report = codeOf(link.report());
    await peer.hears('SOUR:ARB:STAT?');
    await clock.advance(240);
    expect(await report).toBe('link/silent');
  });
});

test('a feed goes out while a report is waited for', async () => {
  const { link, peer, silent } = await benchOf();
  await link.open();
  silent.add('SOUR:ARB:STAT?');
  const report = link.report();
  await peer.hears('SOUR:ARB:STAT?');
  link.feed();
  await peer.hears('OUTP:WATC:FEED');
  peer.send(`${TOLD['SOUR:ARB:STAT']}\n`);
  expect((await report).updates).toBe(12);
});

test('nothing is fed after a reply that cannot be read, until the replies are in step again', async () => {
  const { link, peer, told } = await benchOf();
  await link.open();
  await link.limit(LIMITS);
  told.set('SOUR:ARB:STAT', '12,1,NaN');
  expect(await codeOf(link.report())).toBe('link/garbled');
  link.feed();
  await turns();
  expect(peer.heard).not.toContain('OUTP:WATC:FEED');
  told.set('SOUR:ARB:STAT', TOLD['SOUR:ARB:STAT']);
  await link.report();
  link.feed();
  await peer.hears('OUTP:WATC:FEED');
});
