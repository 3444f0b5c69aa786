import type { Readable, Writable } from 'node:stream';
import { setImmediate as nextTurn } from 'node:timers/promises';
import type { Clock } from '../base/clock.js';
import { StallmarkError } from '../base/error.js';
import { WRITE_DEADLINE, type Port, type PortListener } from './port.js';

/** Bytes that may wait to be taken; more means that nobody takes them. */
export const MOST_UNSENT = 8 * 2 ** 20;
/** Bytes that are kept until somebody listens; then the other end is made to wait. */
const MOST_UNHEARD = 64 * 2 ** 10;
/** Bytes handed over in one go, each with the deadline of a write. */
const PIECE = 64 * 2 ** 10;

/** How a port ends. */
type EndCode = 'link/closed' | 'link/stalled';

/** Two streams of the system and what belongs to them. */
export interface StreamEnds {
  readonly name: string;
  readonly tellsEnd: boolean;
  readonly input: Readable;
  readonly output: Writable;
  /** Bytes that the device takes within its deadline; slow lines need less than `PIECE`. */
  readonly piece?: number;
  /** Finds out more of why the other end went. Takes 0.6 s at most. */
  readonly reason?: (how: string) => Promise<string>;
  /** Lets go of the device. Never throws, ends within 1 s. */
  readonly release: () => Promise<void>;
}

interface Unsent {
  readonly bytes: Uint8Array;
  sent: number;
  resolve(): void;
  reject(error: StallmarkError): void;
}

/**
 * A port over streams of the system: a socket, a serial device, the pipes of a child process. Writes
 * are handed over one after another in pieces; a piece that is not taken within `WRITE_DEADLINE` ends
 * the port, and so does the other end.
 */
export class StreamPort implements Port {
  readonly name: string;
  readonly tellsEnd: boolean;
  private listener: PortListener | undefined;
  private unheard: Uint8Array[] = [];
  private unheardBytes = 0;
  private readonly queue: Unsent[] = [];
  private unsentBytes = 0;
  /** ms of the clock when the piece under way was handed over. */
  private handedOver = 0;
  private isWatched = false;
  private isEnding = false;
  private ended: StallmarkError | undefined;
  private released: Promise<void> | undefined;

  constructor(
    private readonly ends: StreamEnds,
    private readonly clock: Clock,
  ) {
    this.name = ends.name;
    this.tellsEnd = ends.tellsEnd;
    const { input, output } = ends;
    const hungUp = (how: string) => (): void => {
      this.hungUp(how);
    };
    const broke = (error: Error): void => {
      this.hungUp(`the line broke: ${error.message}`);
    };
    input.on('data', (chunk: Uint8Array) => {
      this.hear(chunk);
    });
    input.on('end', hungUp('the other end hung up'));
    input.on('close', hungUp('the other end hung up'));
    for (const stream of new Set<Readable | Writable>([input, output])) stream.on('error', broke);
  }

  write(bytes: Uint8Array): Promise<void> {
    if (this.ended !== undefined) return Promise.reject(this.ended);
    if (this.unsentBytes + bytes.length > MOST_UNSENT) {
      this.end('link/stalled', `it left ${this.unsentBytes} bytes untaken`);
      return this.write(bytes);
    }
    return new Promise((resolve, reject) => {
      this.queue.push({ bytes, sent: 0, resolve, reject });
      this.unsentBytes += bytes.length;
      if (this.queue.length === 1) this.handOver();
      void this.watch();
    });
  }

  listen(listener: PortListener): void {
    this.listener = listener;
    const { unheard } = this;
    this.unheard = [];
    this.unheardBytes = 0;
    for (const chunk of unheard) listener.bytes(chunk);
    if (this.ended === undefined) this.ends.input.resume();
    else listener.closed(...endOf(this.ended));
  }

  async close(): Promise<void> {
    this.end('link/closed', 'it was closed by this program');
    await this.released;
  }

  /** Notes that the other end is gone; the first who says so is believed. */
  hungUp(how: string): void {
    if (this.isEnding || this.ended !== undefined) return;
    this.isEnding = true;
    const { reason } = this.ends;
    if (reason === undefined) this.end('link/closed', how);
    else {
      void reason(how).then((why) => {
        this.end('link/closed', why);
      });
    }
  }

  private hear(chunk: Uint8Array): void {
    if (this.ended !== undefined) return;
    if (this.listener !== undefined) {
      this.listener.bytes(chunk);
      return;
    }
    this.unheard.push(chunk);
    this.unheardBytes += chunk.length;
    if (this.unheardBytes > MOST_UNHEARD) this.ends.input.pause();
  }

  /** Hands over the next piece of what was written first. */
  private handOver(): void {
    const first = this.queue[0];
    if (first === undefined || this.ended !== undefined) return;
    const to = Math.min(first.bytes.length, first.sent + (this.ends.piece ?? PIECE));
    this.handedOver = this.clock.monotonic();
    this.ends.output.write(first.bytes.subarray(first.sent, to), (error) => {
      if (error !== null && error !== undefined) {
        this.hungUp(`it cannot be written to: ${error.message}`);
        return;
      }
      if (this.ended !== undefined) return;
      this.unsentBytes -= to - first.sent;
      first.sent = to;
      if (to === first.bytes.length) {
        this.queue.shift();
        first.resolve();
      }
      this.handOver();
    });
  }

  /** Looks after the piece under way; runs while there is one. */
  private async watch(): Promise<void> {
    if (this.isWatched) return;
    this.isWatched = true;
    while (this.queue.length > 0 && this.ended === undefined && !this.isEnding) {
      const since = this.handedOver;
      await this.clock.wait(Math.max(1, since + WRITE_DEADLINE - this.clock.monotonic()));
      // When this program was held up, the system may have taken it long ago.
      await nextTurn();
      if (this.handedOver === since) this.giveUpLate(since);
    }
    this.isWatched = false;
  }

  private giveUpLate(since: number): void {
    if (this.queue.length === 0 || this.isEnding) return;
    if (this.clock.monotonic() - since < WRITE_DEADLINE) return;
    this.end('link/stalled', `it took no bytes for ${WRITE_DEADLINE} ms`);
  }

  private end(code: EndCode, reason: string): void {
    if (this.ended !== undefined) return;
    const what = `${this.name} is gone: ${reason}.`;
    const fix = 'Check its cable and its power, then open it again.';
    const ended = new StallmarkError([{ code, what, fix }]);
    reasons.set(ended, [reason, code]);
    this.ended = ended;
    this.released = this.ends.release();
    for (const unsent of this.queue.splice(0)) unsent.reject(ended);
    this.unsentBytes = 0;
    this.listener?.closed(reason, code);
  }
}

/** Why a port ended, by the error that its writers get. */
const reasons = new WeakMap<StallmarkError, readonly [string, EndCode]>();
const endOf = (ended: StallmarkError): readonly [string, EndCode] =>
  reasons.get(ended) ?? ['it was closed', 'link/closed'];
