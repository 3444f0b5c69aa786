import { expect, test } from 'vitest';
import { commandTable, numberText, plainly } from '../../src/emulator/scpi-command.js';
import { ScpiDigitizer } from '../../src/emulator/scpi-digitizer-server.js';
import { ScpiDrive } from '../../src/emulator/scpi-drive-server.js';
import { SCPI_ERRORS, type ScpiErrorNumber } from '../../src/emulator/scpi-fault.js';
import { type ScpiDevice, ScpiInstrument } from '../../src/emulator/scpi-instrument.js';
import { type MessagePart, MessageReader } from '../../src/emulator/scpi-message.js';
import { ScpiStatus } from '../../src/emulator/scpi-status.js';
import { handClock } from '../support/clock.js';
import { rowsOf } from '../support/rows.js';
import { HandPort, HandStand } from '../support/scpi-stand.js';

interface Row<I, E> {
  readonly inputs: I;
  readonly expected: E;
}

const row = rowsOf('scpi-instrument');
const forms = row('I-1') as unknown as Row<
  Record<'accepted' | 'refused', readonly string[]> & { readonly pattern: string },
  { readonly error: string }
>;
const paths = row('I-2') as unknown as Row<
  { readonly messages: readonly string[] },
  { readonly headers: readonly (readonly string[])[] }
>;
const data = row('I-3') as unknown as Row<
  { readonly written: readonly string[] },
  { readonly values: readonly (number | string)[] }
>;
const errors = row('I-4') as unknown as Row<
  { readonly messages: readonly string[] },
  { readonly errors: readonly string[] }
>;
const texts = row('I-5') as unknown as Row<
  { readonly numbers: readonly ScpiErrorNumber[] },
  { readonly texts: readonly string[]; readonly events: readonly number[] }
>;
const noValues = row('I-6') as unknown as Row<
  { readonly values: readonly string[] },
  { readonly written: readonly string[] }
>;
const trees = row('I-7') as unknown as Row<
  Record<'both' | 'digitizer' | 'drive', readonly string[]>,
  { readonly error: string }
>;

function headersOf(message: string): readonly string[] {
  return partsOf(message).flatMap((part) => (part.kind === 'unit' ? [part.unit.header] : []));
}

/** What is read from a message; the last byte comes with END. */
function partsOf(message: string): readonly MessagePart[] {
  const parts: MessagePart[] = [];
  const reader = new MessageReader((part) => parts.push(part));
  reader.push(Uint8Array.from(Buffer.from(`${message}\n`, 'latin1')));
  reader.end();
  return parts;
}

function instrument(device: (stand: HandStand) => ScpiDevice): HandPort {
  const port = new HandPort();
  port.listen(new ScpiInstrument(port, device(new HandStand()), handClock()));
  return port;
}

const digitizer = (): HandPort => instrument((stand) => new ScpiDigitizer(stand, handClock()));
const drive = (): HandPort => instrument((stand) => new ScpiDrive(stand));

const table = commandTable([[forms.inputs.pattern, plainly(() => '')]]);

test.each(forms.inputs.accepted)('%s is a header of its pattern', (written) => {
  expect(headersOf(written).map((header) => table.has(header))).toEqual([true]);
});

test.each(forms.inputs.refused)('%s is none, and the error says so', async (written) => {
  expect(headersOf(written).map((header) => table.has(header))).toEqual([false]);
  const port = digitizer();
  await port.ask(`${written} 5`);
  expect((await port.ask('SYST:ERR?')).split(',')[0]).toBe(forms.expected.error);
});

test.each(paths.inputs.messages.map((m, i) => [m, paths.expected.headers[i]] as const))(
  'headers of %j',
  (message, headers) => {
    expect(headersOf(message)).toEqual(headers);
  },
);

test.each(data.inputs.written.map((w, i) => [w, data.expected.values[i]] as const))(
  'parameter %j',
  (written, value) => {
    const isOpenEnded = written.startsWith('#0');
    const parts = partsOf(`X ${isOpenEnded ? written.slice(0, -1) : written}`);
    const values = parts.flatMap((part) => (part.kind === 'unit' ? part.unit.parameters : []));
    const shown = values.map((p) => {
      if (p.kind === 'number') return p.value;
      return p.kind === 'block' ? Buffer.from(p.bytes).toString('latin1') : p.text;
    });
    expect(shown).toEqual([value]);
  },
);

test.each(errors.inputs.messages.map((m, i) => [m, errors.expected.errors[i]] as const))(
  'error of %j is %s',
  async (message, error) => {
    const port = digitizer();
    port.say(Buffer.from(`${message}\n`, 'latin1'));
    expect((await port.ask('SYST:ERR?')).split(',')[0]).toBe(error);
    expect(await port.ask('SYST:ERR?')).toBe('0,"No error"\n');
  },
);

test('texts of errors, and the events they are', () => {
  const { numbers } = texts.inputs;
  expect(numbers.map((number) => SCPI_ERRORS[number])).toEqual(texts.expected.texts);
  const events = numbers.map((number) => {
    const status = new ScpiStatus();
    status.clear();
    status.tell({ number, detail: '' });
    return status.takeEvents();
  });
  expect(events).toEqual(texts.expected.events);
});

test('what stands for no value', () => {
  expect(noValues.inputs.values.map(Number).map(numberText)).toEqual(noValues.expected.written);
});

test.each(['digitizer', 'drive'] as const)('every header of the %s is known', async (role) => {
  const port = role === 'drive' ? drive() : digitizer();
  for (const message of [...trees.inputs.both, ...trees.inputs[role]]) {
    // Settings of the output cannot change while it is on.
    if (/^OUTP:(LIM|WATC) /u.test(message)) await port.ask('OUTP OFF');
    port.say(Buffer.from(`${message}\n`, 'latin1'));
    const reply = await port.heard();
    expect([message, reply !== '']).toEqual([message, message.includes('?')]);
    expect([message, await port.ask('SYST:ERR?')]).toEqual([message, `${trees.expected.error}\n`]);
  }
});
