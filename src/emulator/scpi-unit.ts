import { fault, type ScpiFault } from './scpi-fault.js';

/** A parameter of a message, by what it looks like. */
export type Parameter =
  | { readonly kind: 'number'; readonly value: number }
  | { readonly kind: 'word'; readonly text: string }
  | { readonly kind: 'string'; readonly text: string }
  | { readonly kind: 'block'; readonly bytes: Uint8Array };

/** One command or question, its header in full from the root. */
export interface ProgramUnit {
  /** As commands are listed: in capitals, without suffixes of 1, e.g. `SOUR:ARB:RATE?` or `*IDN?`. */
  readonly header: string;
  readonly isQuestion: boolean;
  readonly parameters: readonly Parameter[];
}

/** Place of a block in the text of a unit. No byte of a message can look like it: white space is read as blanks. */
export const BLOCK_MARK = '\u0001';

/** Most characters of a mnemonic. Source: IEEE 488.2-1992, 7.6.1.4.1, from memory. */
const MOST_MNEMONIC = 12;
/** Most levels of a header: what hangs on longer paths is undefined anyway. */
const MOST_LEVELS = 16;
const MOST_DIGITS = 255;
const MOST_EXPONENT = 32000;

const HEADER = /^(?:\*[A-Za-z]+|:?[A-Za-z]\w*(?::[A-Za-z]\w*)*)\??$/u;
const NUMBER = /^[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?: *[Ee] *([+-]?\d+))?$/u;
const OTHER_BASE = /^#(?:[Hh][\dA-Fa-f]+|[Qq][0-7]+|[Bb][01]+)$/u;

/**
 * Reads units one after the other. Header paths go on from unit to unit of one message: without a
 * leading colon a header begins where the last word of the one before stood; common commands change
 * nothing.
 *
 * Source: SCPI-1999 volume 1, 6.2.4, and IEEE 488.2-1992, clause 7, from memory.
 * Check: tests/checks/scpi-instrument.check.ts.
 */
export class UnitReader {
  private path: readonly string[] = [];

  /** Begins a new message: back to the root. */
  restart(): void {
    this.path = [];
  }

  /** @param text - One unit without what ends it, a `BLOCK_MARK` where each of the blocks stood. */
  read(text: string, blocks: readonly Uint8Array[]): ProgramUnit | ScpiFault {
    const trimmed = text.trim();
    const gap = trimmed.search(/\s/u);
    const written = gap < 0 ? trimmed : trimmed.slice(0, gap);
    const header = this.header(written);
    if (typeof header !== 'string') return header;
    const parameters = gap < 0 ? [] : readParameters(trimmed.slice(gap), blocks);
    if (!isList(parameters)) return parameters;
    return { header, isQuestion: header.endsWith('?'), parameters };
  }

  private header(written: string): string | ScpiFault {
    if (!HEADER.test(written)) return headerFault(written);
    const isQuestion = written.endsWith('?');
    const named = isQuestion ? written.slice(0, -1) : written;
    const mark = isQuestion ? '?' : '';
    if (named.startsWith('*')) {
      if (named.length - 1 > MOST_MNEMONIC) return fault('-112', written);
      return named.toUpperCase() + mark;
    }
    const own = named.replace(/^:/u, '').toUpperCase().split(':');
    if (own.some((word) => word.length > MOST_MNEMONIC)) return fault('-112', written);
    const nodes = named.startsWith(':') ? own : [...this.path, ...own];
    if (nodes.length > MOST_LEVELS) return fault('-113', written);
    this.path = nodes.slice(0, -1);
    const wrong = nodes.find((word) => /\d$/u.test(word) && !/\D0*1$/u.test(word));
    if (wrong !== undefined) return fault('-114', written);
    return nodes.map((word) => word.replace(/0*1$/u, '')).join(':') + mark;
  }
}

function headerFault(written: string): ScpiFault {
  const shown = written.replaceAll(BLOCK_MARK, '#').slice(0, 40);
  if (/^[:*]?[A-Za-z][\w:]*(?:\?\w|\??[,"'#\u0001])/u.test(written)) return fault('-111', shown);
  return /[^\w:*?\u0001]/u.test(written) ? fault('-101', shown) : fault('-102', shown);
}

function isList(read: readonly Parameter[] | ScpiFault): read is readonly Parameter[] {
  return Array.isArray(read);
}

function readParameters(
  text: string,
  blocks: readonly Uint8Array[],
): readonly Parameter[] | ScpiFault {
  const found: Parameter[] = [];
  const left = [...blocks];
  for (const piece of commaPieces(text)) {
    const parameter = readParameter(piece.trim(), left);
    if ('number' in parameter) return parameter;
    found.push(parameter);
  }
  return found;
}

/** Splits at commas that stand outside of strings. */
function commaPieces(text: string): readonly string[] {
  const pieces: string[] = [];
  let from = 0;
  let quote = '';
  for (let i = 0; i < text.length; i += 1) {
    const at = text.charAt(i);
    if (quote !== '') quote = at === quote ? '' : quote;
    else if (at === '"' || at === "'") quote = at;
    else if (at === ',') {
      pieces.push(text.slice(from, i));
      from = i + 1;
    }
  }
  pieces.push(text.slice(from));
  return pieces;
}

/** @param blocks - Those not read yet, in order; the one that stands here is taken out. */
function readParameter(text: string, blocks: Uint8Array[]): Parameter | ScpiFault {
  if (text === '') return fault('-109');
  if (text.includes(BLOCK_MARK)) {
    const bytes = blocks.shift();
    return text === BLOCK_MARK && bytes !== undefined ? { kind: 'block', bytes } : fault('-161');
  }
  const first = text.charAt(0);
  if (first === '"' || first === "'") return readString(text, first);
  if (/[A-Za-z]/u.test(first)) return readWord(text);
  if (first === '#') return readOtherBase(text);
  return /[\d+.-]/u.test(first) ? readNumber(text) : fault('-102', text.slice(0, 40));
}

function readString(text: string, quote: string): Parameter | ScpiFault {
  const inner = text.slice(1, -1);
  const single = inner.replaceAll(quote + quote, '');
  const isWhole = text.length >= 2 && text.endsWith(quote) && !single.includes(quote);
  if (!isWhole) return fault('-151', text.slice(0, 40));
  return { kind: 'string', text: inner.replaceAll(quote + quote, quote) };
}

function readWord(text: string): Parameter | ScpiFault {
  if (!/^\w+$/u.test(text)) return fault('-141', text.slice(0, 40));
  if (text.length > MOST_MNEMONIC) return fault('-144', text.slice(0, 40));
  return { kind: 'word', text: text.toUpperCase() };
}

function readOtherBase(text: string): Parameter | ScpiFault {
  if (!OTHER_BASE.test(text)) return fault('-161', text.slice(0, 40));
  if (text.length > MOST_DIGITS) return fault('-124', text.slice(0, 40));
  const base = { H: 16, Q: 8, B: 2 }[text.charAt(1).toUpperCase()];
  return { kind: 'number', value: Number.parseInt(text.slice(2), base) };
}

function readNumber(text: string): Parameter | ScpiFault {
  const shown = text.slice(0, 40);
  if (text.length > MOST_DIGITS) return fault('-124', shown);
  const match = NUMBER.exec(text);
  if (match === null)
    return fault(/^[+-]?[\d.]+ *[A-Za-z%/]+$/u.test(text) ? '-138' : '-121', shown);
  if (Math.abs(Number(match[1] ?? 0)) > MOST_EXPONENT) return fault('-123', shown);
  return { kind: 'number', value: Number(text.replaceAll(' ', '')) };
}
