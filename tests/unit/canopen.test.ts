import { expect, test } from 'vitest';
import { CanBus } from '../../src/link/can-bus.js';
import {
  EmergencyQueue,
  emergencyOf,
  errorText,
  HeartbeatWatch,
  mappingEntry,
  nodeStateOf,
  numberBytes,
  numberOf,
  readNumber,
  readText,
  setNumber,
  setPdo,
} from '../../src/link/canopen.js';
import { SdoClient } from '../../src/link/sdo.js';
import { handClock } from '../support/clock.js';
import { memoryPort, ScriptedDrive } from '../support/scripted-drive.js';

async function device(): Promise<{ drive: ScriptedDrive; sdo: SdoClient }> {
  const drive = new ScriptedDrive();
  const clock = handClock();
  const bus = await CanBus.open(memoryPort(drive), 500_000, clock);
  return { drive, sdo: new SdoClient(bus, 5, clock) };
}

test('numbers go through their bytes with sign', () => {
  expect(numberOf(numberBytes(-350, 'i16'), 'i16')).toBe(-350);
  expect(numberOf(numberBytes(0x8000_0205, 'u32'), 'u32')).toBe(0x8000_0205);
  expect(numberOf(numberBytes(-1, 'i8'), 'u8')).toBe(255);
  expect(numberOf(Uint8Array.of(1, 2, 3), 'u32')).toBeUndefined();
});

test('a PDO is off while its mapping changes and on at the end', async () => {
  const { drive, sdo } = await device();
  await setPdo(sdo, {
    index: 0x1400,
    id: 0x205,
    type: 1,
    objects: [
      { key: 0x6040_00, bits: 16 },
      { key: 0x6071_00, bits: 16 },
    ],
  });
  expect(drive.written.map(({ key, value }) => [key.toString(16), value.toString(16)])).toEqual([
    ['140001', '80000205'],
    ['140002', '1'],
    ['160000', '0'],
    ['160001', '60400010'],
    ['160002', '60710010'],
    ['160000', '2'],
    ['140001', '205'],
  ]);
});

test('a drive that keeps another transmission type is link/read-back', async () => {
  const { drive, sdo } = await device();
  drive.onWrite = (key, value) => (key === 0x1400_02 ? 255 : value);
  const pdo = { index: 0x1400, id: 0x205, type: 1, objects: [] };
  await expect(setPdo(sdo, pdo)).rejects.toThrow('1400:02 was set to 1, but reads back 255');
});

test('an identifier may come back with its bit 30 set', async () => {
  const { drive, sdo } = await device();
  drive.onWrite = (key, value) => (key === 0x1800_01 ? value + 0x4000_0000 : value);
  await setPdo(sdo, { index: 0x1800, id: 0x185, type: 10, objects: [] });
  expect(drive.value(0x1800_01)).toBe(0x4000_0185);
});

test('a number of another width is garbled, one that does not hold is link/read-back', async () => {
  const { drive, sdo } = await device();
  await expect(readNumber(sdo, { key: 0x6072_00, width: 'u32' })).rejects.toThrow('link/garbled');
  drive.onWrite = () => 5;
  const object = { key: 0x6072_00, width: 'u16' } as const;
  await expect(setNumber(sdo, object, 6)).rejects.toThrow('was set to 6, but reads back 5');
});

test('texts lose zeros at their end, and control characters are garbled', async () => {
  const { drive, sdo } = await device();
  drive.texts.set(0x2102_00, 'H12\0\0');
  expect(await readText(sdo, 0x2102_00)).toBe('H12');
  drive.texts.set(0x2102_00, 'H\x1b12');
  await expect(readText(sdo, 0x2102_00)).rejects.toThrow('link/garbled');
});

test('a heartbeat tells the state, with or without its toggle bit, and ages', () => {
  const watch = new HeartbeatWatch();
  expect(watch.age(10)).toBe(Number.POSITIVE_INFINITY);
  expect(watch.hear(Uint8Array.of(0x85), 100)).toBe('operational');
  expect(watch.hear(Uint8Array.of(1, 2), 150)).toBeUndefined();
  expect(watch.age(130)).toBe(30);
  expect(nodeStateOf(Uint8Array.of(0x33))).toBeUndefined();
});

test('8 emergencies are kept, of 1000 only the count', () => {
  const queue = new EmergencyQueue();
  for (let i = 0; i < 1000; i++) queue.push({ code: 0x8130 + i, register: 1 });
  expect(queue.first?.code).toBe(0x8130);
  expect(queue.text).toContain('EMCY 0x8130 heartbeat of the host lost, error register 1;');
  expect(queue.text).toMatch(/; 992 more$/u);
  queue.clear();
  expect(queue.text).toBe('');
});

test('an emergency has 8 bytes; codes print their class', () => {
  expect(emergencyOf(Uint8Array.of(0x30, 0x81))).toBeUndefined();
  expect(errorText(0x3210)).toBe('0x3210 voltage');
  expect(errorText(0xff13)).toBe('0xFF13 error of the maker');
  expect(mappingEntry(0x6071_00, 16)).toBe(0x6071_0010);
});
