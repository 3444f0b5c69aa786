import type { Readable, Writable } from 'node:stream';
import type { Clock } from '../base/clock.js';
import type { ErrorCode } from '../base/codes.js';
import type { StallmarkError } from '../base/error.js';
import { problem } from '../bench/refusal.js';
import type { PortListener } from '../link/port.js';
import type { PausingPort } from './nastiness.js';

/** Streams of one peer. */
export interface PeerStreams {
  readonly name: string;
  readonly input: Readable;
  readonly output: Writable;
  /** Lets go of them once bytes on their way have left or had their time. Never throws. */
  release(): void;
}

/** Bytes that a peer may leave untaken before it is hung up on. */
const MOST_UNTAKEN = 8 * 2 ** 20;
/** ms for which a peer may take nothing. */
const MOST_PATIENCE = 10_000;
/** ms between two looks at a peer that takes nothing. */
const LOOK = 100;
/** ms that bytes on their way get before a peer is let go. */
const LINGER = 250;

/**
 * The port of a device, as an emulator has it. It is slower to give up than the port of a runner: a peer
 * that reads nothing is a fault to be rehearsed, and the device goes on meanwhile. When the peer hangs up,
 * what is written while that is told still goes out: a device tells that power is off.
 */
export class DevicePort implements PausingPort {
  readonly name: string;
  readonly tellsEnd = true;
  private listener: PortListener | undefined;
  private reason: string | undefined;
  private closing: Promise<void> | undefined;
  /** Bytes taken so far. */
  private taken = 0;
  private isWatched = false;

  constructor(
    private readonly streams: PeerStreams,
    private readonly clock: Clock,
  ) {
    this.name = streams.name;
    const { input, output } = streams;
    const hungUp = (): void => {
      this.hungUp('the other end hung up');
    };
    input.on('end', hungUp);
    input.on('close', hungUp);
    for (const stream of new Set<Readable | Writable>([input, output])) {
      stream.on('error', ({ message }) => {
        this.hungUp(`the line broke: ${message}`);
      });
    }
    input.pause(); // what comes before anyone listens waits in the system
    input.on('data', (chunk: Uint8Array) => {
      if (this.reason === undefined) this.listener?.bytes(chunk);
    });
  }

  write(bytes: Uint8Array): Promise<void> {
    const { output } = this.streams;
    if (this.closing !== undefined || output.destroyed) {
      return Promise.reject(this.gone('link/closed', this.reason ?? 'it is closed'));
    }
    if (output.writableLength + bytes.length > MOST_UNTAKEN) {
      const what = `it left ${output.writableLength} bytes untaken`;
      this.hungUp(what);
      return Promise.reject(this.gone('link/stalled', what));
    }
    return new Promise((resolve, reject) => {
      output.write(bytes, (error) => {
        this.taken += bytes.length;
        if (error === null || error === undefined) resolve();
        else reject(this.gone('link/closed', error.message));
      });
      if (output.writableLength > 0) void this.watch();
    });
  }

  listen(listener: PortListener): void {
    this.listener = listener;
    if (this.reason === undefined) this.streams.input.resume();
    else listener.closed(this.reason);
  }

  pause(isPaused: boolean): void {
    if (isPaused || this.listener === undefined) this.streams.input.pause();
    else this.streams.input.resume();
  }

  close(): Promise<void> {
    this.closing ??= this.letGo();
    this.hungUp('it was closed here');
    return this.closing;
  }

  private hungUp(reason: string): void {
    if (this.reason !== undefined) return;
    this.reason = reason;
    this.listener?.closed(reason);
    this.closing ??= this.letGo();
  }

  private async letGo(): Promise<void> {
    const { output } = this.streams;
    if (output.writableLength > 0 && !output.destroyed) {
      const left = new Promise<void>((resolve) => {
        output.write(new Uint8Array(0), () => {
          resolve();
        });
      });
      await Promise.race([left, this.clock.wait(LINGER)]);
    }
    this.streams.release();
  }

  /** Hangs up on a peer that takes nothing for too long; runs while something is untaken. */
  private async watch(): Promise<void> {
    if (this.isWatched) return;
    this.isWatched = true;
    let taken = this.taken;
    let since = this.clock.monotonic();
    while (this.streams.output.writableLength > 0 && this.reason === undefined) {
      await this.clock.wait(LOOK);
      if (this.taken !== taken) since = this.clock.monotonic();
      taken = this.taken;
      const patience = this.clock.monotonic() - since;
      if (patience >= MOST_PATIENCE) this.hungUp(`it took no bytes for ${MOST_PATIENCE} ms`);
    }
    this.isWatched = false;
  }

  private gone(code: ErrorCode, reason: string): StallmarkError {
    return problem(code, `${this.name} is gone: ${reason}.`, 'Call it again.');
  }
}
