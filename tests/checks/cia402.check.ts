import { expect, test } from 'vitest';
import { handClock } from '../support/clock.js';
import { ABORT_TEXTS, SdoClient } from '../../src/link/sdo.js';
import { COB, emergencyOf, errorText, mappingEntry, nodeCommand } from '../../src/link/canopen.js';
import {
  after,
  COMMANDS,
  CONTROLWORDS,
  DRIVE_STATES,
  stateOf,
  type DriveCommand,
  type DriveState,
} from '../../src/link/cia402.js';
import {
  bitRateCommand,
  encodeFrame,
  SlcanDecoder,
  type GatewayWord,
} from '../../src/link/slcan.js';
import rows from './cia402.json' with { type: 'json' };

/**
 * Values published in CiA 301, CiA 402 / IEC 61800-7-201 and descriptions of SLCAN, written down from
 * memory; none of the documents was opened. Tolerance 0: a code is the same or another.
 */

for (const [pattern = '', state = ''] of rows.statuswords) {
  test(`statusword ${pattern} is "${state}": CiA 402, statusword (from memory)`, () => {
    const free = Array.from(pattern).filter((bit) => bit === 'x').length;
    for (let i = 0; i < 2 ** free; i++) {
      let taken = i;
      const bits = pattern.replaceAll(' ', '').replaceAll('x', () => {
        const bit = taken & 1;
        taken >>= 1;
        return String(bit);
      });
      expect(stateOf(Number.parseInt(bits, 2))).toBe(state);
    }
  });
}

for (const [pattern = '', command = ''] of rows.controlwords) {
  test(`controlword ${pattern} is "${command}": CiA 402, controlword (from memory)`, () => {
    const word = CONTROLWORDS[command as DriveCommand];
    const bits = word.toString(2).padStart(8, '0');
    const isOf = Array.from(pattern.replaceAll(' ', '')).every(
      (bit, i) => bit === 'x' || bit === bits[i],
    );
    expect([word >> 8, isOf]).toEqual([0, true]);
  });
}

test('every command in every state leads where the published transitions lead, and nowhere else', () => {
  const published = new Map(
    rows.transitions.flatMap(({ from, commands, to }) =>
      commands.map((one): [string, string] => [`${from} | ${one}`, to]),
    ),
  );
  const found = DRIVE_STATES.flatMap((state: DriveState) =>
    COMMANDS.map((command) => [`${state} | ${command}`, after(state, command)] as const),
  ).filter(([key, to]) => !key.startsWith(`${to} |`));
  expect(new Map(found)).toEqual(published);
});

test('SDO abort codes have the published meanings: CiA 301 (from memory)', () => {
  for (const [code = '', words = ''] of rows.aborts) {
    expect([code, ABORT_TEXTS.get(Number.parseInt(code, 16))]).toEqual([code, words]);
  }
});

test('identifiers of node 5 are those of the predefined connection set: CiA 301 (from memory)', () => {
  const { nmt, sync } = COB;
  expect({ nmt, sync }).toEqual({ nmt: 0x000, sync: 0x080 });
  const { emergency, tpdo1, rpdo1, sdoAnswer, sdoRequest, heartbeat } = COB;
  const of5 = [emergency, tpdo1, rpdo1, sdoAnswer, sdoRequest, heartbeat].map((of) => of(5));
  expect(of5).toEqual([0x085, 0x185, 0x205, 0x585, 0x605, 0x705]);
});

test('NMT commands have the published numbers: CiA 301 (from memory)', () => {
  const commands = [
    'start',
    'stop',
    'pre-operational',
    'reset node',
    'reset communication',
  ] as const;
  expect(commands.map((one) => [...nodeCommand(one, 5)])).toEqual([
    [0x01, 5],
    [0x02, 5],
    [0x80, 5],
    [0x81, 5],
    [0x82, 5],
  ]);
});

test('an emergency is error code, error register, five bytes of the maker: CiA 301 (from memory)', () => {
  const told = emergencyOf(Uint8Array.of(0x30, 0x81, 0x11, 0, 0, 0, 0, 0));
  expect(told).toEqual({ code: 0x8130, register: 0x11 });
  expect(errorText(0x8130)).toBe('0x8130 heartbeat of the host lost');
  expect(errorText(0x8311)).toBe('0x8311 excess torque');
});

test('a mapping entry is index, subindex, bits: CiA 301 (from memory)', () => {
  expect(mappingEntry(0x6041_00, 16)).toBe(0x6041_0010);
});

test('SDO requests have the published command bytes: CiA 301 (from memory)', () => {
  const sent: string[] = [];
  const bus = {
    name: 'a bus',
    failure: undefined,
    isGone: false,
    on: () => undefined,
    onFailure: () => undefined,
    send: (_id: number, data: Uint8Array) => sent.push(Buffer.from(data).toString('hex')),
  };
  const ask = (act: (sdo: SdoClient) => Promise<unknown>): void => {
    void act(new SdoClient(bus, 5, handClock()));
  };
  ask((sdo) => sdo.upload(0x1018_01));
  ask((sdo) => sdo.download(0x1017_00, Uint8Array.of(0xe8, 0x03)));
  ask((sdo) => sdo.download(0x6060_00, Uint8Array.of(0x04)));
  ask((sdo) => sdo.download(0x1006_00, Uint8Array.of(0xe8, 0x03, 0, 0)));
  ask((sdo) => sdo.download(0x2107_00, new Uint8Array(300)));
  return new Promise<void>((resolve) => setImmediate(resolve)).then(() => {
    expect(sent).toEqual([
      '4018100100000000',
      '2b171000e8030000',
      '2f60600004000000',
      '23061000e8030000',
      '210721002c010000',
    ]);
  });
});

for (const { line, id, data, kind } of rows.frames) {
  test(`${line} is a frame both ways: SLCAN (from memory)`, () => {
    const extended = kind.includes('extended') ? ({ isExtended: true } as const) : {};
    const frame = kind.includes('remote')
      ? { id, data: new Uint8Array(0), ...extended, remote: 3 }
      : { id, data: Uint8Array.from(data), ...extended };
    expect(Buffer.from(encodeFrame(frame)).toString('latin1')).toBe(`${line}\r`);
    const words: GatewayWord[] = [];
    new SlcanDecoder((word) => words.push(word)).push(Buffer.from(`${line}\r`, 'latin1'));
    expect(words).toEqual([{ kind: 'frame', frame }]);
  });
}

test('S0 … S8 are 10, 20, 50, 100, 125, 250, 500, 800 kbit/s and 1 Mbit/s: SLCAN (from memory)', () => {
  const rates = [10, 20, 50, 100, 125, 250, 500, 800, 1000].map((rate) =>
    bitRateCommand(1000 * rate),
  );
  expect(rates).toEqual(['S0', 'S1', 'S2', 'S3', 'S4', 'S5', 'S6', 'S7', 'S8']);
  expect(bitRateCommand(83_333)).toBeUndefined();
});
