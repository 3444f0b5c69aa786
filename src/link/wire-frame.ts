import { crc32 } from 'node:zlib';
import type { ErrorCode } from '../base/codes.js';

/** Bytes before the payload. */
export const HEADER_BYTES = 16;
/** Bytes of a payload at most: 4 MiB. */
export const MOST_PAYLOAD = 4 * 2 ** 20;

const MARK = 0xb5;
const KINDS = ['control', 'samples', 'waveform'] as const;
/** What a payload is: JSON in UTF-8, samples of a take, or values of a waveform. */
export type FrameKind = (typeof KINDS)[number];

export interface Frame {
  readonly kind: FrameKind;
  /** Counts every frame of its direction from 0, wraps at 2^32. */
  readonly sequence: number;
  /** Begins at offset 0 of its buffer, so that views of numbers fit. */
  readonly payload: Uint8Array;
}

/** Why a frame and everything after it is void, in a clause that follows the name of the sender. */
export interface FrameFault {
  readonly code: Extract<ErrorCode, 'link/garbled' | 'link/gap' | 'link/duplicate'>;
  readonly what: string;
}

/** Makes the frames of one direction and counts them. */
export class FrameEncoder {
  private sequence: number;

  /** @param first - Sequence of the first frame; for tests of the wrap. */
  constructor(first = 0) {
    this.sequence = first;
  }

  /**
   * Makes the next frame: 0xB5, kind, 0, sequence, length, CRC-32 of what is before it and of the
   * payload, payload; all little-endian.
   *
   * @param payload - At most `MOST_PAYLOAD` bytes; a longer one is a defect of ours.
   *
   * Source: CRC-32 of IEEE 802.3, from memory. Check: tests/checks/wire-frame.check.ts.
   */
  next(kind: FrameKind, payload: Uint8Array): Uint8Array {
    if (payload.length > MOST_PAYLOAD) throw new Error(`a payload of ${payload.length} bytes`);
    const frame = new Uint8Array(HEADER_BYTES + payload.length);
    const header = new DataView(frame.buffer);
    header.setUint8(0, MARK);
    header.setUint8(1, KINDS.indexOf(kind) + 1);
    header.setUint32(4, this.sequence, true);
    header.setUint32(8, payload.length, true);
    header.setUint32(12, sumOf(frame.subarray(0, 12), payload), true);
    frame.set(payload, HEADER_BYTES);
    this.sequence = (this.sequence + 1) >>> 0;
    return frame;
  }
}

/**
 * Takes bytes as they come and tells whole frames. Holds one frame at most. The first void frame ends
 * it: there is no resynchronising, and what comes after is not looked at.
 */
export class FrameDecoder {
  private readonly header = new Uint8Array(HEADER_BYTES);
  private readonly view = new DataView(this.header.buffer);
  private headerFilled = 0;
  private payload: Uint8Array | undefined;
  private payloadFilled = 0;
  private found: FrameFault | undefined;

  /** @param expected - Sequence of the first frame; for tests of the wrap. */
  constructor(
    private readonly hear: (frame: Frame) => void,
    private expected = 0,
  ) {}

  /** Why nothing more is told. */
  get fault(): FrameFault | undefined {
    return this.found;
  }

  /** Bytes of a frame that is not whole yet. */
  get pending(): number {
    return this.headerFilled + this.payloadFilled;
  }

  /** Takes bytes; they may be used for something else afterwards. */
  push(chunk: Uint8Array): void {
    let at = 0;
    // Each turn takes a byte at least, or completes a frame that has no payload.
    while (this.found === undefined && at < chunk.length) {
      at += this.payload === undefined ? this.fillHeader(chunk, at) : this.fillPayload(chunk, at);
      if (this.payload !== undefined && this.payloadFilled === this.payload.length) this.complete();
    }
  }

  private fillHeader(chunk: Uint8Array, at: number): number {
    const count = Math.min(HEADER_BYTES - this.headerFilled, chunk.length - at);
    this.header.set(chunk.subarray(at, at + count), this.headerFilled);
    this.headerFilled += count;
    // A wrong first byte is told at once, not when fifteen more have come.
    if (this.header[0] !== MARK) {
      this.garbled(`sent 0x${hex(this.header[0])} where a frame begins with 0x${hex(MARK)}`);
    } else if (this.headerFilled === HEADER_BYTES) {
      this.begin();
    }
    return count;
  }

  private begin(): void {
    const kind = this.view.getUint8(1);
    const reserved = this.view.getUint16(2, true);
    const length = this.view.getUint32(8, true);
    if (KINDS[kind - 1] === undefined) this.garbled(`sent a frame of kind ${kind}, not 1, 2 or 3`);
    else if (reserved !== 0) this.garbled(`sent a frame with ${reserved} in bytes 2 and 3, not 0`);
    else if (length > MOST_PAYLOAD) {
      this.garbled(`sent a frame of ${length} bytes; at most ${MOST_PAYLOAD} are allowed`);
    } else {
      this.payload = new Uint8Array(length);
      this.payloadFilled = 0;
    }
  }

  private fillPayload(chunk: Uint8Array, at: number): number {
    const { payload } = this;
    if (payload === undefined) return 0;
    const count = Math.min(payload.length - this.payloadFilled, chunk.length - at);
    payload.set(chunk.subarray(at, at + count), this.payloadFilled);
    this.payloadFilled += count;
    return count;
  }

  private complete(): void {
    const { payload = new Uint8Array(0) } = this;
    const kind = KINDS[this.view.getUint8(1) - 1];
    const sequence = this.view.getUint32(4, true);
    const stated = this.view.getUint32(12, true);
    const sum = sumOf(this.header.subarray(0, 12), payload);
    if (sum !== stated) {
      const what = `sent a frame with check sum 0x${hex(stated, 8)}; its bytes have 0x${hex(sum, 8)}`;
      this.garbled(what);
      return;
    }
    if (sequence !== this.expected) {
      this.misplaced(sequence);
      return;
    }
    this.headerFilled = 0;
    this.payload = undefined;
    this.payloadFilled = 0;
    this.expected = (this.expected + 1) >>> 0;
    if (kind !== undefined) this.hear({ kind, sequence, payload });
  }

  private misplaced(sequence: number): void {
    const ahead = (sequence - this.expected) >>> 0;
    const code = ahead < 2 ** 31 ? 'link/gap' : 'link/duplicate';
    this.end({ code, what: `sent frame ${sequence}; frame ${this.expected} is the next` });
  }

  private garbled(what: string): void {
    this.end({ code: 'link/garbled', what });
  }

  private end(fault: FrameFault): void {
    this.found = fault;
    this.headerFilled = 0;
    this.payload = undefined;
    this.payloadFilled = 0;
  }
}

/** CRC-32 of both, one after the other. The one of Node begins anew, at 0, when it is given no bytes. */
function sumOf(header: Uint8Array, payload: Uint8Array): number {
  const sum = crc32(header);
  return payload.length === 0 ? sum : crc32(payload, sum);
}

const hex = (value = 0, digits = 2): string => value.toString(16).padStart(digits, '0');
