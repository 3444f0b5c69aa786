import { afterEach, describe, expect, test } from 'vitest';
import { StallmarkError } from '../../src/base/error.js';
import { hertz, radian } from '../../src/base/units.js';
import { definiteBlock } from '../../src/link/scpi-block.js';
import type { ChannelInput } from '../../src/procedure/links.js';
import type { DigitizerLink, SampleBlock } from '../../src/rig/rig.js';
import { scpiDigitizer } from '../../src/rig/scpi-digitizer.js';
import { handClock, type HandClock } from '../support/clock.js';
import { described } from '../support/dialects.js';
import { pumped } from '../support/pumped.js';
import { ScriptedPeer, type Answer } from '../support/scripted-peer.js';
import { tcpPort } from '../support/tcp-port.js';

const CHANNELS: ReadonlyMap<string, ChannelInput> = new Map([
  ['current', { input: 2, perVolt: 3, at0V: 0 }],
  ['torque', { input: 1, perVolt: -2, at0V: 0.5 }],
]);
const RATE = hertz(20_000);
const open: { close(): Promise<void> }[] = [];

afterEach(async () => {
  for (const one of open.splice(0)) await one.close();
});

/** A digitizer of two inputs; input 1 counts samples in mV, input 2 is 1 V. */
class Instrument {
  /** Samples there are; grows by `growth` with each look at the condition. */
  available = 0;
  growth = 0;
  condition = 8;
  settings = new Map([
    ['SENS:SWE:RATE', '20000'],
    ['SENS:SWE:POIN', '0'],
    ['ROUT:FIXT', 'COUP'],
    ['ROUT:ANGL', '0'],
  ]);
  volts = (sample: number): readonly [number, number] => [sample / 1000, 1];
  readonly fetched: number[] = [];

  readonly answer: Answer = (message) => {
    const [header = '', value = ''] = message.split(' ');
    if (header === 'FETC?') return this.fetch(value);
    if (header === 'STAT:OPER:COND?') {
      this.available += this.growth;
      return String(this.condition);
    }
    if (value !== '' && this.settings.has(header)) this.settings.set(header, value);
    if (header.endsWith('?')) return this.told(header.slice(0, -1));
    return undefined;
  };

  private told(header: string): string | undefined {
    const told: Readonly<Record<string, string>> = {
      ...{ 'SENS:CHAN:COUN': '2', 'SENS:TEMP': '2.15E+01', 'SENS:HUM': '.5', 'SENS:SUPP': '24.0' },
      ...{ 'SYST:UPT': '+3600', 'SYST:ADAP': '"A-7","h12-shaft","0042"', '*OPC': '1' },
    };
    return this.settings.get(header) ?? told[header];
  }

  private fetch(value: string): Uint8Array {
    const [from = 0, wanted = 0] = value.split(',').map(Number);
    const count = Math.max(0, Math.min(wanted, this.available - from));
    this.fetched.push(wanted);
    const rows = Array.from({ length: count }, (_, i) => this.volts(from + i));
    const bytes = new Uint8Array(8 * count);
    const view = new DataView(bytes.buffer);
    rows.flat().forEach((volt, i) => {
      view.setFloat32(4 * i, volt, true);
    });
    return definiteBlock(bytes);
  }
}

interface Bench {
  readonly instrument: Instrument;
  readonly peer: ScriptedPeer;
  readonly clock: HandClock;
  readonly link: DigitizerLink;
}

async function benchOf(
  changes: readonly (readonly [string, string])[] = [],
  channels = CHANNELS,
): Promise<Bench> {
  const instrument = new Instrument();
  const peer = await ScriptedPeer.start(instrument.answer);
  const clock = handClock();
  const description = described('digitizer.yaml', peer.port, changes);
  const call = (): ReturnType<typeof tcpPort> => tcpPort(peer.port);
  const link = scpiDigitizer('dig', description, channels, call, clock);
  open.push(link, peer);
  return { instrument, peer, clock, link };
}

async function taken(bench: Bench): Promise<readonly SampleBlock[]> {
  const blocks: SampleBlock[] = [];
  const all = async (): Promise<void> => {
    for await (const block of bench.link.blocks()) blocks.push(block);
  };
  await pumped(bench.clock, all());
  return blocks;
}

async function codeOf(promise: Promise<unknown>): Promise<string | undefined> {
  try {
    await promise;
    return undefined;
  } catch (error) {
    if (error instanceof StallmarkError) return error.problems[0].code;
    throw error;
  }
}

const DROP = {
  fixture: [
    ['  fixture: ROUT:FIXT {fixture}\n', ''],
    ['  fixture: ROUT:FIXT?\n', ''],
  ],
  angle: [
    ['  angle: ROUT:ANGL {angle}\n', ''],
    ['  angle: ROUT:ANGL?\n', ''],
  ],
} as const;

describe('abilities', () => {
  test('are what the dialect says', async () => {
    const { link } = await benchOf();
    expect(await link.open()).toEqual({
      simulated: true,
      rates: [20_000],
      channels: ['current', 'torque'],
      fixtures: ['coupled', 'uncoupled', 'shunt', 'shunt-negative', 'timing'],
      indexing: 'bench',
      trigger: true,
      marksStop: false,
    });
  });

  test('a real instrument does not say SIMULATED', async () => {
    const { link, peer } = await benchOf();
    peer.identity = 'Someone,SIMULATED,1,1.0';
    expect((await link.open()).simulated).toBe(false);
  });

  test('acts that are left out take abilities away', async () => {
    const { link } = await benchOf([
      ...DROP.fixture,
      ...DROP.angle,
      ['  on-trigger: TRIG:SOUR EXT\n', ''],
      ['first-input: 1', 'first-input: 1\n  indexing: operator'],
    ]);
    expect(await link.open()).toMatchObject({
      fixtures: ['coupled'],
      indexing: 'operator',
      trigger: false,
    });
    const coupled = { smoothing: 0, fixture: 'coupled' } as const;
    await link.arrange(coupled);
    expect(await codeOf(link.arrange({ ...coupled, fixture: 'shunt' }))).toBe('link/ability');
    const order = { samples: 10, rate: RATE, on: 'trigger' } as const;
    expect(await codeOf(link.arm(order))).toBe('link/ability');
  });

  test('an input that there is not is link/ability', async () => {
    const { link } = await benchOf([], new Map([['torque', { input: 3, perVolt: 1, at0V: 0 }]]));
    expect(await codeOf(link.open())).toBe('link/ability');
  });
});

describe('a take', () => {
  test('comes in blocks of at most 20 ms, in order, in the units of the channels', async () => {
    const bench = await benchOf();
    bench.peer.piece = 100;
    await bench.link.open();
    await bench.link.arm({ samples: 1000, rate: RATE, on: 'now' });
    bench.instrument.available = 1000;
    const blocks = await taken(bench);
    expect(blocks.map(({ start }) => start)).toEqual([0, 400, 800]);
    expect(bench.instrument.fetched).toEqual([400, 400, 200]);
    const torque = blocks.flatMap(({ samples }) => [...(samples.torque ?? [])]);
    expect(torque).toHaveLength(1000);
    expect(torque[0]).toBe(0.5);
    expect(torque[999]).toBeCloseTo(0.5 - 2 * 0.999, 6);
    expect(blocks[0]?.samples.current?.every((value) => value === 3)).toBe(true);
    expect(Object.keys(blocks[0]?.samples ?? {}).sort()).toEqual(['current', 'torque']);
  });

  test('that grows while it is read is read to its end', async () => {
    const bench = await benchOf();
    await bench.link.open();
    await bench.link.arm({ samples: 500, rate: RATE, on: 'now' });
    bench.instrument.growth = 130;
    const blocks = await taken(bench);
    expect(blocks.map(({ start }) => start)).toEqual([0, 130, 260, 390]);
  });

  test('that a stop ended is over when the condition register says so', async () => {
    const bench = await benchOf();
    await bench.link.open();
    await bench.link.arm({ samples: 1000, rate: RATE, on: 'now' });
    bench.instrument.available = 450;
    bench.instrument.condition = 0;
    expect((await taken(bench)).map(({ start }) => start)).toEqual([0, 400]);
  });

  test('samples that come between the last look and the end are read', async () => {
    const bench = await benchOf();
    await bench.link.open();
    await bench.link.arm({ samples: 1000, rate: RATE, on: 'now' });
    Object.assign(bench.instrument, { available: 400, growth: 7, condition: 0 });
    expect((await taken(bench)).map(({ start }) => start)).toEqual([0, 400]);
  });

  test('without a sample for 240 ms is link/silent', async () => {
    const bench = await benchOf();
    await bench.link.open();
    await bench.link.arm({ samples: 1000, rate: RATE, on: 'now' });
    expect(await codeOf(taken(bench))).toBe('link/silent');
    expect(bench.clock.monotonic()).toBeGreaterThanOrEqual(240);
    expect(bench.clock.monotonic()).toBeLessThan(1000);
  });

  test('that is not triggered within 2 s is link/silent', async () => {
    const bench = await benchOf();
    bench.instrument.condition = 32;
    await bench.link.open();
    await bench.link.arm({ samples: 1000, rate: RATE, on: 'trigger' });
    expect(await codeOf(taken(bench))).toBe('link/silent');
    expect(bench.clock.monotonic()).toBeGreaterThanOrEqual(2000);
  });

  test('on the trigger is armed only when the instrument waits for it', async () => {
    const { link, clock, peer } = await benchOf();
    await link.open();
    const armed = codeOf(link.arm({ samples: 10, rate: RATE, on: 'trigger' }));
    expect(await pumped(clock, armed)).toBe('link/ability');
    expect(peer.heard).toContain('TRIG:SOUR EXT');
  });

  test('is asked for by rate, samples, source and start, and read back', async () => {
    const { link, peer } = await benchOf();
    await link.open();
    await link.arm({ samples: 77, rate: RATE, on: 'now' });
    const sent = peer.heard.slice(peer.heard.indexOf('SENS:SWE:RATE 20000'));
    expect(sent.filter((message) => message !== 'SYST:ERR?')).toEqual([
      ...['SENS:SWE:RATE 20000', 'SENS:SWE:RATE?', 'SENS:SWE:POIN 77', 'SENS:SWE:POIN?'],
      ...['TRIG:SOUR IMM', 'INIT'],
    ]);
    peer.errors = ['-222,"Data out of range"'];
    expect(await codeOf(link.arm({ samples: 7, rate: RATE, on: 'now' }))).toBe('link/refused');
  });

  test('a rate that reads back as another is link/read-back', async () => {
    const { link } = await benchOf([['  rate: SENS:SWE:RATE {rate}', '  rate: X {rate}']]);
    await link.open();
    const order = { samples: 7, rate: hertz(10_000), on: 'now' } as const;
    expect(await codeOf(link.arm(order))).toBe('link/read-back');
  });

  test('with samples after a stop cannot be taken', async () => {
    const { link } = await benchOf();
    await link.open();
    const order = { samples: 10, rate: RATE, on: 'now', afterStop: 5 } as const;
    expect(await codeOf(link.arm(order))).toBe('link/ability');
  });

  test('that was ended yields nothing more', async () => {
    const { link, instrument, peer } = await benchOf();
    await link.open();
    await link.arm({ samples: 1000, rate: RATE, on: 'now' });
    instrument.available = 1000;
    let count = 0;
    for await (const block of link.blocks()) {
      count += 1;
      expect(block.start).toBe(0);
      await link.end();
    }
    expect(count).toBe(1);
    expect(peer.heard).toContain('ABOR');
  });
});

describe('voltages', () => {
  const fetched = async (volts: number): Promise<readonly number[] | string | undefined> => {
    const bench = await benchOf();
    bench.instrument.volts = () => [volts, 0];
    await bench.link.open();
    await bench.link.arm({ samples: 2, rate: RATE, on: 'now' });
    bench.instrument.available = 2;
    const blocks: SampleBlock[] = [];
    const code = await codeOf(taken(bench).then((all) => blocks.push(...all)));
    return code ?? [...(blocks[0]?.samples.torque ?? [])];
  };

  test('at the rail stay as they are', async () => {
    expect(await fetched(10)).toEqual([-19.5, -19.5]);
    expect(await fetched(-10.5)).toEqual([21.5, 21.5]);
  });

  test('that are marked as infinite are at the rail', async () => {
    expect(await fetched(9.9e37)).toEqual([-19.5, -19.5]);
    expect(await fetched(-9.9e37)).toEqual([20.5, 20.5]);
  });

  test('that stand for no value are link/garbled', async () => {
    expect(await fetched(9.91e37)).toBe('link/garbled');
    expect(await fetched(Number.NaN)).toBe('link/garbled');
    expect(await fetched(Number.POSITIVE_INFINITY)).toBe('link/garbled');
  });

  test('in another count than asked for are link/garbled', async () => {
    const bench = await benchOf([['{from},{count}', '{from},9{count}']]);
    await bench.link.open();
    await bench.link.arm({ samples: 50, rate: RATE, on: 'now' });
    bench.instrument.available = 900;
    expect(await codeOf(taken(bench))).toBe('link/garbled');
  });
});

describe('the stand', () => {
  test('is arranged only where it is not so already, and read back', async () => {
    const { link, peer } = await benchOf();
    await link.open();
    await link.arrange({ smoothing: 0, fixture: 'coupled' });
    expect(peer.heard.some((message) => /ROUT:\w+ /u.test(message))).toBe(false);
    await link.arrange({ smoothing: 0, fixture: 'shunt-negative', angle: radian(0.5) });
    expect(peer.heard).toContain('ROUT:FIXT SHUNN');
    expect(peer.heard).toContain('ROUT:ANGL 0.5');
    await link.arrange({ smoothing: 0, fixture: 'coupled' });
    expect(peer.heard).toContain('ROUT:ANGL 0');
  });

  test('that refuses to turn is link/refused', async () => {
    const { link, peer } = await benchOf();
    await link.open();
    peer.errors = ['-221,"Settings conflict;the guard is open"'];
    const turned = link.arrange({ smoothing: 0, fixture: 'coupled', angle: radian(1) });
    expect(await codeOf(turned)).toBe('link/refused');
  });

  test('surroundings are told in base units, with the adapter', async () => {
    const { link } = await benchOf();
    await link.open();
    expect(await link.environment()).toEqual({
      ambient: 21.5,
      humidity: 0.5,
      supply: 24,
      poweredFor: 3600,
      adapter: { id: 'A-7', kind: 'h12-shaft', serial: '0042' },
    });
  });

  test('no adapter and no thermometer are no values', async () => {
    const { link, instrument } = await benchOf([['  temperature: SENS:TEMP? # °C\n', '']]);
    instrument.settings.set('SYST:ADAP', '"","",""');
    await link.open();
    expect(await link.environment()).toEqual({ humidity: 0.5, supply: 24, poweredFor: 3600 });
  });
});
