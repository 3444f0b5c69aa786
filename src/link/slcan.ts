/**
 * Text protocol of serial gateways to a CAN bus (SLCAN): one command or frame a line, each ended by CR;
 * CR alone says that a command was carried out, BEL that it was not.
 */

/** A frame of CAN 2.0. */
export interface CanFrame {
  /** 11 bits, or 29 where the frame is extended. */
  readonly id: number;
  /** 0 … 8 bytes; empty where the frame is remote. */
  readonly data: Uint8Array;
  readonly isExtended?: true;
  /** Bytes that a remote frame asks for. */
  readonly remote?: number;
  /** Time stamp of the gateway, ms of its minute; absent where it gives none. */
  readonly stamp?: number;
}

/** What a gateway says. */
export type GatewayWord =
  | { readonly kind: 'frame'; readonly frame: CanFrame }
  /** A command was carried out, or a frame was taken. */
  | { readonly kind: 'done' }
  /** It was not. */
  | { readonly kind: 'refused' }
  /** Version, serial number or status flags. */
  | { readonly kind: 'told'; readonly text: string }
  /** What is no word of this protocol; at most `LONGEST_LINE` characters of it. */
  | { readonly kind: 'garbled'; readonly line: string };

/** Characters of the longest line without its CR: an extended frame of 8 bytes with a time stamp. */
export const LONGEST_LINE = 30;

const CR = 0x0d;
const BEL = 0x07;
const MOST_STANDARD = 0x7ff;
const MOST_EXTENDED = 0x1fff_ffff;

/** bit/s of the settings S0 … S8. */
export const BIT_RATES = [
  10_000, 20_000, 50_000, 100_000, 125_000, 250_000, 500_000, 800_000, 1_000_000,
] as const;

/**
 * Writes the command that sets the bit rate, without its CR, or says undefined when there is none.
 *
 * @param bitRate - bit/s
 *
 * Source: SLCAN, from memory. Check: tests/checks/cia402.check.ts.
 */
export function bitRateCommand(bitRate: number): string | undefined {
  const found = BIT_RATES.findIndex((rate) => rate === bitRate);
  return found < 0 ? undefined : `S${found}`;
}

/**
 * Writes a frame as a line with its CR. A frame that CAN does not have is a defect of ours.
 *
 * Source: SLCAN, from memory. Check: tests/checks/cia402.check.ts.
 */
export function encodeFrame(frame: CanFrame): Uint8Array {
  const { id, data, isExtended, remote } = frame;
  const length = remote ?? data.length;
  if (!isSound(frame)) throw new Error(`no CAN frame has identifier ${id} and ${length} bytes`);
  const letter = remote === undefined ? 't' : 'r';
  const head =
    isExtended === true ? `${letter.toUpperCase()}${hex(id, 8)}` : `${letter}${hex(id, 3)}`;
  const body = remote === undefined ? Array.from(data, (byte) => hex(byte, 2)).join('') : '';
  return encodeLine(`${head}${length}${body}`);
}

function isSound({ id, data, isExtended, remote }: CanFrame): boolean {
  const most = isExtended === true ? MOST_EXTENDED : MOST_STANDARD;
  const length = remote ?? data.length;
  const isWhole = Number.isInteger(id) && Number.isInteger(length);
  return isWhole && id >= 0 && id <= most && length >= 0 && length <= 8;
}

/** Writes a command, e.g. `O`, with its CR. */
export function encodeLine(text: string): Uint8Array {
  const line = new Uint8Array(text.length + 1);
  for (let i = 0; i < text.length; i++) line[i] = text.charCodeAt(i);
  line[text.length] = CR;
  return line;
}

const hex = (value: number, digits: number): string =>
  value.toString(16).toUpperCase().padStart(digits, '0');

/**
 * Reads what a gateway says, however it is cut into chunks. Holds one line and no more; a line that is
 * too long is garbled, told once, and passed over up to its end.
 */
export class SlcanDecoder {
  private readonly line = new Uint8Array(LONGEST_LINE);
  private length = 0;
  private isTooLong = false;

  constructor(private readonly hear: (word: GatewayWord) => void) {}

  push(chunk: Uint8Array): void {
    for (const byte of chunk) {
      if (byte === CR || byte === BEL) this.end(byte);
      else if (this.length < LONGEST_LINE) this.line[this.length++] = byte;
      else this.overflow();
    }
  }

  private end(byte: number): void {
    const text = String.fromCharCode(...this.line.subarray(0, this.length));
    const wasTooLong = this.isTooLong;
    this.length = 0;
    this.isTooLong = false;
    if (wasTooLong) return;
    if (byte === CR) {
      this.hear(wordOf(text));
      return;
    }
    if (text !== '') this.hear({ kind: 'garbled', line: text });
    this.hear({ kind: 'refused' });
  }

  private overflow(): void {
    if (this.isTooLong) return;
    this.isTooLong = true;
    this.hear({ kind: 'garbled', line: String.fromCharCode(...this.line) });
  }
}

/** `z` and `Z` say that a frame was taken. */
function wordOf(text: string): GatewayWord {
  if (text === '' || text === 'z' || text === 'Z') return { kind: 'done' };
  if (/^[VvNF][ -~]+$/u.test(text)) return { kind: 'told', text };
  const frame = frameOf(text);
  return frame === undefined ? { kind: 'garbled', line: text } : { kind: 'frame', frame };
}

/** The letter tells the kind; the length says where data end and a time stamp begins. */
function frameOf(text: string): CanFrame | undefined {
  if (!/^[tTrR][0-9A-Fa-f]+$/u.test(text)) return undefined;
  const letter = text.charAt(0);
  const isExtended = 'TR'.includes(letter);
  const end = isExtended ? 9 : 4;
  const id = Number.parseInt(text.slice(1, end), 16);
  const count = Number.parseInt(text.charAt(end), 16);
  if (!(id <= (isExtended ? MOST_EXTENDED : MOST_STANDARD) && count <= 8)) return undefined;
  const kind = isExtended ? { id, isExtended } : { id };
  const rest = text.slice(end + 1);
  if ('tT'.includes(letter)) return bodyOf(kind, rest, count);
  const body = bodyOf(kind, rest, 0);
  return body === undefined ? undefined : { ...body, remote: count };
}

function bodyOf(
  kind: Pick<CanFrame, 'id' | 'isExtended'>,
  rest: string,
  count: number,
): CanFrame | undefined {
  const isStamped = rest.length === 2 * count + 4;
  if (!isStamped && rest.length !== 2 * count) return undefined;
  const data = new Uint8Array(count);
  for (let i = 0; i < count; i++) data[i] = Number.parseInt(rest.slice(2 * i, 2 * i + 2), 16);
  if (!isStamped) return { ...kind, data };
  return { ...kind, data, stamp: Number.parseInt(rest.slice(2 * count), 16) };
}
