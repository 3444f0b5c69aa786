import type { Port } from '../link/port.js';

/** A data frame of a CAN bus with an 11-bit identifier. */
export interface CanFrame {
  readonly id: number;
  /** 0 … 8 bytes. */
  readonly data: Uint8Array;
}

const [CR, BEL] = [0x0d, 0x07];
/** Bytes of the longest line of the language. */
const LONGEST = 32;

/**
 * The far side of a serial gateway to a CAN bus, as text lines ended by CR: S0 … S8 choose the bit rate, O
 * opens, C closes, t sends a frame. CR answers what was done, BEL what was not. Source: the line
 * language that serial gateways have in common (common practice, no source).
 *
 * @param onFrame - Told every frame that is sent while the channel is open.
 */
export class CanGateway {
  private line: number[] = [];
  private isOpen = false;

  constructor(
    private readonly port: Port,
    private readonly onFrame: (frame: CanFrame) => void,
  ) {}

  /** Takes bytes of the port, in any pieces. */
  take(chunk: Uint8Array): void {
    for (const byte of chunk) {
      if (byte === CR) this.answer(String.fromCharCode(...this.line.splice(0)));
      else if (this.line.length < LONGEST) this.line.push(byte);
    }
  }

  /** Puts a frame on the bus, i.e. tells it to the host, when the channel is open. */
  send(id: number, data: readonly number[] | Uint8Array): void {
    if (!this.isOpen) return;
    const bytes = [...data].map((byte) => byte.toString(16).padStart(2, '0')).join('');
    this.write(`t${id.toString(16).padStart(3, '0')}${data.length}${bytes.toUpperCase()}\r`);
  }

  private answer(line: string): void {
    const isDone = this.does(line);
    if (isDone && line.startsWith('t')) this.write('z\r');
    else this.write(String.fromCharCode(isDone ? CR : BEL));
  }

  private does(line: string): boolean {
    if (/^S[0-8]$/u.test(line)) return !this.isOpen;
    if (/^Z0$/u.test(line)) return !this.isOpen;
    if (line === 'O' || line === 'C') {
      this.isOpen = line === 'O';
      return true;
    }
    if (line === 'V' || line === 'N') {
      this.write(line === 'V' ? 'V0100' : 'NSIMU');
      return true;
    }
    const [, id, length, data = ''] =
      /^t([0-7][0-9A-Fa-f]{2})([0-8])((?:[0-9A-Fa-f]{2})*)$/u.exec(line) ?? [];
    if (!this.isOpen || id === undefined || data.length !== 2 * Number(length)) return false;
    const bytes = Uint8Array.from(data.match(/../gu) ?? [], (pair) => Number.parseInt(pair, 16));
    this.onFrame({ id: Number.parseInt(id, 16), data: bytes });
    return true;
  }

  private write(text: string): void {
    // A port that closed says so to its listener; what is on its way to it is of no use any more.
    this.port.write(Buffer.from(text, 'latin1')).catch(() => undefined);
  }
}
