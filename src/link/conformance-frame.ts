import { crc32 } from 'node:zlib';
import { StallmarkError } from '../base/error.js';

/**
 * Frames of stallmark-link 1 as the conformance suite reads and writes them. On purpose not the code
 * that the runner uses: what both take for right, two people wrote from the same text.
 */

/** Kinds of frames by their number. */
export const FRAME_KINDS = { control: 1, samples: 2, waveform: 3 } as const;
/** Bytes of a payload at most. */
export const LARGEST_PAYLOAD = 4 * 1024 * 1024;
const FIRST_BYTE = 0xb5;
const HEADER = 16;
/** Bytes of the header that the check sum covers. */
const COVERED = 12;

export interface AdapterFrame {
  readonly kind: number;
  readonly sequence: number;
  readonly payload: Buffer;
}

/**
 * Writes a frame.
 *
 * @param announced - Bytes that the header announces; those of the payload by default.
 *
 * Source: procedures/links/README.md, "A frame". Check: tests/unit/conformance-frame.test.ts.
 */
export function writeFrame(
  kind: number,
  sequence: number,
  payload: Uint8Array,
  announced = payload.length,
): Buffer {
  const header = Buffer.alloc(HEADER);
  header.writeUInt8(FIRST_BYTE, 0);
  header.writeUInt8(kind, 1);
  header.writeUInt32LE(sequence, 4);
  header.writeUInt32LE(announced, 8);
  header.writeUInt32LE(crc32(payload, crc32(header.subarray(0, COVERED))), COVERED);
  return Buffer.concat([header, payload]);
}

/** Cuts what an adapter writes into frames; keeps at most one frame that is not whole. */
export class FrameCutter {
  private pieces: Buffer[] = [];
  private held = 0;
  private sequence = 0;

  /**
   * Takes bytes as they came.
   *
   * @returns The frames that are whole now, in order.
   * @throws link/garbled, link/gap, link/duplicate; nothing after that counts.
   */
  push(chunk: Buffer): readonly AdapterFrame[] {
    this.pieces.push(chunk);
    this.held += chunk.length;
    const frames: AdapterFrame[] = [];
    for (;;) {
      const frame = this.next();
      if (frame === undefined) return frames;
      frames.push(frame);
    }
  }

  private next(): AdapterFrame | undefined {
    if (this.held < HEADER) return undefined;
    const header = this.front(HEADER);
    const length = lengthIn(header);
    if (this.held < HEADER + length) return undefined;
    const whole = this.front(HEADER + length);
    const payload = whole.subarray(HEADER);
    const told = header.readUInt32LE(COVERED);
    const reckoned = crc32(payload, crc32(header.subarray(0, COVERED)));
    if (told !== reckoned) {
      const what = `Frame ${this.sequence} bears the check sum ${hex(told)}; its bytes have ${hex(reckoned)}.`;
      throw garbled(what, 'Take CRC-32 over the first 12 bytes of the header, then the payload.');
    }
    const sequence = header.readUInt32LE(4);
    if (sequence !== this.sequence) throw outOfOrder(sequence, this.sequence);
    this.sequence = (this.sequence + 1) % 2 ** 32;
    this.drop(HEADER + length);
    return { kind: header.readUInt8(1), sequence, payload };
  }

  /** The first bytes in one piece; joins pieces only when they must be. */
  private front(length: number): Buffer {
    const [first] = this.pieces;
    if (first !== undefined && first.length >= length) return first.subarray(0, length);
    const joined = Buffer.concat(this.pieces);
    this.pieces = [joined];
    return joined.subarray(0, length);
  }

  private drop(length: number): void {
    const [first, ...rest] = this.pieces;
    if (first === undefined) return;
    this.pieces = first.length === length ? rest : [first.subarray(length), ...rest];
    this.held -= length;
  }
}

function lengthIn(header: Buffer): number {
  const first = header.readUInt8(0);
  if (first !== FIRST_BYTE) {
    const what = `A frame begins with ${hex(first)}, not with ${hex(FIRST_BYTE)}.`;
    throw garbled(what, 'Write frames only to standard output; send text to standard error.');
  }
  const kind = header.readUInt8(1);
  if (kind !== FRAME_KINDS.control && kind !== FRAME_KINDS.samples) {
    const what = `A frame is of kind ${kind}; an adapter sends 1 and 2.`;
    throw garbled(what, 'Send control as kind 1 and samples as kind 2.');
  }
  const length = header.readUInt32LE(8);
  if (length > LARGEST_PAYLOAD) {
    const what = `A frame announces ${length} bytes; at most ${LARGEST_PAYLOAD} are allowed.`;
    throw garbled(what, 'Send more and smaller frames.');
  }
  return length;
}

const hex = (value: number): string => `0x${value.toString(16)}`;

function garbled(what: string, fix: string): StallmarkError {
  return new StallmarkError([{ code: 'link/garbled', what, fix }]);
}

function outOfOrder(came: number, due: number): StallmarkError {
  const code = came > due ? 'link/gap' : 'link/duplicate';
  const what = `Frame ${came} came where frame ${due} was due.`;
  const fix = 'Count every frame that is written, whatever its kind, from 0.';
  return new StallmarkError([{ code, what, fix }]);
}

/** A block of samples as an adapter sent it. */
export interface AdapterBlock {
  readonly take: number;
  readonly block: number;
  /** Index of the first sample. */
  readonly start: number;
  /** s since the take began, at the end of the block. */
  readonly clock: number;
  readonly frames: number;
  readonly channels: number;
  readonly fault: number;
  readonly torqueEnabled: boolean;
  /** Values, frame by frame, in the order of the channels. */
  readonly values: Float32Array;
}

const BLOCK_HEADER = 104;
const MOST_FRAMES = 65_536;

/** Reads the payload of a frame of samples. @throws link/garbled */
export function readBlock(payload: Buffer): AdapterBlock {
  if (payload.length < BLOCK_HEADER) {
    const what = `A frame of samples has ${payload.length} bytes; its head alone has ${BLOCK_HEADER}.`;
    throw garbled(what, 'Send the whole report before the samples.');
  }
  const frames = payload.readUInt32LE(24);
  const channels = payload.readUInt16LE(28);
  const format = payload.readUInt16LE(30);
  const wanted = BLOCK_HEADER + 4 * frames * channels;
  if (frames > MOST_FRAMES || format !== 1 || payload.length !== wanted) {
    const what =
      `A frame of samples tells ${frames} frames of ${channels} channels in format ${format} and has ` +
      `${payload.length} bytes; it should have ${wanted}, at most ${MOST_FRAMES} frames, and format 1.`;
    throw garbled(what, 'Send f32 values, frame by frame, one for every channel of hello.');
  }
  const values = new Float32Array(frames * channels);
  for (let i = 0; i < values.length; i++) values[i] = payload.readFloatLE(BLOCK_HEADER + 4 * i);
  return {
    take: payload.readUInt32LE(0),
    block: payload.readUInt32LE(4),
    start: payload.readDoubleLE(8),
    clock: payload.readDoubleLE(16),
    frames,
    channels,
    fault: payload.readUInt32LE(88),
    torqueEnabled: (payload.readUInt32LE(92) & 1) === 1,
    values,
  };
}
