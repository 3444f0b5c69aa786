import fc from 'fast-check';
import { expect, test } from 'vitest';
import { problem } from '../../src/bench/refusal.js';
import { ScpiDrive } from '../../src/emulator/scpi-drive-server.js';
import { ScpiInstrument } from '../../src/emulator/scpi-instrument.js';
import { TORQUE_PER_VOLT } from '../../src/emulator/scpi-levels.js';
import { handClock } from '../support/clock.js';
import { HandPort, HandStand } from '../support/scpi-stand.js';

function drive() {
  const clock = handClock();
  const port = new HandPort();
  const stand = new HandStand();
  port.listen(new ScpiInstrument(port, new ScpiDrive(stand), clock));
  const noError = async () => {
    expect(await port.ask('SYST:ERR?')).toBe('0,"No error"\n');
  };
  const sendLevels = (levels: readonly number[]): void => {
    port.say(dataMessage(levels.map((level) => level / TORQUE_PER_VOLT)));
  };
  return { clock, port, stand, noError, sendLevels };
}

function dataMessage(volts: readonly number[]): Buffer {
  const body = Buffer.alloc(8 * volts.length);
  volts.forEach((volt, i) => body.writeDoubleBE(volt, 8 * i));
  const length = String(body.length);
  return Buffer.concat([
    Buffer.from(`SOUR:ARB:DATA #${length.length}${length}`),
    body,
    Buffer.from('\n'),
  ]);
}

test('identity of the item comes with empty strings for what it does not tell', async () => {
  const { port, stand } = drive();
  expect(await port.ask('ITEM:IDN?')).toBe('"H12","H12-26-00001","4.1","ab12","",""\n');
  expect(await port.ask('ITEM:COMP?')).toBe('"",""\n');
  stand.item = {
    ...stand.item,
    revision: 'C',
    parametersDigest: 'cd34',
    components: [
      { kind: 'motor', serial: 'M1' },
      { kind: 'drive', serial: 'D"2' },
    ],
  };
  expect(await port.ask('ITEM:IDN?')).toBe('"H12","H12-26-00001","4.1","ab12","C","cd34"\n');
  expect(await port.ask('ITEM:COMP?')).toBe('"motor","M1","drive","D""2"\n');
});

test('limit and watchdog read back as the stand holds them, and not while power is on', async () => {
  const { port, stand, noError } = drive();
  await port.ask('OUTP:LIM 3.5;WATC 0.05');
  expect(await port.ask('OUTP:LIM?;WATC?')).toBe('3.5E+0;5E-2\n');
  await port.ask('OUTP:LIM 50;WATC 3');
  expect(await port.ask('OUTP:LIM?;WATC?')).toBe('20;1E-1\n');
  await noError();
  await port.ask('OUTP ON');
  await port.ask('OUTP:LIM 1');
  expect(await port.ask('SYST:ERR?')).toBe('-221,"Settings conflict;the output is on"\n');
  expect(stand.calls.slice(-2)).toEqual(['limit 20 0.1', 'energize']);
});

test.each([
  ['OUTP:LIM -1', '-222'],
  ['OUTP:WATC 0', '-222'],
  ['OUTP:LIM 9.91E37', '-222'],
  ['OUTP:WATC 9.9E37', '-222'],
  ['ITEM:SMO 6', '-222'],
  ['SOUR:ARB:RATE 10001', '-222'],
  ['SOUR:ARB:SIL 5,3', '-222'],
  ['SOUR:ARB:DATA #13abc', '-161'],
  ['SOUR:ARB:DATA #10', '-161'],
  ['SOUR:ARB:DATA 1,2', '-128'],
  ['OUTP', '-109'],
  ['OUTP YES', '-224'],
  ['INIT', '-221'],
])('%s is %s', async (message, number) => {
  const { port } = drive();
  await port.ask(message);
  expect((await port.ask('SYST:ERR?')).startsWith(`${number},`)).toBe(true);
});

test('levels come out of volts as they went in, so none is lifted over its ceiling', async () => {
  const decimals = fc.integer({ min: -12_000_000, max: 12_000_000 }).map((n) => n / 1e6);
  await fc.assert(
    fc.asyncProperty(fc.array(decimals, { minLength: 1, maxLength: 50 }), async (levels) => {
      const { port, stand, sendLevels } = drive();
      await port.ask(`OUTP:LIM ${Math.max(...levels.map(Math.abs))};:OUTP ON`);
      sendLevels(levels);
      expect(await port.ask('SYST:ERR?')).toBe('0,"No error"\n');
      expect(Array.from(stand.loaded?.waveform.command ?? [])).toEqual(levels.map((n) => n + 0));
    }),
    { numRuns: 100 },
  );
});

test('a waveform is loaded with its settings and started', async () => {
  const { port, stand, noError, sendLevels } = drive();
  await port.ask('OUTP:LIM 3;:OUTP 1;:ITEM:SMO 2;SLEW 400;:SOUR:ARB:RATE 2000');
  sendLevels([0, 1.5, -3, 0]);
  await port.ask('SOUR:ARB:SIL 1,3');
  expect(await port.ask('SOUR:ARB:POIN?;SIL?;RATE?;:ITEM:SMO?;SLEW?;:OUTP?')).toBe(
    '4;1,3;2000;2;400;1\n',
  );
  expect(stand.loaded?.settings).toEqual({ smoothing: 2, fixture: 'coupled', slew: 400 });
  expect(stand.loaded?.waveform.silence).toEqual({ from: 1, to: 3 });
  expect(stand.loaded?.waveform.rate).toBe(2000);
  await port.ask('INIT');
  expect(stand.isPlaying).toBe(true);
  expect(stand.calls.slice(-3)).toEqual(['load', 'load', 'start']);
  await noError();
});

test('what is set after the data holds for the start', async () => {
  const { port, stand, sendLevels } = drive();
  await port.ask('OUTP:LIM 3;:OUTP ON');
  sendLevels([1]);
  await port.ask('ITEM:SMO 4;:INIT');
  expect(stand.loaded?.settings.smoothing).toBe(4);
  expect(stand.isPlaying).toBe(true);
});

test('a silence holds for the data it is told with, before or after them, and not for the next', async () => {
  const { port, stand, sendLevels } = drive();
  await port.ask('OUTP:LIM 3;:OUTP ON;:SOUR:ARB:SIL 1,2');
  sendLevels([1, 2, 3]);
  await port.ask('INIT');
  expect(stand.loaded?.waveform.silence).toEqual({ from: 1, to: 2 });
  await port.ask('ABOR');
  sendLevels([1, 2]);
  await port.ask('INIT');
  expect(stand.loaded?.waveform.silence).toBeUndefined();
});

test('data above the ceiling are refused with the sentence of the stand, and nothing is started', async () => {
  const { port, stand, sendLevels } = drive();
  await port.ask('OUTP:LIM 1;:OUTP ON');
  sendLevels([2]);
  expect(await port.ask('SYST:ERR?')).toBe('-221,"Settings conflict;2 N.m is above 1 N.m."\n');
  await port.ask('INIT');
  expect(stand.isPlaying).toBe(false);
});

test('values that are no numbers, or beyond the item, are −222', async () => {
  for (const volts of [Number.NaN, Number.POSITIVE_INFINITY, 17]) {
    const { port } = drive();
    port.say(dataMessage([0, volts]));
    expect(await port.ask('SYST:ERR?;:SOUR:ARB:POIN?')).toMatch(/^-222,.*value 1 .*;0\n$/u);
  }
});

test('no power without leave of the stand', async () => {
  const { port, stand } = drive();
  await port.ask('OUTP:LIM 1');
  stand.energize = () => {
    throw problem('bench/interlock', 'The guard is open.', 'Close the guard.');
  };
  await port.ask('OUTP ON');
  expect(await port.ask('OUTP?;:SYST:ERR?')).toBe(
    '0;-221,"Settings conflict;The guard is open."\n',
  );
});

test('power does not follow a limit that was refused in the same message', async () => {
  const { port, stand } = drive();
  await port.ask('OUTP:LIMT 3;:OUTP ON');
  await port.ask('OUTP:LIM -3;:OUTP ON');
  expect(stand.calls).toEqual([]);
});

test('the ramp goes on while questions are answered; *OPC? waits for its end', async () => {
  const { port, stand } = drive();
  let zero = (): void => undefined;
  stand.gate = new Promise((resolve) => (zero = resolve));
  await port.ask('OUTP:LIM 1;:OUTP ON;:OUTP:RAMP');
  expect(await port.ask('OUTP?')).toBe('1\n');
  port.say('*OPC?\n');
  expect(await port.heard()).toBe('');
  zero();
  expect(await port.heard()).toBe('1\n');
  expect(await port.ask('OUTP?')).toBe('0\n');
});

test('OUTP OFF acts at once while *OPC? waits for a ramp', async () => {
  const { port, stand } = drive();
  stand.gate = new Promise(() => undefined);
  port.say('OUTP:LIM 1;:OUTP ON;:OUTP:RAMP;*OPC?\n');
  port.say('OUTP OFF\n');
  expect(stand.isEnergized).toBe(false);
  expect(stand.calls.at(-1)).toBe('off OUTP OFF');
  expect(await port.heard()).toBe('');
});

test('feeds act at once while data are made ready', async () => {
  const { port, stand, sendLevels } = drive();
  await port.ask('OUTP:LIM 1;:OUTP ON');
  stand.gate = new Promise(() => undefined);
  sendLevels([1]);
  port.say('OUTP:WATC:FEED\n');
  port.say('OUTP:WATC:FEED\n');
  expect(stand.calls.slice(-2)).toEqual(['feed', 'feed']);
});

test.each(['ABOR', 'OUTP OFF', 'OUTP 0'])(
  'a start that waits is not made after %s',
  async (stop) => {
    const { port, stand, sendLevels } = drive();
    sendLevels([1]);
    await port.ask('OUTP:LIM 1;:OUTP ON');
    let ready = (): void => undefined;
    stand.gate = new Promise((resolve) => (ready = resolve));
    port.say(`INIT\n${stop}\n`);
    ready();
    await port.heard();
    expect(stand.calls).not.toContain('start');
    expect(stand.isPlaying).toBe(false);
    expect(await port.ask('SYST:ERR?')).toMatch(/^-221,.*before the start/u);
  },
);

test('a second start while one goes on is −213', async () => {
  const { port, stand, sendLevels } = drive();
  await port.ask('OUTP:LIM 1;:OUTP ON');
  sendLevels([1]);
  await port.ask('INIT;INIT');
  expect(await port.ask('SYST:ERR?')).toBe('-213,"Init ignored"\n');
  sendLevels([0.5]);
  expect(await port.ask('SYST:ERR?')).toBe('-221,"Settings conflict;a waveform goes on"\n');
  expect(stand.calls.filter((call) => call === 'start').length).toBe(1);
});

test('the state is told in eight numbers, and a fault in words', async () => {
  const { port, stand } = drive();
  stand.told = {
    updates: 12,
    missing: 1,
    linkLost: 0,
    gap: 0.0015,
    jitter: 2e-6,
    duty: 0.25,
    time: 0.5,
    fault: 11,
    torqueEnabled: true,
  };
  expect(await port.ask('SOUR:ARB:STAT?')).toBe('12,1,1.5E-3,2E-6,2.5E-1,5E-1,11,1\n');
  expect(await port.ask('SYST:COMPL?')).toBe('"Watchdog: no feed in time"\n');
});

test.each(['end of file', 'reset by peer'])(
  'power goes when the port closes: %s',
  async (reason) => {
    const { port, stand } = drive();
    await port.ask('OUTP:LIM 1;:OUTP ON');
    port.hangUp(reason);
    expect(stand.isEnergized).toBe(false);
    expect(stand.calls.at(-1)).toBe(`off tcp hand:5025: ${reason}`);
  },
);

test('*RST takes power and all settings away', async () => {
  const { port, stand, sendLevels } = drive();
  await port.ask('OUTP:LIM 1;:OUTP ON;:ITEM:SMO 3');
  sendLevels([1]);
  await port.ask('*RST');
  expect(stand.isEnergized).toBe(false);
  expect(await port.ask('OUTP:LIM?;:ITEM:SMO?;:SOUR:ARB:POIN?')).toBe('0;0;0\n');
});

test('bytes of any kind never give power without OUTP ON', async () => {
  await fc.assert(
    fc.asyncProperty(
      fc.array(fc.uint8Array({ maxLength: 64 }), { maxLength: 8 }),
      async (chunks) => {
        const { port, stand } = drive();
        for (const chunk of chunks) port.say(chunk);
        await port.heard();
        expect(stand.calls.filter((call) => /energize|start/u.test(call))).toEqual([]);
      },
    ),
    { numRuns: 100 },
  );
});
