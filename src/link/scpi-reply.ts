import { StallmarkError, unreachable } from '../base/error.js';

/** One value of a reply: text as it was sent, the inside of a quoted string, or the bytes of a block. */
export type ReplyValue =
  | { readonly kind: 'text'; readonly text: string }
  | { readonly kind: 'string'; readonly text: string }
  | { readonly kind: 'block'; readonly bytes: Uint8Array };

/** A reply up to its LF: one part for each query of the message, and the values of each. */
export type Reply = readonly (readonly ReplyValue[])[];

/** Bytes of a reply besides its blocks. */
export const MOST_LINE = 64 * 1024;
/** Bytes of the blocks of one reply together. */
export const MOST_BLOCK = 64 * 1024 * 1024;

/** Bytes of a page of a block: pieces are copied into pages, so that many small ones take no more room. */
const PAGE = 64 * 1024;

const TAB = 9;
const LF = 10;
const CR = 13;
const BLANK = 32;
const QUOTE = 34;
const HASH = 35;
const COMMA = 44;
const SEMICOLON = 59;
const ZERO = 48;
const NINE = 57;

/** Where in a reply the next byte stands. */
type Mode =
  /** before a value */
  | 'start'
  | 'text'
  | 'string'
  /** after a quote that ends a string, or is the first of two */
  | 'quote'
  /** after # */
  | 'hash'
  | 'length'
  | 'block'
  | 'indefinite'
  /** after a string or block */
  | 'after';

/**
 * Splits a stream of bytes into replies, in pieces of any size: the same replies whatever the pieces.
 *
 * A reply ends with LF, before which CR and blanks do not count. A block of definite length and a quoted
 * string may hold LF. A block of indefinite length ends with LF and END; as a stream has no END, the first
 * LF ends it, so it can hold text only. It keeps no more than one reply of `MOST_LINE` and `MOST_BLOCK`,
 * and of a block only what has come, whatever length it says.
 *
 * Source: IEEE 488.2-1992, clause 8, from memory. Check: tests/checks/scpi.check.ts.
 */
export class ReplySplitter {
  private mode: Mode = 'start';
  private reply: ReplyValue[][] = [[]];
  private line = new Uint8Array(256);
  /** Bytes of the value so far, and of the reply besides its blocks. */
  private length = 0;
  private lineBytes = 0;
  private blockBytes = 0;
  private digits = 0;
  private left = 0;
  /** Pages of the block so far, and how much of the last one is taken. */
  private pages: Uint8Array[] = [];
  private filled = 0;
  private wrong: StallmarkError | undefined;

  /**
   * @param take - Called with each reply as soon as its end has come.
   * @param name - Of the link, for problems.
   */
  constructor(
    private readonly take: (reply: Reply) => void,
    private readonly name: string,
  ) {}

  /** Whether a reply has begun and not ended. */
  get isOpen(): boolean {
    return this.lineBytes > 0 || this.mode !== 'start';
  }

  /**
   * @param chunk - Belongs to the splitter from now on.
   * @throws link/garbled: the stream is not in the language, and nothing after that is read.
   */
  push(chunk: Uint8Array): void {
    let at = 0;
    // Every turn takes one byte or more.
    while (at < chunk.length) {
      if (this.wrong !== undefined) throw this.wrong;
      if (this.mode === 'block') {
        at = this.takeBlock(chunk, at);
      } else {
        this.takeByte(chunk[at] ?? LF);
        at += 1;
      }
    }
    if (this.wrong !== undefined) throw this.wrong;
  }

  private takeByte(byte: number): void {
    this.lineBytes += 1;
    if (this.lineBytes > MOST_LINE) {
      this.refuse(`a reply of more than ${MOST_LINE} bytes without an end`);
      return;
    }
    switch (this.mode) {
      case 'start':
        this.takeStart(byte);
        return;
      case 'text':
        this.takeText(byte);
        return;
      case 'string':
        if (byte === QUOTE) this.mode = 'quote';
        else this.keep(byte);
        return;
      case 'quote':
        this.takeQuote(byte);
        return;
      case 'after':
        this.takeAfter(byte);
        return;
      case 'hash':
        this.takeHash(byte);
        return;
      case 'length':
        this.takeLength(byte);
        return;
      case 'indefinite':
        this.takeIndefinite(byte);
        return;
      case 'block':
        throw new Error('a byte of a block was read as text');
      default:
        unreachable(this.mode);
    }
  }

  private takeStart(byte: number): void {
    if (byte === BLANK || byte === TAB || byte === CR) return;
    if (byte === QUOTE) this.mode = 'string';
    else if (byte === HASH) this.mode = 'hash';
    else {
      this.mode = 'text';
      this.takeText(byte);
    }
  }

  private takeText(byte: number): void {
    if (byte === COMMA || byte === SEMICOLON || byte === LF) {
      this.add({ kind: 'text', text: this.kept().trim() });
      this.end(byte);
    } else if (byte < BLANK && byte !== TAB && byte !== CR) {
      this.refuse(`byte ${byte} within a text`);
    } else this.keep(byte);
  }

  private takeQuote(byte: number): void {
    if (byte === QUOTE) {
      this.keep(QUOTE);
      this.mode = 'string';
      return;
    }
    this.add({ kind: 'string', text: this.kept() });
    this.takeAfter(byte);
  }

  private takeAfter(byte: number): void {
    if (byte === COMMA || byte === SEMICOLON || byte === LF) this.end(byte);
    else if (byte === BLANK || byte === TAB || byte === CR) this.mode = 'after';
    else this.refuse(`byte ${byte} after the end of a string or block`);
  }

  private takeHash(byte: number): void {
    this.left = 0;
    this.digits = byte - ZERO;
    if (byte === ZERO) this.mode = 'indefinite';
    else if (byte > ZERO && byte <= NINE) this.mode = 'length';
    else {
      this.mode = 'text'; // a number to another base, such as #HFF
      this.keep(HASH);
      this.takeText(byte);
    }
  }

  private takeLength(byte: number): void {
    if (byte < ZERO || byte > NINE) {
      this.refuse(`byte ${byte} within the length of a block`);
      return;
    }
    this.left = this.left * 10 + (byte - ZERO);
    this.digits -= 1;
    if (this.digits > 0) return;
    this.mode = 'block';
    if (this.blockBytes + this.left > MOST_BLOCK) {
      this.refuse(`a block of ${this.left} bytes, where ${MOST_BLOCK} bytes are the most`);
    } else if (this.left === 0) this.closeBlock();
  }

  /** @returns Where in the chunk the next byte to be read stands. */
  private takeBlock(chunk: Uint8Array, from: number): number {
    let page = this.pages.at(-1);
    if (page === undefined || this.filled === page.length) {
      page = new Uint8Array(Math.min(this.left, PAGE));
      this.pages.push(page);
      this.filled = 0;
    }
    const to = Math.min(chunk.length, from + page.length - this.filled);
    page.set(chunk.subarray(from, to), this.filled);
    this.filled += to - from;
    this.left -= to - from;
    this.blockBytes += to - from;
    if (this.left === 0) this.closeBlock();
    return to;
  }

  private takeIndefinite(byte: number): void {
    if (byte !== LF) {
      this.keep(byte);
      return;
    }
    this.add({ kind: 'block', bytes: this.line.slice(0, this.length) });
    this.end(LF);
  }

  private closeBlock(): void {
    const bytes = joined(this.pages);
    this.pages = [];
    this.add({ kind: 'block', bytes });
    this.mode = 'after';
  }

  private add(value: ReplyValue): void {
    this.reply.at(-1)?.push(value);
    this.length = 0;
  }

  /** A comma, semicolon or LF after a value. */
  private end(byte: number): void {
    this.mode = 'start';
    if (byte === SEMICOLON) this.reply.push([]);
    if (byte !== LF) return;
    const whole = this.reply;
    this.reply = [[]];
    this.lineBytes = 0;
    this.blockBytes = 0;
    this.take(whole);
  }

  private keep(byte: number): void {
    if (this.length === this.line.length) {
      const wider = new Uint8Array(2 * this.line.length);
      wider.set(this.line);
      this.line = wider;
    }
    this.line[this.length] = byte;
    this.length += 1;
  }

  private kept(): string {
    return new TextDecoder().decode(this.line.subarray(0, this.length));
  }

  private refuse(found: string): void {
    const what = `The link "${this.name}" sent ${found}, which is no reply after IEEE 488.2.`;
    const fix = 'Check that the place of the link is that of the instrument, and its settings.';
    this.wrong = new StallmarkError([{ code: 'link/garbled', what, fix }]);
    this.reply = [[]];
    this.pages = [];
    this.line = new Uint8Array(0);
  }
}

function joined(pages: readonly Uint8Array[]): Uint8Array {
  const [only] = pages;
  if (only !== undefined && pages.length === 1) return only;
  const whole = new Uint8Array(pages.reduce((sum, { length }) => sum + length, 0));
  let at = 0;
  for (const page of pages) {
    whole.set(page, at);
    at += page.length;
  }
  return whole;
}
