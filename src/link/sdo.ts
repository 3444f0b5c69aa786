import type { Clock } from '../base/clock.js';
import type { StallmarkError } from '../base/error.js';
import { failureOf, type CanSide } from './can-bus.js';

/** An object of a dictionary as `index << 8 | subindex`. */
export type ObjectKey = number;

/** ms until an answer that does not come is given up. */
export const SDO_DEADLINE = 250;
/** ms by which a wait that ends late says that this program was held up, and for reading what came meanwhile. */
const HELD_UP = 5;
const READING = 25;
/** ms for all of one object, however many segments it has. */
export const TRANSFER_DEADLINE = 1000;
/** Bytes of the longest object that is taken or given. */
export const LONGEST_OBJECT = 1024;
/** Transfers that may wait for the one that goes on. */
const MOST_WAITING = 32;

/**
 * What a device means by breaking a transfer off.
 *
 * Source: CiA 301, SDO abort codes, from memory. Check: tests/checks/cia402.check.ts.
 */
export const ABORT_TEXTS: ReadonlyMap<number, string> = new Map([
  [0x0503_0000, 'toggle bit not alternated'],
  [0x0504_0000, 'SDO protocol timed out'],
  [0x0504_0001, 'command specifier not valid or unknown'],
  [0x0504_0002, 'block size not valid'],
  [0x0504_0003, 'sequence number not valid'],
  [0x0504_0004, 'CRC error'],
  [0x0504_0005, 'out of memory'],
  [0x0601_0000, 'access to the object not supported'],
  [0x0601_0001, 'attempt to read a write-only object'],
  [0x0601_0002, 'attempt to write a read-only object'],
  [0x0602_0000, 'object does not exist'],
  [0x0604_0041, 'object cannot be mapped to the PDO'],
  [0x0604_0042, 'mapped objects would exceed the length of the PDO'],
  [0x0604_0043, 'general parameter incompatibility'],
  [0x0604_0047, 'general internal incompatibility in the device'],
  [0x0606_0000, 'access refused because of a hardware error'],
  [0x0607_0010, 'data type or length does not match'],
  [0x0607_0012, 'data type does not match, too long'],
  [0x0607_0013, 'data type does not match, too short'],
  [0x0609_0011, 'subindex does not exist'],
  [0x0609_0030, 'value out of range'],
  [0x0609_0031, 'value too high'],
  [0x0609_0032, 'value too low'],
  [0x0609_0036, 'maximum is less than minimum'],
  [0x060a_0023, 'resource not available'],
  [0x0800_0000, 'general error'],
  [0x0800_0020, 'data cannot be transferred or stored'],
  [0x0800_0021, 'data cannot be transferred or stored because of local control'],
  [0x0800_0022, 'data cannot be transferred or stored in this state of the device'],
  [0x0800_0023, 'no object dictionary is present'],
  [0x0800_0024, 'no data available'],
]);

const TOGGLE = 0x0503_0000;
const TIMED_OUT = 0x0504_0000;
const OUT_OF_MEMORY = 0x0504_0005;
const LENGTH_DIFFERS = 0x0607_0010;

/** Objects that every device answers for, with a value or an abort: device type, error register, identity. */
const FENCES: readonly ObjectKey[] = [0x1000_00, 0x1001_00, 0x1018_00, 0x1018_01];

/** Prints an object as index:subindex, e.g. 6041:00. */
export function objectText(key: ObjectKey): string {
  const text = key.toString(16).toUpperCase().padStart(6, '0');
  return `${text.slice(0, 4)}:${text.slice(4)}`;
}

interface Pending {
  readonly key: ObjectKey;
  /** Command specifier of the answer that is waited for: the upper three bits of its first byte. */
  readonly specifier: number;
  /** Whether the answer names its object. */
  readonly isNamed: boolean;
  readonly settle: (answer: Uint8Array | StallmarkError) => void;
}

/**
 * Reads and writes objects of one device, one transfer at a time. An answer that comes late is never
 * taken for that to the next request: after one that stayed out, another object is read first, and as
 * device and gateway answer in order, everything before that answer has come or never will.
 *
 * Source: CiA 301, SDO protocols, from memory. Check: tests/checks/cia402.check.ts.
 */
export class SdoClient {
  private pending: Pending | undefined;
  private last: Promise<unknown> = Promise.resolve();
  private waiting = 0;
  private generation = 0;
  /** Objects that were asked for and have not been answered; empty when nothing is in doubt. */
  private readonly doubted = new Set<ObjectKey>();

  constructor(
    private readonly bus: CanSide,
    private readonly node: number,
    private readonly clock: Clock,
  ) {
    bus.on(0x580 + node, (answer) => {
      this.hear(answer);
    });
    bus.onFailure((failure) => {
      if (bus.isGone) this.pending?.settle(failure);
    });
  }

  /**
   * Reads an object, at most `LONGEST_OBJECT` bytes.
   *
   * @throws link/silent, link/refused with the words of the device, link/garbled, link/closed.
   */
  upload(key: ObjectKey): Promise<Uint8Array> {
    return this.alone(key, () => this.uploadNow(key));
  }

  /**
   * Writes an object, at most `LONGEST_OBJECT` bytes.
   *
   * @throws link/silent, link/refused with the words of the device, link/garbled, link/closed.
   */
  download(key: ObjectKey, value: Uint8Array): Promise<void> {
    if (value.length > LONGEST_OBJECT) throw new Error(`${value.length} bytes for an object`);
    return this.alone(key, () => this.downloadNow(key, value));
  }

  /** Gives up what goes on and what waits, so that the next request goes first: for a stop. */
  cancel(): void {
    this.generation += 1;
    const { pending } = this;
    pending?.settle(this.overtaken(pending.key));
  }

  private async alone<T>(key: ObjectKey, act: () => Promise<T>): Promise<T> {
    if (this.waiting >= MOST_WAITING) {
      throw this.failure(key, 'link/stalled', `waits behind ${MOST_WAITING} others`);
    }
    const { generation } = this;
    this.waiting += 1;
    const turn = this.last.then(async () => {
      if (generation !== this.generation) throw this.overtaken(key);
      if (this.doubted.size > 0) await this.fence(key);
      if (generation !== this.generation) throw this.overtaken(key);
      return act();
    });
    // Whoever waits behind this one goes on whatever becomes of it; its own caller is told.
    this.last = turn.then(ignore, ignore);
    try {
      return await turn;
    } finally {
      this.waiting -= 1;
    }
  }

  /** Makes sure that no answer is on its way any more. */
  private async fence(key: ObjectKey): Promise<void> {
    const fence = FENCES.find((one) => !this.doubted.has(one));
    if (fence === undefined) {
      throw this.failure(key, 'link/silent', 'was not asked for: no earlier question was answered');
    }
    const request = frame(0x40, fence);
    await this.ask({ key: fence, specifier: 2, isNamed: true, mayAbort: true }, request);
    this.doubted.clear();
  }

  private async uploadNow(key: ObjectKey): Promise<Uint8Array> {
    const end = this.clock.monotonic() + TRANSFER_DEADLINE;
    const first = await this.ask({ key, specifier: 2, isNamed: true }, frame(0x40, key));
    const head = first[0] ?? 0;
    const isSized = (head & 1) === 1;
    if ((head & 2) !== 0) return first.slice(4, isSized ? 8 - ((head >> 2) & 3) : 8);
    const size = isSized ? wordAt(first, 4) : undefined;
    if (size !== undefined && size > LONGEST_OBJECT) {
      throw this.broken(key, OUT_OF_MEMORY, `has ${size} bytes, more than ${LONGEST_OBJECT}`);
    }
    const value = await this.segments(key, end);
    if (size !== undefined && size !== value.length) {
      throw this.broken(key, LENGTH_DIFFERS, `has ${value.length} bytes, but promised ${size}`);
    }
    return value;
  }

  /** Reads segments up to the last; each but the last has a byte, so there are no more than bytes. */
  private async segments(key: ObjectKey, end: number): Promise<Uint8Array> {
    const value: number[] = [];
    for (let toggle = 0; ; toggle ^= 1) {
      const request = new Uint8Array(8);
      request[0] = 0x60 | (toggle << 4);
      const part = await this.ask({ key, specifier: 0, isNamed: false }, request);
      const [control = 0] = part;
      if (((control >> 4) & 1) !== toggle) throw this.broken(key, TOGGLE, 'came out of order');
      value.push(...part.subarray(1, 8 - ((control >> 1) & 7)));
      const isLast = (control & 1) === 1;
      this.checkGrowth(key, value.length, { isLast, isEmpty: ((control >> 1) & 7) === 7, end });
      if (isLast) return Uint8Array.from(value);
    }
  }

  /** Ends what a device would go on with for ever. */
  private checkGrowth(
    key: ObjectKey,
    length: number,
    { isLast, isEmpty, end }: { isLast: boolean; isEmpty: boolean; end: number },
  ): void {
    if (length > LONGEST_OBJECT) {
      throw this.broken(key, OUT_OF_MEMORY, `has more than ${LONGEST_OBJECT} bytes`);
    }
    if (isLast) return;
    if (isEmpty) throw this.broken(key, LENGTH_DIFFERS, 'came in an empty segment');
    this.checkTime(key, end);
  }

  private checkTime(key: ObjectKey, end: number): void {
    if (this.clock.monotonic() <= end) return;
    this.tellAbort(key, TIMED_OUT);
    this.doubted.add(key);
    throw this.failure(key, 'link/silent', `was not there whole within ${TRANSFER_DEADLINE} ms`);
  }

  private async downloadNow(key: ObjectKey, value: Uint8Array): Promise<void> {
    const end = this.clock.monotonic() + TRANSFER_DEADLINE;
    const taken = { key, specifier: 3, isNamed: true };
    if (value.length >= 1 && value.length <= 4) {
      const request = frame(0x23 | ((4 - value.length) << 2), key);
      request.set(value, 4);
      await this.ask(taken, request);
      return;
    }
    const request = frame(0x21, key);
    new DataView(request.buffer).setUint32(4, value.length, true);
    await this.ask(taken, request);
    let toggle = 0;
    for (let from = 0; from === 0 || from < value.length; from += 7) {
      const part = value.subarray(from, from + 7);
      const isLast = from + 7 >= value.length;
      const segment = new Uint8Array(8);
      segment[0] = (toggle << 4) | ((7 - part.length) << 1) | (isLast ? 1 : 0);
      segment.set(part, 1);
      const [control = 0] = await this.ask({ key, specifier: 1, isNamed: false }, segment);
      if (((control >> 4) & 1) !== toggle) {
        throw this.broken(key, TOGGLE, 'was acknowledged out of order');
      }
      if (!isLast) this.checkTime(key, end);
      toggle ^= 1;
    }
  }

  /** Sends a request and waits for the answer that fits it. */
  private async ask(
    wanted: Pick<Pending, 'key' | 'specifier' | 'isNamed'> & { readonly mayAbort?: true },
    request: Uint8Array,
  ): Promise<Uint8Array> {
    const { key } = wanted;
    const { failure } = this.bus;
    if (failure !== undefined && this.bus.isGone) throw failure;
    const answer = new Promise<Uint8Array | StallmarkError>((settle) => {
      this.pending = { ...wanted, settle };
    });
    this.bus.send(0x600 + this.node, request);
    const late = this.lateness().then(() =>
      this.failure(key, 'link/silent', `was not answered within ${SDO_DEADLINE} ms`),
    );
    const said = await Promise.race([answer, late]);
    this.pending = undefined;
    if (!(said instanceof Uint8Array)) {
      this.doubted.add(key);
      if (!this.bus.isGone) this.tellAbort(key, TIMED_OUT);
      throw said;
    }
    if (said[0] !== 0x80 || wanted.mayAbort === true) return said;
    const code = wordAt(said, 4);
    const words = ABORT_TEXTS.get(code) ?? 'reason unknown';
    throw this.failure(key, 'link/refused', `was refused: 0x${hexOf(code)}, ${words}`);
  }

  /**
   * Ends when an answer is late. A program that was held up itself does not blame the device: bytes that
   * came in time lie unread then, so it reads them first.
   */
  private async lateness(): Promise<void> {
    const begun = this.clock.monotonic();
    await this.clock.wait(SDO_DEADLINE);
    const over = this.clock.monotonic() - begun - SDO_DEADLINE;
    await this.clock.wait(over > HELD_UP ? READING : 0);
  }

  /** What fits no request that is waited for is late, or not for us. */
  private hear(answer: Uint8Array): void {
    const { pending } = this;
    if (pending === undefined || answer.length !== 8 || !isFor(pending, answer)) return;
    this.pending = undefined;
    pending.settle(answer);
  }

  private broken(key: ObjectKey, code: number, how: string): StallmarkError {
    this.tellAbort(key, code);
    this.doubted.add(key);
    return this.failure(key, 'link/garbled', how);
  }

  private tellAbort(key: ObjectKey, code: number): void {
    const request = frame(0x80, key);
    new DataView(request.buffer).setUint32(4, code, true);
    this.bus.send(0x600 + this.node, request);
  }

  private overtaken(key: ObjectKey): StallmarkError {
    return this.failure(key, 'link/refused', 'was given up: a stop went first');
  }

  private failure(
    key: ObjectKey,
    code: 'link/silent' | 'link/refused' | 'link/garbled' | 'link/stalled',
    how: string,
  ): StallmarkError {
    const what = `Object ${objectText(key)} of node ${this.node} at ${this.bus.name} ${how}.`;
    const fix =
      code === 'link/refused'
        ? 'Check the state of the drive and the objects in the bench description.'
        : 'Check the power of the drive, its node number and the bit rate.';
    return failureOf(code, what, fix);
  }
}

function isFor({ key, specifier, isNamed }: Pending, answer: Uint8Array): boolean {
  const [head = 0] = answer;
  const told = keyOf(answer);
  // A device that broke off in the middle of segments may have forgotten which object it was.
  if (head === 0x80) return told === key || (!isNamed && told === 0);
  return head >> 5 === specifier && (told === key || !isNamed);
}

const ignore = (): void => undefined;

function frame(head: number, key: ObjectKey): Uint8Array {
  return Uint8Array.of(head, (key >> 8) & 0xff, (key >> 16) & 0xff, key & 0xff, 0, 0, 0, 0);
}

function keyOf([, low = 0, high = 0, sub = 0]: Uint8Array): ObjectKey {
  return (high << 16) | (low << 8) | sub;
}

function wordAt(bytes: Uint8Array, at: number): number {
  return new DataView(bytes.buffer, bytes.byteOffset, bytes.length).getUint32(at, true);
}

const hexOf = (code: number): string => code.toString(16).toUpperCase().padStart(8, '0');
