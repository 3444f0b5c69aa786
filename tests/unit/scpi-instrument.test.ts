import { expect, test } from 'vitest';
import { problem } from '../../src/bench/refusal.js';
import { type CommandList, plainly } from '../../src/emulator/scpi-command.js';
import {
  MOST_WAITING,
  OPERATION_DEADLINE,
  PAUSE,
  ScpiInstrument,
  UNTERMINATED,
} from '../../src/emulator/scpi-instrument.js';
import { handClock } from '../support/clock.js';
import { HandPort, settled } from '../support/scpi-stand.js';

/** An instrument with commands that take as long as a test wants. */
function instrument() {
  const clock = handClock();
  const port = new HandPort();
  const done: string[] = [];
  const opened: (() => void)[] = [];
  const gate = () => new Promise<void>((resolve) => opened.push(resolve));
  const commands: CommandList = [
    [
      'DO',
      (p) => {
        const n = p.whole(0, 9);
        return { run: () => void done.push(`do ${n}`) };
      },
    ],
    ['WAIT?', plainly(() => gate().then(() => 'waited'))],
    ['BEGin', plainly(() => ({ goesOn: gate() }))],
    [
      'FAIL',
      plainly(() => {
        throw problem('bench/interlock', 'The guard is "open"; 3 N·m.', 'Close it.');
      }),
    ],
    [
      'FAIL:LATer',
      plainly(() => Promise.reject(problem('link/closed', 'It hung up.', 'Call it.'))),
    ],
    [
      'BUG',
      plainly(() => {
        throw new Error('ours');
      }),
    ],
    ['FEED', () => ({ run: () => void done.push('feed'), overtakes: 'once' })],
    ['OFF', () => ({ run: () => void done.push('off'), overtakes: 'again' })],
    [
      'DATA',
      (p) => {
        const bytes = p.block();
        return { run: () => void done.push(`data ${bytes.length}`) };
      },
    ],
  ];
  const device = {
    identity: 'SIMULATED,a,b,c',
    commands,
    reset: () => void done.push('reset'),
    gone: (reason: string) => void done.push(`gone ${reason}`),
    isHung: false,
  };
  port.listen(new ScpiInstrument(port, device, clock));
  const open = (): void => opened.shift()?.();
  return { clock, port, done, open, device };
}

test('replies of one message are joined with ; and end with LF', async () => {
  const { port } = instrument();
  expect(await port.ask('*IDN?;DO 1;*TST?')).toBe('SIMULATED,a,b,c;0\n');
  expect(await port.ask('*TST?;DO 1')).toBe('0\n');
  expect(await port.ask('DO 1')).toBe('');
});

test('an error is told once, with its detail, and then there is none', async () => {
  const { port } = instrument();
  await port.ask('FOO:BAR 1');
  expect(await port.ask('SYST:ERR?')).toBe('-113,"Undefined header;FOO:BAR"\n');
  expect(await port.ask('SYSTEM:ERROR:NEXT?')).toBe('0,"No error"\n');
});

test('the queue holds 20 errors; the last says that more were lost', async () => {
  const { port } = instrument();
  for (let i = 0; i < 25; i += 1) port.say('FOO\n');
  expect(await port.ask('SYST:ERR:COUN?')).toBe('20\n');
  const told = await port.ask(Array<string>(21).fill(':SYST:ERR?').join(';'));
  const numbers = told
    .trim()
    .split(';')
    .filter((t) => /^-?\d/u.test(t))
    .map((t) => t.split(',')[0]);
  expect(numbers).toEqual([...Array<string>(19).fill('-113'), '-350', '0']);
});

test('what the stand refuses is −221 or −200 with its sentence, a defect −310, and all is answered on', async () => {
  const { port } = instrument();
  await port.ask('FAIL');
  await port.ask('FAIL:LAT');
  await port.ask('BUG');
  expect(await port.ask('SYST:ERR?;:SYST:ERR?;:SYST:ERR?')).toBe(
    '-221,"Settings conflict;The guard is ""open""; 3 N.m.";-200,"Execution error;It hung up.";-310,"System error;Error: ours"\n',
  );
});

test('after an error what is left of its message is not done, but questions are answered', async () => {
  const { port, done } = instrument();
  expect(await port.ask('DO 1;DO 12;DO 2;*TST?;OFF')).toBe('0\n');
  await port.ask('DO 3');
  expect(done).toEqual(['do 1', 'off', 'off', 'do 3']);
});

test('events are kept until they are read, and *STB? says that errors and wanted events wait', async () => {
  const { port } = instrument();
  expect(await port.ask('*ESR?;*ESR?')).toBe('128;0\n');
  await port.ask('*ESE 32;*SRE 36');
  await port.ask('FOO');
  expect(await port.ask('*STB?')).toBe('100\n');
  expect(await port.ask('*ESR?')).toBe('32\n');
  expect(await port.ask('*STB?')).toBe('68\n');
  await port.ask('*CLS');
  expect(await port.ask('*STB?;*ESE?;*SRE?')).toBe('0;32;36\n');
  await port.ask('*OPC');
  expect(await port.ask('*ESR?')).toBe('1\n');
});

test('*OPC? waits for what goes on, and messages queue behind it in their order', async () => {
  const { port, done, open } = instrument();
  port.say('BEG;*OPC\n*ESR?\n*OPC?\nDO 1\n*TST?\n');
  expect(await port.heard()).toBe('128\n');
  expect(done).toEqual([]);
  open();
  expect(await port.heard()).toBe('1\n0\n');
  expect(done).toEqual(['do 1']);
  expect(await port.ask('*ESR?')).toBe('1\n');
});

test('an operation that never ends is −200 after 10 s, and the next message is answered', async () => {
  const { port, clock } = instrument();
  port.say('WAIT?\n*TST?\n');
  await clock.advance(OPERATION_DEADLINE - 100);
  expect(await port.heard()).toBe('');
  await clock.advance(200);
  expect(await port.heard()).toBe('0\n');
  expect(await port.ask('SYST:ERR?')).toBe('-200,"Execution error;not done within 10000 ms"\n');
});

test('feeds overtake and act once; what takes torque away acts at once and again in its place', async () => {
  const { port, done, open } = instrument();
  port.say('WAIT?\nDO 1\nFEED\nOFF;FEED\n');
  expect(done).toEqual(['feed', 'off', 'feed']);
  open();
  expect(await port.heard()).toBe('waited\n');
  expect(done).toEqual(['feed', 'off', 'feed', 'do 1', 'off']);
});

test('a thousand feeds while a question waits take no room', async () => {
  const { port, done, open } = instrument();
  port.say('WAIT?\n');
  for (let i = 0; i < 1000; i += 1) port.say('FEED\n');
  expect(done.length).toBe(1000);
  open();
  expect(await port.heard()).toBe('waited\n');
  expect(await port.ask('SYST:ERR?')).toBe('0,"No error"\n');
});

test(`more than ${MOST_WAITING} commands behind one that waits are −363, and none of them is done`, async () => {
  const { port, done, open } = instrument();
  port.say('WAIT?\n');
  for (let i = 0; i < MOST_WAITING; i += 1) port.say('DO 1\n');
  port.say('DO 2;DO 3;OFF;*TST?\nDO 4\n');
  open();
  expect(await port.heard()).toBe('waited\n');
  expect(done).toEqual(['off', 'do 4']);
  expect(await port.ask('SYST:ERR?')).toMatch(/^-363,/u);
});

test('more than 32 MB of blocks behind a command that waits are −363', async () => {
  const { port, done, open } = instrument();
  const half = Buffer.concat([
    Buffer.from('DATA #820000000'),
    Buffer.alloc(20_000_000),
    Buffer.from('\n'),
  ]);
  port.say('WAIT?\n');
  port.say(half);
  port.say(half);
  open();
  await port.heard();
  expect(done).toEqual([]);
  expect(await port.ask('SYST:ERR?')).toMatch(/^-363,/u);
});

test('questions that back up behind a reply that is not taken are −410', async () => {
  const { port } = instrument();
  let take = (): void => undefined;
  port.hold = new Promise((resolve) => (take = resolve));
  for (let i = 0; i < MOST_WAITING + 2; i += 1) port.say('*TST?\n');
  take();
  expect(await port.heard()).toBe('0\n');
  expect(await port.ask('*ESR?')).toBe('132\n'); // power on, and a query error
  expect(await port.ask('SYST:ERR?')).toMatch(/^-410,"Query INTERRUPTED/u);
});

test('a message without its end is −420 after 2 s, and the next one is read from its begin', async () => {
  const { port, clock } = instrument();
  port.say('*TST?;DO');
  await clock.advance(UNTERMINATED - PAUSE);
  expect(await port.heard()).toBe('0');
  await clock.advance(2 * PAUSE);
  expect(await port.heard()).toBe('\n');
  expect(await port.ask('SYST:ERR?')).toBe('-420,"Query UNTERMINATED;no end within 2000 ms"\n');
});

test('a block of indefinite length ends after LF and 50 ms of silence', async () => {
  const { port, clock, done } = instrument();
  port.say('DATA #0ab\n');
  await clock.advance(PAUSE / 2);
  port.say('cd\n');
  await clock.advance(PAUSE / 2);
  expect(done).toEqual([]);
  await clock.advance(2 * PAUSE);
  expect(done).toEqual(['data 5']);
});

test('an instrument that hangs takes nothing in and answers nothing, also not half a message later', async () => {
  const { port, device, done, open } = instrument();
  port.say('WAIT?\n');
  device.isHung = true;
  open();
  port.say('DO 1;DO 2;');
  expect(await port.heard()).toBe('');
  device.isHung = false;
  port.say('DO 3\nDO 4\n');
  await settled();
  expect(done).toEqual(['do 4']);
  expect(await port.ask('*TST?')).toBe('0\n');
});

test('the end of the port is told once, and nothing is done after it', async () => {
  const { port, done, open } = instrument();
  port.say('WAIT?\nDO 1\n');
  port.hangUp('end of file');
  port.hangUp('again');
  open();
  port.say('DO 2\n');
  expect(await port.heard()).toBe('');
  expect(done).toEqual(['gone tcp hand:5025: end of file']);
});

test('a peer that takes no bytes is hung up on', async () => {
  const { port, done } = instrument();
  port.hold = Promise.reject(problem('link/stalled', 'Nothing taken for 250 ms.', 'Look.'));
  await port.ask('*TST?');
  expect(port.isClosed).toBe(true);
  expect(done).toEqual(['gone tcp hand:5025: Nothing taken for 250 ms.']);
});
