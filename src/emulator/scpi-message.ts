import { unreachable } from '../base/error.js';
import { fault, type ScpiFault } from './scpi-fault.js';
import { BLOCK_MARK, type ProgramUnit, UnitReader } from './scpi-unit.js';

/** What comes out of a message, one for each unit; the last of a message says so. */
export type MessagePart = { readonly isLast: boolean } & (
  | { readonly kind: 'unit'; readonly unit: ProgramUnit }
  | { readonly kind: 'fault'; readonly fault: ScpiFault }
  /** Nothing to do, e.g. a line without a command. */
  | { readonly kind: 'empty' }
);

/** Bytes of one message without its blocks; the one who sends more is told −363. */
export const MOST_TEXT = 64 * 1024;
/** Bytes of the blocks of one message; the one who sends more is told −223. */
export const MOST_BLOCK = 32 * 1024 * 1024;

const PAGE = 64 * 1024;
const LF = 10;
const BLANK = 32;
const SEMICOLON = 59;
const QUOTES: readonly number[] = [34, 39];
const HASH = 35;
const ZERO = 48;
const NINE = 57;

/** Where in a message the next byte stands. `lost` is all to the end of the line after a block that has no length. */
type Mode = 'text' | 'quote' | 'hash' | 'length' | 'definite' | 'indefinite' | 'lost';

/**
 * Reads program messages from a stream of bytes, in pieces of any size, and holds no more of them than
 * one message of `MOST_TEXT` and `MOST_BLOCK`.
 *
 * A block of indefinite length ends with LF and END. A stream has no END: who reads it tells `end()`
 * when no byte has come for a while, and until then everything belongs to the block.
 *
 * Source: IEEE 488.2-1992, clause 7, from memory. Check: tests/checks/scpi-instrument.check.ts.
 */
export class MessageReader {
  private mode: Mode = 'text';
  private readonly units = new UnitReader();
  /** Of the message so far. */
  private hasBegun = false;
  private textBytes = 0;
  private blockBytes = 0;
  private isOverrun = false;
  /** Of the unit so far. */
  private text = '';
  private blocks: Uint8Array[] = [];
  private wrong: ScpiFault | undefined;
  private quote = 0;
  /** Of the block so far: digits of its length still to come, its length, what is not here yet, what is. */
  private digits = 0;
  private length = 0;
  private left = 0;
  private pages = new Pages();
  private lastByte = LF;

  /** @param take - Called with each part as soon as its end has come. */
  constructor(private readonly take: (part: MessagePart) => void) {}

  /** Whether a message has begun and not ended. */
  get isOpen(): boolean {
    return this.hasBegun;
  }

  /** Whether the next pause ends a block of indefinite length. */
  get endsWithPause(): boolean {
    return this.mode === 'indefinite' && this.lastByte === LF && this.length > 0;
  }

  /** @param chunk - Belongs to the reader from now on. */
  push(chunk: Uint8Array): void {
    let at = 0;
    // Every turn takes one byte or more.
    while (at < chunk.length) {
      if (this.mode === 'definite' || this.mode === 'indefinite') at = this.takeBlock(chunk, at);
      else {
        this.takeByte(chunk[at] ?? LF);
        at += 1;
      }
    }
    this.lastByte = chunk.at(-1) ?? this.lastByte;
  }

  /** Tells that the last byte came with END: a block of indefinite length is whole if that byte is LF. */
  end(): void {
    if (!this.endsWithPause) return;
    this.closeBlock(this.length - 1);
    this.finishUnit(true);
  }

  /** Throws away the message that has begun. */
  discard(): void {
    this.clearUnit();
    this.clearMessage();
  }

  private takeByte(byte: number): void {
    if (byte === LF) {
      this.takeLineFeed();
      return;
    }
    this.countText(byte);
    switch (this.mode) {
      case 'text':
        this.takeText(byte);
        return;
      case 'quote':
        if (byte === this.quote) this.mode = 'text';
        this.keep(byte);
        return;
      case 'hash':
        this.takeHash(byte);
        return;
      case 'length':
        this.takeLength(byte);
        return;
      case 'lost':
        return;
      case 'definite':
      case 'indefinite':
        throw new Error('a byte of a block was read as text');
      default:
        unreachable(this.mode);
    }
  }

  /** LF ends a message wherever it stands outside of a block, also in a string that lacks its end. */
  private takeLineFeed(): void {
    if (this.mode === 'length') this.wrong ??= fault('-161', 'the length of a block ends early');
    if (this.mode === 'hash') this.keep(HASH);
    this.finishUnit(true);
  }

  private takeText(byte: number): void {
    if (byte === SEMICOLON) {
      this.finishUnit(false);
    } else if (byte === HASH) {
      this.mode = 'hash';
    } else {
      if (QUOTES.includes(byte)) {
        this.mode = 'quote';
        this.quote = byte;
      }
      this.keep(byte);
    }
  }

  private takeHash(byte: number): void {
    if (byte < ZERO || byte > NINE) {
      this.mode = 'text';
      this.keep(HASH);
      this.takeText(byte);
      return;
    }
    this.digits = byte - ZERO;
    this.length = 0;
    this.pages = new Pages();
    this.mode = this.digits === 0 ? 'indefinite' : 'length';
  }

  private takeLength(byte: number): void {
    if (byte < ZERO || byte > NINE) {
      this.wrong ??= fault('-161', 'the length of a block is no number');
      this.mode = 'lost';
      return;
    }
    this.length = this.length * 10 + (byte - ZERO);
    this.digits -= 1;
    if (this.digits > 0) return;
    this.left = this.length;
    this.mode = 'definite';
    if (this.left === 0) this.closeBlock(0);
  }

  /** @returns Where in the chunk the block ends, or the end of the chunk. */
  private takeBlock(chunk: Uint8Array, from: number): number {
    const isDefinite = this.mode === 'definite';
    const to = isDefinite ? Math.min(chunk.length, from + this.left) : chunk.length;
    if (isDefinite) this.left -= to - from;
    else this.length += to - from;
    // Of a definite block the length is known before its bytes come, so none of them is kept in vain.
    if (this.blockBytes + this.length > MOST_BLOCK) {
      this.wrong ??= fault('-223', `a message has at most ${MOST_BLOCK} bytes of blocks`);
      this.pages = new Pages();
    } else if (this.wrong === undefined && !this.isOverrun) {
      this.pages.add(chunk.subarray(from, to));
    }
    if (isDefinite && this.left === 0) this.closeBlock(this.length);
    return to;
  }

  private closeBlock(length: number): void {
    this.mode = 'text';
    this.blockBytes += this.length;
    if (this.isOverrun) return;
    this.text += BLOCK_MARK;
    this.blocks.push(this.pages.joined(this.wrong === undefined ? length : 0));
    this.pages = new Pages();
  }

  private keep(byte: number): void {
    if (this.isOverrun) return;
    if (byte > 126) this.wrong ??= fault('-101', `byte ${byte}`);
    this.text += byte < BLANK ? ' ' : String.fromCharCode(byte);
  }

  private countText(byte: number): void {
    if (byte > BLANK) this.hasBegun = true;
    this.textBytes += 1;
    if (this.textBytes <= MOST_TEXT || this.isOverrun) return;
    this.isOverrun = true;
    this.clearKept();
    const what = fault('-363', `a message has at most ${MOST_TEXT} bytes of text`);
    this.take({ kind: 'fault', fault: what, isLast: false });
  }

  private finishUnit(isLast: boolean): void {
    const { text, blocks, wrong, isOverrun } = this;
    this.clearUnit();
    const part = isOverrun ? undefined : this.read(text, blocks, wrong);
    if (isLast) this.clearMessage();
    if (part !== undefined) this.take({ ...part, isLast });
    else if (isLast) this.take({ kind: 'empty', isLast });
  }

  private read(
    text: string,
    blocks: readonly Uint8Array[],
    wrong: ScpiFault | undefined,
  ): { kind: 'unit'; unit: ProgramUnit } | { kind: 'fault'; fault: ScpiFault } | undefined {
    if (text.trim() === '' && wrong === undefined) return undefined;
    // Read although it is wrong: the path of the next header goes on from it.
    const read = this.units.read(text, blocks);
    if (wrong !== undefined) return { kind: 'fault', fault: wrong };
    return 'number' in read ? { kind: 'fault', fault: read } : { kind: 'unit', unit: read };
  }

  private clearKept(): void {
    this.text = '';
    this.blocks = [];
    this.pages = new Pages();
  }

  private clearUnit(): void {
    this.clearKept();
    this.wrong = undefined;
    this.mode = 'text';
  }

  private clearMessage(): void {
    this.units.restart();
    this.hasBegun = false;
    this.textBytes = 0;
    this.blockBytes = 0;
    this.isOverrun = false;
  }
}

/** Bytes in pages of one size, so that small pieces cost no more memory than large ones. */
class Pages {
  private readonly full: Uint8Array[] = [];
  private page = new Uint8Array(0);
  private used = 0;

  add(bytes: Uint8Array): void {
    let at = 0;
    while (at < bytes.length) {
      if (this.used === this.page.length) this.turn();
      const piece = bytes.subarray(at, at + this.page.length - this.used);
      this.page.set(piece, this.used);
      this.used += piece.length;
      at += piece.length;
    }
  }

  /** The first `length` bytes in one array. */
  joined(length: number): Uint8Array {
    const whole = new Uint8Array(length);
    let at = 0;
    for (const page of this.full) {
      whole.set(page.subarray(0, length - at), at);
      at += page.length;
    }
    if (at < length) whole.set(this.page.subarray(0, length - at), at);
    return whole;
  }

  private turn(): void {
    if (this.used > 0) this.full.push(this.page);
    this.page = new Uint8Array(PAGE);
    this.used = 0;
  }
}
