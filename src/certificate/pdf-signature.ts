import { inflateSync } from 'node:zlib';

/** Bytes kept free for the signature, so that it need not be rewritten when the chain grows. */
export const SIGNATURE_BYTES = 16_384;
const RANGE_PLACEHOLDER = '/ByteRange [0 9999999999 9999999999 9999999999]';

/** What a PDF says of its signature, nothing of it verified yet. */
export interface PdfSignature {
  /** Everything but the signature itself. */
  readonly covered: readonly [before: Uint8Array, after: Uint8Array];
  /** CMS, DER, without padding. */
  readonly der: Uint8Array;
  /** Claimed time of signing, ms since the Unix epoch; undefined when it is missing. */
  readonly at: number | undefined;
}

export type PdfDamage =
  | 'not-a-pdf'
  | 'no-signature'
  | 'several-signatures'
  | 'range'
  | 'truncated'
  | 'bytes-appended'
  | 'later-update'
  | 'gap'
  | 'padding'
  | 'structure';

export interface PdfFinding {
  readonly damage: PdfDamage;
  /** One sentence. */
  readonly sentence: string;
}

const finding = (damage: PdfDamage, sentence: string): PdfFinding => ({ damage, sentence });

/** Where the placeholder of an unsigned PDF lies. */
export interface Placeholder {
  /** Position of the ByteRange array and its length in bytes. */
  readonly range: { readonly at: number; readonly length: number };
  /** Positions of "<" and behind ">" of the signature. */
  readonly from: number;
  readonly to: number;
}

/** Finds the one placeholder, or nothing when there is none or more than one. */
export function findPlaceholder(pdf: Uint8Array): Placeholder | undefined {
  const bytes = viewOf(pdf);
  const at = bytes.indexOf(RANGE_PLACEHOLDER, 0, 'latin1');
  if (at < 0 || bytes.indexOf(RANGE_PLACEHOLDER, at + 1, 'latin1') >= 0) return undefined;
  const empty = `/Contents <${'00'.repeat(SIGNATURE_BYTES)}>`;
  const contents = bytes.indexOf(empty, 0, 'latin1');
  if (contents < 0) return undefined;
  const from = contents + '/Contents '.length;
  return { range: { at, length: RANGE_PLACEHOLDER.length }, from, to: contents + empty.length };
}

/**
 * Reads the one signature of a PDF and holds it to covering the whole file: range from the first
 * byte to the last, a gap that is exactly one hexadecimal string, zeros behind the signature in it.
 *
 * Source: ISO 32000-1:2008, 12.8.1 (ByteRange, Contents); the rest is stricter than that.
 */
export function readSignature(pdf: Uint8Array): PdfSignature | PdfFinding {
  const bytes = viewOf(pdf);
  if (bytes.toString('latin1', 0, 5) !== '%PDF-') {
    return finding('not-a-pdf', 'The file does not begin like a PDF.');
  }
  const latin = bytes.toString('latin1');
  const ranges = [...latin.matchAll(/\/ByteRange\s*\[([^\]]*)\]/gu)];
  const [range] = ranges;
  if (range === undefined) return finding('no-signature', 'The PDF carries no signature.');
  if (ranges.length > 1) {
    return finding(
      'several-signatures',
      `The PDF carries ${String(ranges.length)} signatures, not one: it was signed again later.`,
    );
  }
  if (range[0] === RANGE_PLACEHOLDER) {
    return finding('no-signature', 'The PDF has a place for a signature, but was never sealed.');
  }
  const numbers = (range[1] ?? '').trim().split(/\s+/u).map(Number);
  return (
    uncovered(bytes, numbers) ?? signatureIn(bytes, numbers, dictionaryAround(latin, range.index))
  );
}

/** Text of the object that holds position `at`. */
function dictionaryAround(latin: string, at: number): string {
  const begin = latin.lastIndexOf(' obj', at);
  const end = latin.indexOf('endobj', at);
  return latin.slice(Math.max(0, begin), end < 0 ? latin.length : end);
}

/** What keeps the range from covering the whole file, if anything. */
function uncovered(bytes: Buffer, numbers: readonly number[]): PdfFinding | undefined {
  const [start = -1, before = -1, resume = -1, after = -1] = numbers;
  const whole = numbers.length === 4 && numbers.every((n) => Number.isSafeInteger(n) && n >= 0);
  if (!whole || start !== 0 || resume <= before) {
    return finding(
      'range',
      `The signature covers "${numbers.join(' ')}", which leaves out the beginning or runs backwards.`,
    );
  }
  const end = resume + after;
  if (end > bytes.length) {
    return finding(
      'truncated',
      `The signature covers ${String(end)} bytes, but the file has only ${String(bytes.length)}: its end is missing.`,
    );
  }
  if (end === bytes.length) return undefined;
  const tail = bytes.toString('latin1', end);
  const count = String(bytes.length - end);
  return /startxref|\bobj\b|%%EOF/u.test(tail)
    ? finding('later-update', `An update of ${count} bytes was added after sealing.`)
    : finding('bytes-appended', `${count} bytes were appended after sealing.`);
}

function signatureIn(
  bytes: Buffer,
  [, before = 0, resume = 0]: readonly number[],
  dictionary: string,
): PdfSignature | PdfFinding {
  const gap = bytes.toString('latin1', before, resume);
  const key = /\/Contents\s*$/u.test(bytes.toString('latin1', Math.max(0, before - 16), before));
  if (!key || !/^<(?:[0-9a-f]{2})+>$/iu.test(gap)) {
    return finding(
      'gap',
      'What the signature leaves out is not exactly one hexadecimal string: something hides there.',
    );
  }
  const contents = Buffer.from(gap.slice(1, -1), 'hex');
  const length = derLength(contents);
  if (length === undefined || length > contents.length) {
    return finding('gap', 'What the signature leaves out does not begin with a CMS structure.');
  }
  if (contents.subarray(length).some((byte) => byte !== 0)) {
    return finding('padding', 'Behind the signature stand bytes other than zero.');
  }
  if (!/\/SubFilter\s*\/ETSI\.CAdES\.detached\b/u.test(dictionary)) {
    return finding('structure', 'The signature is not of the kind ETSI.CAdES.detached.');
  }
  return {
    covered: [bytes.subarray(0, before), bytes.subarray(resume)],
    der: contents.subarray(0, length),
    at: pdfDate(/\/M\s*\(([^)]*)\)/u.exec(dictionary)?.[1] ?? ''),
  };
}

/** Length of the DER value at the start, header included; undefined when it is no sequence. */
function derLength(der: Uint8Array): number | undefined {
  const [tag, first = 0] = der;
  if (tag !== 0x30) return undefined;
  if (first < 0x80) return 2 + first;
  const count = first & 0x7f;
  if (count === 0 || count > 3) return undefined;
  return der.subarray(2, 2 + count).reduce((sum, byte) => sum * 256 + byte, 0) + 2 + count;
}

const DATE =
  /^D:(\d{4})(\d{2})(\d{2})(\d{2})(\d{2})(\d{2})(?:Z(?:00'?00'?)?|([+-]\d{2})'?(\d{2})'?)$/u;

/** Reads D:YYYYMMDDHHmmSS with its offset; undefined when it has none or is something else. */
function pdfDate(text: string): number | undefined {
  const match = DATE.exec(text);
  if (match === null) return undefined;
  const [, year, month, day, hour, minute, second, hours, minutes] = match;
  const offset = hours === undefined ? 'Z' : `${hours}:${minutes ?? '00'}`;
  const instant = Date.parse(
    `${year ?? ''}-${month ?? ''}-${day ?? ''}T${hour ?? ''}:${minute ?? ''}:${second ?? ''}${offset}`,
  );
  return Number.isFinite(instant) ? instant : undefined;
}

/** What a PDF carries besides its pages. */
export interface PdfContents {
  /** Bytes of every embedded file. */
  readonly attachments: readonly Uint8Array[];
  /** Entries of the document information dictionary that are text. */
  readonly information: ReadonlyMap<string, string>;
}

/** Largest embedded file that is unpacked; a table takes some tens of kilobytes. */
const LARGEST_ATTACHMENT = 64 * 2 ** 20;

/**
 * Reads embedded files and document information through the cross-reference table.
 *
 * Reads what our own certificates contain: one classic table, no encryption, streams bare or deflated.
 */
export function readContents(pdf: Uint8Array): PdfContents | PdfFinding {
  const bytes = viewOf(pdf);
  const latin = bytes.toString('latin1');
  const table = objectsOf(latin);
  if (typeof table === 'string') return finding('structure', table);
  const attachments: Uint8Array[] = [];
  for (const at of table.offsets.values()) {
    const head = headOf(latin, at);
    if (!/\/Type\s*\/EmbeddedFile\b/u.test(head.dictionary)) continue;
    const content = streamOf(bytes, head, table.offsets);
    if (typeof content === 'string') return finding('structure', content);
    attachments.push(content);
  }
  return { attachments, information: informationOf(latin, table) };
}

interface ObjectTable {
  /** Position of each object by its number. */
  readonly offsets: ReadonlyMap<number, number>;
  readonly trailer: string;
}

function objectsOf(latin: string): ObjectTable | string {
  const start = /startxref\s+(\d+)\s+%%EOF\s*$/u.exec(latin.slice(-1024))?.[1];
  const at = Number(start ?? NaN);
  const heading = /xref\s+0\s+(\d+)\s+/uy;
  heading.lastIndex = at;
  const count = Number(heading.exec(latin)?.[1] ?? NaN);
  if (!Number.isFinite(at + count)) return 'The PDF has no cross-reference table at its end.';
  const offsets = new Map<number, number>();
  const entries = heading.lastIndex;
  for (let i = 0; i < count; i += 1) {
    const entry = /^(\d{10}) \d{5} ([nf])/u.exec(
      latin.slice(entries + 20 * i, entries + 20 * i + 20),
    );
    if (entry === null) return `Entry ${String(i)} of the cross-reference table is not one.`;
    if (entry[2] === 'n') offsets.set(i, Number(entry[1]));
  }
  return { offsets, trailer: latin.slice(entries + 20 * count) };
}

interface Head {
  readonly dictionary: string;
  /** Where the stream begins; −1 for an object without one. */
  readonly stream: number;
}

function headOf(latin: string, at: number): Head {
  const end = /\bstream\r?\n|\bendobj\b/gu;
  end.lastIndex = at;
  const match = end.exec(latin);
  if (match === null) return { dictionary: latin.slice(at), stream: -1 };
  const stream = match[0] === 'endobj' ? -1 : end.lastIndex;
  return { dictionary: latin.slice(at, match.index), stream };
}

function streamOf(
  bytes: Buffer,
  head: Head,
  offsets: ReadonlyMap<number, number>,
): Uint8Array | string {
  const length = lengthOf(bytes, head.dictionary, offsets);
  if (head.stream < 0 || length === undefined || head.stream + length > bytes.length) {
    return 'An embedded file has no readable stream.';
  }
  const raw = bytes.subarray(head.stream, head.stream + length);
  if (!/\/Filter\b/u.test(head.dictionary)) return raw;
  if (!/\/Filter\s*\[?\s*\/FlateDecode\b/u.test(head.dictionary)) {
    return 'An embedded file is packed in a way this program does not read.';
  }
  try {
    return inflateSync(raw, { maxOutputLength: LARGEST_ATTACHMENT });
  } catch (error) {
    return `An embedded file does not unpack (${error instanceof Error ? error.message : String(error)}).`;
  }
}

/** Length of a stream: a number, or a reference to an object that is one. */
function lengthOf(
  bytes: Buffer,
  dictionary: string,
  offsets: ReadonlyMap<number, number>,
): number | undefined {
  const match = /\/Length\s+(\d+)(?:\s+\d+\s+(R))?/u.exec(dictionary);
  if (match === null) return undefined;
  const found = Number(match[1]);
  if (match[2] === undefined) return found;
  const at = offsets.get(found);
  if (at === undefined) return undefined;
  const value = /^\d+\s+\d+\s+obj\s+(\d+)/u.exec(bytes.toString('latin1', at, at + 64))?.[1];
  return value === undefined ? undefined : Number(value);
}

function informationOf(latin: string, table: ObjectTable): ReadonlyMap<string, string> {
  const reference = /\/Info\s+(\d+)\s+\d+\s+R/u.exec(table.trailer)?.[1];
  const at = reference === undefined ? undefined : table.offsets.get(Number(reference));
  if (at === undefined) return new Map();
  const { dictionary } = headOf(latin, at);
  const entries = dictionary.matchAll(INFORMATION_ENTRY);
  return new Map(
    [...entries].map(([, key = '', written, object]) => [
      key,
      literalText(written ?? literalAt(latin, table.offsets.get(Number(object)))),
    ]),
  );
}

/** A key with a literal string, or with a reference to an object that is one. */
const INFORMATION_ENTRY = /\/(\w+)\s+(?:\(((?:[^\\()]|\\[^])*)\)|(\d+)\s+\d+\s+R)/gu;
const LITERAL_OBJECT = /\d+\s+\d+\s+obj\s+\(((?:[^\\()]|\\[^])*)\)/uy;

function literalAt(latin: string, at: number | undefined): string {
  if (at === undefined) return '';
  LITERAL_OBJECT.lastIndex = at;
  return LITERAL_OBJECT.exec(latin)?.[1] ?? '';
}

const ESCAPES: Readonly<Record<string, string>> = {
  n: '\n',
  r: '\r',
  t: '\t',
  b: '\b',
  f: '\f',
};

/** Reads a literal string: escapes, then UTF-16BE when it begins with a byte order mark. */
function literalText(written: string): string {
  const raw = written.replace(/\\([0-7]{1,3}|\r\n|[^])/gu, (_, escape: string) => {
    if (/^[0-7]/u.test(escape)) return String.fromCharCode(parseInt(escape, 8) & 0xff);
    return /^[\r\n]/u.test(escape) ? '' : (ESCAPES[escape] ?? escape);
  });
  const bytes = Buffer.from(raw, 'latin1');
  if (bytes[0] !== 0xfe || bytes[1] !== 0xff) return raw;
  return bytes
    .subarray(2, bytes.length - (bytes.length % 2))
    .swap16()
    .toString('utf16le');
}

function viewOf(bytes: Uint8Array): Buffer {
  return Buffer.from(bytes.buffer, bytes.byteOffset, bytes.byteLength);
}
