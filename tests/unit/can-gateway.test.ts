import fc from 'fast-check';
import { expect, test } from 'vitest';
import { CanGateway, type CanFrame } from '../../src/emulator/can-gateway.js';
import { CanHost } from '../support/can-host.js';

function gateway(open = true): { host: CanHost; gate: CanGateway; frames: CanFrame[] } {
  const host = new CanHost();
  const frames: CanFrame[] = [];
  const gate = new CanGateway(host.port, (frame) => frames.push(frame));
  host.port.listen({
    bytes: (chunk) => {
      gate.take(chunk);
    },
    closed: () => undefined,
  });
  if (open) host.type('O\r');
  host.forget();
  return { host, gate, frames };
}

test.each([
  ['S0\r', '\r'],
  ['S8\r', '\r'],
  ['S9\r', '\x07'],
  ['S\r', '\x07'],
  ['Z0\r', '\r'],
  ['Z1\r', '\x07'],
  ['O\r', '\r'],
  ['C\r', '\r'],
  ['V\r', 'V0100\r'],
  ['N\r', 'NSIMU\r'],
  ['t1230\r', '\x07'],
  ['\r', '\x07'],
  ['o\r', '\x07'],
  ['S6', ''],
])('closed, it answers %j with %j', (typed, answer) => {
  expect(gateway(false).host.type(typed)).toBe(answer);
});

test.each([
  ['t1230\r', 'z\r'],
  ['t7FF811223344556677AA\r', 'z\r'],
  ['t7ff2abCD\r', 'z\r'],
  ['S6\r', '\x07'],
  ['Z0\r', '\x07'],
  ['t8000\r', '\x07'],
  ['t1239112233445566778899\r', '\x07'],
  ['t123211\r', '\x07'],
  ['t12321122334455\r', '\x07'],
  ['t12311\r', '\x07'],
  ['t1231GG\r', '\x07'],
  ['T1230\r', '\x07'],
  ['T000001230\r', '\x07'],
  ['r1230\r', '\x07'],
  ['R000001230\r', '\x07'],
  ['t1230\n\r', '\x07'],
])('open, it answers %j with %j', (typed, answer) => {
  expect(gateway().host.type(typed)).toBe(answer);
});

test('a frame of 8 bytes reaches the bus with identifier 0x605', () => {
  const { host, frames } = gateway();
  host.type('t6058000102030405FEFF\r');
  expect(frames).toEqual([{ id: 0x605, data: Uint8Array.of(0, 1, 2, 3, 4, 5, 0xfe, 0xff) }]);
});

test('what is refused reaches nobody', () => {
  const { host, frames } = gateway();
  host.type('t8000\rT1230\rr1230\rt123211\rC\rt1230\r');
  expect(frames).toEqual([]);
});

test('a frame of the bus is told with three digits and capitals', () => {
  const { host, gate } = gateway();
  gate.send(0x80, []);
  gate.send(0x705, [0x0a]);
  gate.send(0x585, Uint8Array.of(1, 2, 3, 4, 5, 6, 7, 0xff));
  expect(host.text).toBe('t0800\rt70510A\rt585801020304050607FF\r');
});

test('after C nothing of the bus is told, after O it is again', () => {
  const { host, gate } = gateway();
  host.type('C\r');
  host.forget();
  gate.send(0x80, []);
  expect(host.text).toBe('');
  host.type('O\r');
  gate.send(0x80, []);
  expect(host.text).toBe('\rt0800\r');
});

test('a line of 1,000,000 characters is refused once, and the next one is taken', () => {
  const { host } = gateway();
  expect(host.type(`t1230${'0'.repeat(1_000_000)}\rt1230\r`)).toBe('\x07z\r');
});

test('a line of 33 characters that begins like a frame is no frame', () => {
  const { host, frames } = gateway();
  expect(host.type(`t1238${'00'.repeat(14)}\r`)).toBe('\x07');
  expect(frames).toEqual([]);
});

test('a port that takes nothing more does not end the gateway', async () => {
  const host = new CanHost();
  const port = { ...host.port, write: () => Promise.reject(new Error('closed')) };
  const frames: CanFrame[] = [];
  const gate = new CanGateway(port, (frame) => frames.push(frame));
  gate.take(Buffer.from('O\rt1230\r'));
  await Promise.resolve();
  expect(frames).toHaveLength(1);
});

const lines = fc.array(
  fc.oneof(
    fc.constantFrom('O', 'C', 'V', 'N', 'S6', 'Z0', ''),
    fc.string({ unit: 'binary', maxLength: 40 }),
    fc.stringMatching(/^[tTrR][0-9A-Fa-f]{4,24}$/u),
  ),
  { maxLength: 30 },
);

test('whatever is typed and however it is cut, each CR has one answer and each frame is a sound one', () => {
  fc.assert(
    fc.property(lines, fc.integer({ min: 1, max: 9 }), (typed, size) => {
      const bytes = Buffer.from(typed.map((line) => `${line}\r`).join(''), 'latin1');
      const whole = gateway();
      whole.host.bytes(bytes);
      const cut = gateway();
      for (let i = 0; i < bytes.length; i += size) cut.host.bytes(bytes.subarray(i, i + size));
      expect(cut.host.text).toBe(whole.host.text);
      expect(cut.frames).toEqual(whole.frames);
      const ends = [...bytes].filter((byte) => byte === 0x0d).length;
      expect(
        Array.from(whole.host.text).filter((one) => one === '\r' || one === '\x07'),
      ).toHaveLength(ends);
      for (const { id, data } of whole.frames)
        expect([id <= 0x7ff, data.length <= 8]).toEqual([true, true]);
    }),
    { numRuns: 200, seed: 1 },
  );
});
