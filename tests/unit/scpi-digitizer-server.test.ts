import { expect, test } from 'vitest';
import { hertz } from '../../src/base/units.js';
import { problem } from '../../src/bench/refusal.js';
import { ScpiDigitizer } from '../../src/emulator/scpi-digitizer-server.js';
import { ScpiInstrument } from '../../src/emulator/scpi-instrument.js';
import { handClock } from '../support/clock.js';
import { HandPort, HandStand } from '../support/scpi-stand.js';

function digitizer() {
  const clock = handClock();
  const port = new HandPort();
  const stand = new HandStand();
  port.listen(new ScpiInstrument(port, new ScpiDigitizer(stand, clock), clock));
  const noError = async () => {
    expect(await port.ask('SYST:ERR?')).toBe('0,"No error"\n');
  };
  return { clock, port, stand, noError };
}

/** Values of a reply that is one block of real32. */
function valuesOf(reply: Buffer, isLittleEndian: boolean): readonly number[] {
  const digits = Number(reply.toString('latin1', 1, 2));
  const length = Number(reply.toString('latin1', 2, 2 + digits));
  expect(reply.toString('latin1', 0, 1)).toBe('#');
  expect(reply.length).toBe(2 + digits + length + 1);
  expect(reply.at(-1)).toBe(10);
  const view = new DataView(reply.buffer, reply.byteOffset + 2 + digits, length);
  return Array.from({ length: length / 4 }, (_, i) => view.getFloat32(4 * i, isLittleEndian));
}

test('it says that it is simulated', async () => {
  expect(await digitizer().port.ask('*IDN?')).toMatch(/^SIMULATED,[^,]+,[^,]+,[^,]+\n$/u);
});

test('settings read back as they were set', async () => {
  const { port, noError } = digitizer();
  await port.ask('FORM REAL,32;:FORM:BORD SWAP;:SENS:SWE:RATE 20000;POIN 4000;:TRIG:SOUR EXT');
  expect(
    await port.ask('FORM?;FORM:BORD?;:SENS:SWE:RATE?;POIN?;:TRIG:SOUR?;:SENS:CHAN:COUN?'),
  ).toBe('REAL,32;SWAP;20000;4000;EXT;5\n');
  await noError();
});

test.each([
  ['SENS:SWE:RATE 48000', '-222'],
  ['SENS:SWE:POIN 0', '-222'],
  ['SENS:SWE:POIN 1E9', '-222'],
  ['FORM REAL,64', '-222'],
  ['TRIG:SOUR BUS', '-224'],
  ['ROUT:ANGL 7', '-222'],
  ['ROUT:FIXT LOOSE', '-224'],
  ['FETC? 0,10', '-230'],
  ['FETC? 0', '-109'],
  ['OUTP ON', '-113'],
])('%s is %s', async (message, number) => {
  const { port } = digitizer();
  expect(await port.ask(message)).toBe('');
  expect((await port.ask('SYST:ERR?')).startsWith(number)).toBe(true);
});

test('a sweep waits for its trigger, goes on, and ends', async () => {
  const { port, stand } = digitizer();
  await port.ask('SENS:SWE:POIN 400;:TRIG:SOUR EXT;:INIT');
  expect(stand.calls).toEqual(['arm 400 trigger']);
  expect(await port.ask('STAT:OPER:COND?;:SENS:DATA:COUN?;:SENS:CLOC?')).toBe('32;0;0\n');
  stand.take?.make(100);
  expect(await port.ask('STAT:OPER:COND?;:SENS:DATA:COUN?;:SENS:CLOC?')).toBe('8;100;5E-3\n');
  await port.ask('INIT');
  expect(await port.ask('SYST:ERR?')).toBe('-213,"Init ignored"\n');
  stand.take?.make(300);
  expect(await port.ask('STAT:OPER:COND?;:SENS:DATA:COUN?')).toBe('0;400\n');
});

test.each([true, false])(
  'samples come as volts, inputs interleaved, little-endian %s',
  async (isLittle) => {
    const { port, stand, noError } = digitizer();
    stand.value = (n, k) => [2, -3, 4, 48, 25][k] ?? 0 + n;
    await port.ask(`FORM REAL,32;:FORM:BORD ${isLittle ? 'SWAP' : 'NORM'};:SENS:SWE:POIN 2;:INIT`);
    stand.take?.make(2);
    port.say('FETC? 0,2\n');
    const volts = [1, -1, 2, 6, 1.25];
    expect(valuesOf(await port.heardBytes(), isLittle)).toEqual([...volts, ...volts]);
    await noError();
  },
);

test('in ASCII samples come as numbers, and none as 9.91E37', async () => {
  const { port, stand } = digitizer();
  stand.value = (_, k) => [2, -3, 4, 48, 24][k] ?? 0;
  await port.ask('SENS:SWE:POIN 1;:INIT');
  stand.take?.make(1);
  expect(await port.ask('FETC? 0,1')).toBe('1,-1,2,6,1.2000000476837158E+0\n');
  expect(await port.ask('FETC? 1,1')).toBe('9.91E37\n');
});

test('an input beyond ±10 V is cut off and told until the next sweep', async () => {
  const { port, stand } = digitizer();
  stand.value = (n, k) => (n === 1 && k === 2 ? -20.5 : 20);
  stand.channels = ['command', 'current', 'torque'];
  await port.ask('FORM REAL,32;:SENS:SWE:POIN 2;:INIT');
  stand.take?.make(2);
  expect(await port.ask('CALC:OVER?')).toBe('0\n');
  port.say('FETC? 1,1\n');
  expect(valuesOf(await port.heardBytes(), false)[2]).toBe(-10);
  expect(await port.ask('CALC:OVER?')).toBe('4\n');
  await port.ask('INIT');
  expect(await port.ask('CALC:OVER?')).toBe('0\n');
});

test('FETC? waits until all samples are there, or 100 ms, and then gives what is there', async () => {
  const { port, stand, clock } = digitizer();
  await port.ask('FORM REAL,32;:SENS:SWE:POIN 4000;:INIT');
  port.say('FETC? 0,400\n');
  stand.take?.make(399);
  expect(await port.heard()).toBe('');
  stand.take?.make(1);
  expect(valuesOf(await port.heardBytes(), false).length).toBe(2000);
  port.say('FETC? 400,400\n');
  stand.take?.make(100);
  await clock.advance(99);
  expect(await port.heard()).toBe('');
  await clock.advance(1);
  expect(valuesOf(await port.heardBytes(), false).length).toBe(500);
  port.say('FETC? 500,400\n');
  await clock.advance(100);
  expect(await port.heard()).toBe('#10\n');
});

test('reads that nobody waits for do not pile up in the stand', async () => {
  const { port, stand, clock } = digitizer();
  await port.ask('FORM REAL,32;:SENS:SWE:POIN 4000;:INIT');
  for (let i = 0; i < 20; i += 1) {
    port.say(`FETC? ${i},400\n`);
    await clock.advance(100);
    expect(await port.heard()).toBe('#10\n');
  }
  expect(stand.take?.reads).toEqual([[0, 400]]);
  port.say('FETC? 7,413\n');
  stand.take?.make(400);
  await port.heard();
  stand.take?.make(20);
  expect(valuesOf(await port.heardBytes(), false).length).toBe(413 * 5);
});

test('fewer samples come only at the end, then #10', async () => {
  const { port, stand } = digitizer();
  await port.ask('FORM REAL,32;:SENS:SWE:POIN 500;:INIT');
  stand.take?.make(500);
  port.say('FETC? 400,400\n');
  expect(valuesOf(await port.heardBytes(), false).length).toBe(500);
  expect(await port.ask('FETC? 500,400')).toBe('#10\n');
  expect(await port.ask('FETC? 8000000,400')).toBe('#10\n');
});

test('ABOR ends the sweep at once while FETC? waits, and what follows is in order', async () => {
  const { port, stand } = digitizer();
  await port.ask('FORM REAL,32;:SENS:SWE:POIN 4000;:INIT');
  const first = stand.take;
  first?.make(10);
  port.say('FETC? 0,400\nABOR;INIT;*OPC?\n');
  expect(first?.isOver).toBe(true);
  const reply = await port.heard();
  expect(reply.startsWith('#3200')).toBe(true);
  expect(reply.endsWith('\n1\n')).toBe(true);
  expect(stand.take).not.toBe(first);
  expect(stand.take?.isOver).toBe(false);
});

test('the end of the port ends the take', async () => {
  const { port, stand } = digitizer();
  await port.ask('INIT');
  port.hangUp();
  expect(stand.take?.isOver).toBe(true);
});

test('*RST ends the take and sets what holds after power on', async () => {
  const { port, stand } = digitizer();
  await port.ask('FORM REAL,32;:FORM:BORD SWAP;:SENS:SWE:POIN 7;:TRIG:SOUR EXT;:INIT;*RST');
  expect(stand.take?.isOver).toBe(true);
  expect(await port.ask('FORM?;FORM:BORD?;:SENS:SWE:POIN?;:TRIG:SOUR?')).toBe(
    'ASC,0;NORM;1024;IMM\n',
  );
});

test('the stand is arranged by keyword and angle, and *OPC? waits for it', async () => {
  const { port, stand, noError } = digitizer();
  let still = (): void => undefined;
  stand.gate = new Promise((resolve) => (still = resolve));
  port.say('ROUT:FIXT SHUNNEGATIVE;ANGL 0.5;*OPC?\n');
  expect(await port.heard()).toBe('');
  still();
  expect(await port.heard()).toBe('1\n');
  expect(stand.calls).toEqual(['arrange shunt-negative 0', 'arrange shunt-negative 0.5']);
  expect(await port.ask('ROUT:FIXT?;ANGL?')).toBe('SHUNN;5E-1\n');
  await noError();
  stand.refusal = problem('bench/capability', 'There is no fixture for that.', 'Choose another.');
  await port.ask('ROUT:FIXT TIM');
  expect(await port.ask('ROUT:FIXT?')).toBe('SHUNN\n');
  expect(await port.ask('SYST:ERR?')).toMatch(/^-221,.*There is no fixture/u);
});

test('surroundings are told, and what is not known is no value', async () => {
  const { port, stand } = digitizer();
  expect(await port.ask('SENS:TEMP?;HUM?;SUPP?;:SYST:UPT?;ADAP?')).toBe(
    '2.25E+1;4.5E-1;4.825E+1;9.91E37;"","",""\n',
  );
  stand.around = {
    ...stand.around,
    poweredFor: 3600,
    adapter: { id: 'A-1', kind: 'h12-shaft', serial: '7' },
  };
  expect(await port.ask('SYST:UPT?;ADAP?')).toBe('3600;"A-1","h12-shaft","7"\n');
});

test('a stand that hangs answers nothing', async () => {
  const { port, stand } = digitizer();
  stand.isHung = true;
  expect(await port.ask('*IDN?')).toBe('');
});

test('a rate of 100 kHz is told where the stand has it', async () => {
  const { port, stand } = digitizer();
  stand.rate = hertz(100_000);
  expect(await port.ask('SWE:RATE 1e5;RATE?')).toBe('100000\n');
});
