import { unreachable } from '../base/error.js';
import { failureOf } from './can-bus.js';
import { objectText, type ObjectKey, type SdoClient } from './sdo.js';

/**
 * Identifiers of the frames of a node, in the set that every node begins with.
 *
 * Source: CiA 301, predefined connection set, from memory. Check: tests/checks/cia402.check.ts.
 */
export const COB = {
  nmt: 0x000,
  sync: 0x080,
  emergency: (node: number): number => 0x080 + node,
  tpdo1: (node: number): number => 0x180 + node,
  rpdo1: (node: number): number => 0x200 + node,
  sdoAnswer: (node: number): number => 0x580 + node,
  sdoRequest: (node: number): number => 0x600 + node,
  heartbeat: (node: number): number => 0x700 + node,
} as const;

/** Bit of a PDO's identifier that says it is off. */
const PDO_OFF = 0x8000_0000;
/** What of a PDO's identifier is compared: whether it is on, and the identifier. */
const PDO_KNOWN = 0x8000_07ff;
/** Bit of 0x1005 that makes the device produce SYNC. */
export const PRODUCES_SYNC = 0x4000_0000;

export type NodeCommand =
  'start' | 'stop' | 'pre-operational' | 'reset node' | 'reset communication';
export type NodeState = 'boot-up' | 'stopped' | 'operational' | 'pre-operational';

/** Makes the data of an NMT frame. Source: CiA 301, NMT, from memory. Check: tests/checks/cia402.check.ts. */
export function nodeCommand(command: NodeCommand, node: number): Uint8Array {
  return Uint8Array.of(commandByte(command), node);
}

function commandByte(command: NodeCommand): number {
  switch (command) {
    case 'start':
      return 0x01;
    case 'stop':
      return 0x02;
    case 'pre-operational':
      return 0x80;
    case 'reset node':
      return 0x81;
    case 'reset communication':
      return 0x82;
    default:
      return unreachable(command);
  }
}

/** The heartbeat of a node that is operational. */
export const ALIVE = Uint8Array.of(0x05);

/** Reads a heartbeat; undefined when it is none. Source: CiA 301, heartbeat, from memory. */
export function nodeStateOf(data: Uint8Array): NodeState | undefined {
  if (data.length !== 1) return undefined;
  switch ((data[0] ?? 0) & 0x7f) {
    case 0x00:
      return 'boot-up';
    case 0x04:
      return 'stopped';
    case 0x05:
      return 'operational';
    case 0x7f:
      return 'pre-operational';
    default:
      return undefined;
  }
}

/** What a node last said of its state, and when. */
export class HeartbeatWatch {
  state: NodeState | undefined;
  private at = Number.NEGATIVE_INFINITY;

  /** @param now - ms of a monotonic clock. */
  hear(data: Uint8Array, now: number): NodeState | undefined {
    const state = nodeStateOf(data);
    if (state === undefined) return undefined;
    this.state = state;
    this.at = now;
    return state;
  }

  /** ms since the last one. */
  age(now: number): number {
    return now - this.at;
  }
}

/** What a device says when something is wrong. */
export interface Emergency {
  /** 0 says that all errors are gone. */
  readonly code: number;
  /** Object 0x1001. */
  readonly register: number;
}

/** Reads an emergency; undefined when it is none. Source: CiA 301, EMCY, from memory. Check: tests/checks/cia402.check.ts. */
export function emergencyOf(data: Uint8Array): Emergency | undefined {
  if (data.length !== 8) return undefined;
  const [low = 0, high = 0, register = 0] = data;
  return { code: (high << 8) | low, register };
}

/** Most particular first. Source: CiA 301, emergency error codes, from memory. */
const EMERGENCY_TEXTS: readonly (readonly [number, number, string])[] = [
  [0xffff, 0x8110, 'CAN overrun'],
  [0xffff, 0x8120, 'CAN in error passive mode'],
  [0xffff, 0x8130, 'heartbeat of the host lost'],
  [0xffff, 0x8140, 'recovered from bus-off'],
  [0xffff, 0x8210, 'PDO not processed because of its length'],
  [0xffff, 0x8220, 'PDO too long'],
  [0xffff, 0x8311, 'excess torque'],
  [0xff00, 0x1000, 'generic error'],
  [0xff00, 0x8100, 'communication'],
  [0xff00, 0x8200, 'protocol error'],
  [0xff00, 0x9000, 'external error'],
  [0xff00, 0xf000, 'additional functions'],
  [0xff00, 0xff00, 'error of the maker'],
  [0xf000, 0x2000, 'current'],
  [0xf000, 0x3000, 'voltage'],
  [0xf000, 0x4000, 'temperature'],
  [0xf000, 0x5000, 'hardware of the device'],
  [0xf000, 0x6000, 'software of the device'],
  [0xf000, 0x7000, 'additional modules'],
  [0xf000, 0x8000, 'monitoring'],
];

/** Prints an error code with what its class means, e.g. `0x8130 heartbeat of the host lost`. */
export function errorText(code: number): string {
  const found = EMERGENCY_TEXTS.find(([mask, bits]) => (code & mask) === bits);
  const words = found?.[2] ?? 'of no known class';
  return `0x${code.toString(16).toUpperCase().padStart(4, '0')} ${words}`;
}

/** Emergencies that came, oldest first: the first few stay, of the others only the count. */
export class EmergencyQueue {
  static readonly most = 8;
  private readonly kept: Emergency[] = [];
  private more = 0;

  push(emergency: Emergency): void {
    if (this.kept.length < EmergencyQueue.most) this.kept.push(emergency);
    else this.more += 1;
  }

  clear(): void {
    this.kept.length = 0;
    this.more = 0;
  }

  get first(): Emergency | undefined {
    return this.kept[0];
  }

  get text(): string {
    const told = this.kept.map(
      ({ code, register }) => `EMCY ${errorText(code)}, error register ${register}`,
    );
    return [...told, ...(this.more > 0 ? [`${this.more} more`] : [])].join('; ');
  }
}

/** Bits of a number in a dictionary; those with a sign say so. */
export type Width = 'u8' | 'i8' | 'u16' | 'i16' | 'u32';

const BYTES: Readonly<Record<Width, number>> = { u8: 1, i8: 1, u16: 2, i16: 2, u32: 4 };

/** Writes a number, lowest byte first. */
export function numberBytes(value: number, width: Width): Uint8Array {
  const bytes = new Uint8Array(4);
  new DataView(bytes.buffer).setUint32(0, value >>> 0, true);
  return bytes.slice(0, BYTES[width]);
}

/** Reads a number, lowest byte first; undefined when the bytes are not of that width. */
export function numberOf(bytes: Uint8Array, width: Width): number | undefined {
  if (bytes.length !== BYTES[width]) return undefined;
  const bits = 8 * bytes.length;
  const value = bytes.reduceRight((sum, byte) => sum * 256 + byte, 0);
  return width.startsWith('i') && value >= 2 ** (bits - 1) ? value - 2 ** bits : value;
}

/** A number in a dictionary. */
export interface NumberObject {
  readonly key: ObjectKey;
  readonly width: Width;
}

/** Reads a number. @throws link/garbled when it has another width, and what `upload` throws. */
export async function readNumber(sdo: SdoClient, { key, width }: NumberObject): Promise<number> {
  const bytes = await sdo.upload(key);
  const value = numberOf(bytes, width);
  if (value !== undefined) return value;
  const what = `Object ${objectText(key)} has ${bytes.length} bytes, but must have ${BYTES[width]}.`;
  throw failureOf('link/garbled', what, 'Check the objects in the bench description.');
}

/** Longest text that a device may have, characters. */
const LONGEST_TEXT = 200;

/** Reads a text of printable ASCII. @throws link/garbled, and what `upload` throws. */
export async function readText(sdo: SdoClient, key: ObjectKey): Promise<string> {
  const bytes = await sdo.upload(key);
  const text = String.fromCharCode(...bytes).replace(/\0+$/u, '');
  if (text.length <= LONGEST_TEXT && /^[ -~]*$/u.test(text)) return text.trim();
  const told = JSON.stringify(text.slice(0, 40));
  const what = `Object ${objectText(key)} is ${told} of ${text.length} characters, which is no text.`;
  throw failureOf('link/garbled', what, 'Check the objects in the bench description.');
}

/** Writes a number and reads it back. @returns What the device holds, whatever it is. */
export async function writeNumber(
  sdo: SdoClient,
  object: NumberObject,
  value: number,
): Promise<number> {
  await sdo.download(object.key, numberBytes(value, object.width));
  return readNumber(sdo, object);
}

/**
 * Writes a number that must hold as it is.
 *
 * @param known - Bits that are compared; all where left out.
 * @throws link/read-back, and what `upload` and `download` throw.
 */
export async function setNumber(
  sdo: SdoClient,
  object: NumberObject,
  value: number,
  known = 0xffff_ffff,
): Promise<void> {
  const held = await writeNumber(sdo, object, value);
  if (((held ^ value) & known) === 0) return;
  throw readBackFailure(object, value, held);
}

/** A device holds another value than was set. */
export function readBackFailure(
  { key }: NumberObject,
  value: number,
  held: number,
): ReturnType<typeof failureOf> {
  const what = `Object ${objectText(key)} was set to ${value}, but reads back ${held}.`;
  return failureOf('link/read-back', what, 'Check that the drive can hold this value.');
}

/** A process data object as it is to be set up. */
export interface PdoSetting {
  /** Index of its communication parameters; those of its mapping are 0x200 further on. */
  readonly index: number;
  readonly id: number;
  /** Transmission type: 1 … 240 with each, every second … SYNC. */
  readonly type: number;
  /** Mapped objects in order, with their bits. */
  readonly objects: readonly { readonly key: ObjectKey; readonly bits: 8 | 16 | 32 }[];
}

/**
 * Sets up a PDO: off, what it holds, when it goes, on; each read back.
 *
 * @throws link/read-back, link/refused, link/silent.
 * Source: CiA 301, PDO communication and mapping parameters, from memory. Check: tests/checks/cia402.check.ts.
 */
export async function setPdo(sdo: SdoClient, setting: PdoSetting): Promise<void> {
  const communication = setting.index << 8;
  const mapping = (setting.index + 0x200) << 8;
  const identifier: NumberObject = { key: communication | 1, width: 'u32' };
  const count: NumberObject = { key: mapping, width: 'u8' };
  await setNumber(sdo, identifier, PDO_OFF + setting.id, PDO_KNOWN);
  await setNumber(sdo, { key: communication | 2, width: 'u8' }, setting.type);
  await setNumber(sdo, count, 0);
  for (const [i, { key, bits }] of setting.objects.entries()) {
    await setNumber(sdo, { key: mapping | (i + 1), width: 'u32' }, mappingEntry(key, bits));
  }
  await setNumber(sdo, count, setting.objects.length);
  await setNumber(sdo, identifier, setting.id, PDO_KNOWN);
}

/** Index, subindex and bits of a mapped object in one number. */
export function mappingEntry(key: ObjectKey, bits: 8 | 16 | 32): number {
  return key * 256 + bits;
}
