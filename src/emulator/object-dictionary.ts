/** Why an SDO transfer is broken off. Source: CiA 301, abort codes (from memory). */
export const ABORT = {
  toggle: 0x0503_0000,
  command: 0x0504_0001,
  writeOnly: 0x0601_0001,
  readOnly: 0x0601_0002,
  noObject: 0x0602_0000,
  length: 0x0607_0010,
  noSubindex: 0x0609_0011,
  range: 0x0609_0030,
  state: 0x0800_0022,
} as const;
export type Abort = (typeof ABORT)[keyof typeof ABORT];

/** One entry of a dictionary. */
export interface ObjectEntry {
  /** Bytes of a number; absent for a text of any length. */
  readonly size?: 1 | 2 | 4;
  readonly read: () => number | string;
  /** Absent: read-only. @returns Why it is refused. */
  readonly write?: (value: number) => Abort | undefined;
}

/** Entries by `index << 8 | subindex`. */
export type ObjectDictionary = ReadonlyMap<number, ObjectEntry>;

interface Upload {
  readonly kind: 'upload';
  readonly bytes: Uint8Array;
  at: number;
  toggle: 0 | 1;
}

interface Download {
  readonly kind: 'download';
  readonly key: number;
  readonly bytes: number[];
  toggle: 0 | 1;
}

/** Bytes of the longest value that is taken. */
const LONGEST = 64;

/**
 * The server of a dictionary: SDO, expedited and segmented, one transfer at a time. Source: CiA 301, 7.2.4
 * (from memory).
 */
export class SdoServer {
  private transfer: Upload | Download | undefined;

  constructor(private readonly dictionary: ObjectDictionary) {}

  /** Answers a request of 8 bytes; nothing for an abort. */
  answer(request: Uint8Array): readonly number[] | undefined {
    const [first = 0] = request;
    if (request.length !== 8) return undefined;
    switch (first >> 5) {
      case 0:
        return this.downloadSegment(request);
      case 1:
        return this.beginDownload(request);
      case 2:
        return this.beginUpload(request);
      case 3:
        return this.uploadSegment(request);
      case 4:
        this.transfer = undefined;
        return undefined;
      default:
        return this.abort(keyOf(request), ABORT.command);
    }
  }

  private beginUpload(request: Uint8Array): readonly number[] {
    const key = keyOf(request);
    const entry = this.dictionary.get(key);
    if (entry === undefined) return this.abort(key, this.missing(key));
    const value = entry.read();
    const bytes =
      typeof value === 'number'
        ? numberBytes(value, entry.size ?? 4)
        : Buffer.from(value, 'latin1');
    if (bytes.length >= 1 && bytes.length <= 4) {
      const unused = 4 - bytes.length;
      return [0x43 | (unused << 2), ...keyBytes(key), ...bytes, ...zeros(unused)];
    }
    this.transfer = { kind: 'upload', bytes, at: 0, toggle: 0 };
    return [0x41, ...keyBytes(key), ...numberBytes(bytes.length, 4)];
  }

  private uploadSegment([first = 0]: Uint8Array): readonly number[] {
    const { transfer } = this;
    if (transfer?.kind !== 'upload') return this.abort(0, ABORT.command);
    if (((first >> 4) & 1) !== transfer.toggle) return this.abort(0, ABORT.toggle);
    const part = transfer.bytes.subarray(transfer.at, transfer.at + 7);
    transfer.at += part.length;
    const isLast = transfer.at >= transfer.bytes.length;
    const head = (transfer.toggle << 4) | ((7 - part.length) << 1) | (isLast ? 1 : 0);
    transfer.toggle = transfer.toggle === 0 ? 1 : 0;
    if (isLast) this.transfer = undefined;
    return [head, ...part, ...zeros(7 - part.length)];
  }

  private beginDownload(request: Uint8Array): readonly number[] {
    const key = keyOf(request);
    const entry = this.dictionary.get(key);
    if (entry === undefined) return this.abort(key, this.missing(key));
    if (entry.write === undefined) return this.abort(key, ABORT.readOnly);
    const [first = 0] = request;
    if ((first & 2) === 0) {
      this.transfer = { kind: 'download', key, bytes: [], toggle: 0 };
      return [0x60, ...keyBytes(key), 0, 0, 0, 0];
    }
    const size = (first & 1) === 1 ? 4 - ((first >> 2) & 3) : (entry.size ?? 4);
    return this.written(key, request.subarray(4, 4 + size));
  }

  private downloadSegment(request: Uint8Array): readonly number[] {
    const { transfer } = this;
    const [first = 0] = request;
    if (transfer?.kind !== 'download') return this.abort(0, ABORT.command);
    const { toggle, key, bytes } = transfer;
    if (((first >> 4) & 1) !== toggle) return this.abort(key, ABORT.toggle);
    bytes.push(...request.subarray(1, 8 - ((first >> 1) & 7)));
    if (bytes.length > LONGEST) return this.abort(key, ABORT.length);
    transfer.toggle = toggle === 0 ? 1 : 0;
    if ((first & 1) === 1) {
      this.transfer = undefined;
      const done = this.written(key, Uint8Array.from(bytes));
      if (done[0] === 0x80) return done;
    }
    return [0x20 | (toggle << 4), ...zeros(7)];
  }

  private written(key: number, bytes: Uint8Array): readonly number[] {
    const entry = this.dictionary.get(key);
    if (entry?.size !== bytes.length) return this.abort(key, ABORT.length);
    const value = bytes.reduceRight((sum, byte) => sum * 256 + byte, 0);
    const refused = entry.write?.(value);
    if (refused !== undefined) return this.abort(key, refused);
    return [0x60, ...keyBytes(key), 0, 0, 0, 0];
  }

  private missing(key: number): Abort {
    const isKnown = [...this.dictionary.keys()].some((one) => one >> 8 === key >> 8);
    return isKnown ? ABORT.noSubindex : ABORT.noObject;
  }

  private abort(key: number, code: Abort): readonly number[] {
    this.transfer = undefined;
    return [0x80, ...keyBytes(key), ...numberBytes(code, 4)];
  }
}

const zeros = (count: number): readonly number[] => new Array<number>(count).fill(0);

/** Index and subindex of a request. */
function keyOf([, low = 0, high = 0, sub = 0]: Uint8Array): number {
  return (((high << 8) | low) << 8) | sub;
}

const keyBytes = (key: number): readonly number[] => [
  (key >> 8) & 0xff,
  (key >> 16) & 0xff,
  key & 0xff,
];

/** A number, two's complement, lowest byte first. */
export function numberBytes(value: number, size: number): Uint8Array {
  const bytes = new Uint8Array(size);
  let left = BigInt.asUintN(8 * size, BigInt(Math.trunc(value)));
  for (let i = 0; i < size; i++) {
    bytes[i] = Number(left & 0xffn);
    left >>= 8n;
  }
  return bytes;
}
