import fc from 'fast-check';
import { expect, test } from 'vitest';
import {
  type MessagePart,
  MessageReader,
  MOST_BLOCK,
  MOST_TEXT,
} from '../../src/emulator/scpi-message.js';

function partsOf(...chunks: readonly (string | Uint8Array)[]): readonly MessagePart[] {
  const parts: MessagePart[] = [];
  const reader = new MessageReader((part) => parts.push(part));
  for (const chunk of chunks) reader.push(bytesOf(chunk));
  return parts;
}

function bytesOf(text: string | Uint8Array): Uint8Array {
  return typeof text === 'string' ? Uint8Array.from(Buffer.from(text, 'latin1')) : text;
}

/** One word per part: header and parameters, or number of the error; `.` after the last of a message. */
function shown(parts: readonly MessagePart[]): string {
  const each = parts.map((part) => {
    const end = part.isLast ? '.' : ';';
    if (part.kind === 'empty') return end;
    if (part.kind === 'fault') return part.fault.number + end;
    const parameters = part.unit.parameters.map((p) => {
      if (p.kind === 'number') return String(p.value);
      return p.kind === 'block'
        ? `<${Buffer.from(p.bytes).toString('latin1')}>`
        : `${p.kind[0]}${p.text}`;
    });
    return [part.unit.header, ...parameters].join(' ') + end;
  });
  return each.join('');
}

test('a message of three units is read with its parameters', () => {
  const parts = partsOf('sour:arb:rate 1E3;silence 10 , 20;*OPC?\r\n');
  expect(shown(parts)).toBe('SOUR:ARB:RATE 1000;SOUR:ARB:SILENCE 10 20;*OPC?.');
});

test('a block may hold LF, semicolon and quotes', () => {
  expect(shown(partsOf('DATA #15\n;"\'#;X\n'))).toBe('DATA <\n;"\'#>;X.');
  expect(shown(partsOf('DATA #10;X\n'))).toBe('DATA <>;X.');
});

test('a block of indefinite length ends with LF and a pause, not with the first LF', () => {
  const parts: MessagePart[] = [];
  const reader = new MessageReader((part) => parts.push(part));
  reader.push(bytesOf('DATA #0ab\ncd'));
  reader.end();
  expect(reader.endsWithPause).toBe(false);
  expect(parts).toEqual([]);
  reader.push(bytesOf('ef\n'));
  expect(reader.endsWithPause).toBe(true);
  reader.end();
  expect(shown(parts)).toBe('DATA <ab\ncdef>.');
  expect(reader.isOpen).toBe(false);
});

test('any cut of a stream gives the same parts', () => {
  const stream = bytesOf(
    "*IDN?;:A:B 1,\"x;y\",'q''r';C?\nDATA #210;;;\n\n\n####;D\n\nE #9x\nF \"\nG 5V\n \r\nH\x80\n",
  );
  const whole = shown(partsOf(stream));
  expect(whole).toBe("*IDN?;A:B 1 sx;y sq'r;A:C?.DATA <;;;\n\n\n####>;D..-161.-151.-138..-101.");
  const cuts = fc.array(fc.integer({ min: 0, max: stream.length }), { maxLength: 12 });
  fc.assert(
    fc.property(cuts, (at) => {
      const edges = [0, ...at.sort((a, b) => a - b), stream.length];
      const chunks = edges.slice(1).map((to, i) => stream.slice(edges[i], to));
      expect(shown(partsOf(...chunks))).toBe(whole);
    }),
    { numRuns: 200 },
  );
});

test('garbage never throws, and a line after it is read', () => {
  fc.assert(
    fc.property(fc.uint8Array({ maxLength: 400 }), (bytes) => {
      const safe = bytes.map((byte) => (byte === 35 ? 36 : byte));
      expect(shown(partsOf(safe, '\n*IDN?\n'))).toMatch(/\*IDN\?\.$/u);
      expect(() => partsOf(bytes, '\n*IDN?\n')).not.toThrow();
    }),
    { numRuns: 200 },
  );
});

test('text above 64 kB is told once with −363, and the next message is read', () => {
  const half = `A "${'x'.repeat(MOST_TEXT / 2)}";`;
  const parts = partsOf(half, half, half, half, '\nB\n');
  expect(shown(parts).replace(/x+/gu, 'x')).toBe('A sx;-363;.B.');
});

test('exactly 64 kB of text are taken', () => {
  const text = `A "${'x'.repeat(MOST_TEXT - 4)}"`;
  expect(text.length).toBe(MOST_TEXT);
  expect(partsOf(text, '\n')[0]?.kind).toBe('unit');
});

test('a block of 32 MB in small pieces is taken, one byte more is −223 and skipped to its end', () => {
  const piece = new Uint8Array(2 ** 20).fill(10);
  const pieces = Array<Uint8Array>(32).fill(piece);
  const taken = partsOf(`DATA #8${MOST_BLOCK}`, ...pieces, ';B\n');
  expect(taken.map(({ kind }) => kind)).toEqual(['unit', 'unit']);
  const refused = partsOf(`DATA #8${MOST_BLOCK + 1}`, ...pieces, '\n;B\n');
  expect(shown(refused)).toBe('-223;B.');
});

test('a block of indefinite length above 32 MB is −223', () => {
  const parts: MessagePart[] = [];
  const reader = new MessageReader((part) => parts.push(part));
  reader.push(bytesOf('DATA #0'));
  for (let i = 0; i < 33; i += 1) reader.push(new Uint8Array(2 ** 20).fill(10));
  reader.end();
  expect(shown(parts)).toBe('-223.');
});

test('what is thrown away leaves nothing for the next message', () => {
  const parts: MessagePart[] = [];
  const reader = new MessageReader((part) => parts.push(part));
  reader.push(bytesOf('A:B;C #3100xyz'));
  expect(reader.isOpen).toBe(true);
  reader.discard();
  expect(reader.isOpen).toBe(false);
  reader.push(bytesOf('D #13abc\n'));
  expect(shown(parts)).toBe('A:B;D <abc>.');
});

test('blanks alone begin no message', () => {
  const reader = new MessageReader(() => undefined);
  reader.push(bytesOf(' \r\n \r'));
  expect(reader.isOpen).toBe(false);
});

test.each([
  [`${'1'.repeat(60_000)}x`, '-124'],
  [`A${':A'.repeat(16)}`, '-113'],
  ['A '.padEnd(60_002, '#10,'), '-109'],
  [`A ${'b'.repeat(13)}`, '-144'],
])('input made to be slow or long is refused', (text, number) => {
  const message = text.startsWith('A') ? text : `A ${text}`;
  expect(shown(partsOf(`${message}\n`))).toMatch(new RegExp(`^${number}`, 'u'));
});
