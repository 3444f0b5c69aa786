import { writeSync } from 'node:fs';

/** What a line of the journal tells of. */
export type JournalWhat =
  | 'listening'
  | 'connected'
  | 'closed'
  | 'energized'
  | 'limit'
  | 'start'
  | 'fed'
  | 'tripped'
  | 'off'
  | 'zero'
  | 'shaft-zero'
  | 'lines'
  | 'item'
  | 'end';

export interface JournalLine {
  /** ns of the monotonic clock of this computer, as text: a double cannot hold them. */
  readonly at_ns: string;
  readonly what: JournalWhat;
  readonly [more: string]: unknown;
}

/** What an emulator writes down, so that others can tell when torque went, and why. */
export interface Journal {
  /** ns of the monotonic clock of this computer. */
  now(): bigint;
  /** @param at - ns, where it happened before now. */
  write(what: JournalWhat, members?: Readonly<Record<string, unknown>>, at?: bigint): void;
  /** Writes out what is still in memory. Never throws. */
  flush(): void;
  close(): void;
}

/** Lines that are written out before anything else is done. */
const AT_ONCE: ReadonlySet<JournalWhat> = new Set([
  'energized',
  'tripped',
  'off',
  'zero',
  'shaft-zero',
  'lines',
  'closed',
]);
/** Lines that are kept while they cannot be written out; older ones are dropped and counted. */
const MOST_LINES = 10_000;
/** Pieces in which one flush may be taken. */
const MOST_PIECES = 1000;

type Write = (bytes: Uint8Array) => number;

/**
 * A journal as JSON lines to a file descriptor. Lines of which somebody may wait are written out at once,
 * others in the next turn of the event loop, all when the process ends.
 *
 * A file that takes no more bytes holds nothing up: torque goes first, and the journal says on standard
 * error that it has a gap.
 */
export class FileJournal implements Journal {
  private lines: string[] = [];
  private rest: Uint8Array = new Uint8Array(0);
  private dropped = 0;
  private isScheduled = false;
  private isTold = false;
  private readonly put: Write;
  private readonly atExit = (): void => {
    this.flush();
  };

  /**
   * @param to - File descriptor, or what writes bytes and says how many it took.
   * @param nanoseconds - Monotonic clock.
   */
  constructor(
    to: number | Write,
    private readonly nanoseconds: () => bigint = () => process.hrtime.bigint(),
  ) {
    this.put = typeof to === 'number' ? (bytes) => writeSync(to, bytes) : to;
    process.on('exit', this.atExit);
  }

  now(): bigint {
    return this.nanoseconds();
  }

  write(
    what: JournalWhat,
    members: Readonly<Record<string, unknown>> = {},
    at: bigint = this.nanoseconds(),
  ): void {
    if (this.lines.length >= MOST_LINES) {
      this.lines.shift();
      this.dropped += 1;
    }
    this.lines.push(`${JSON.stringify(lineOf(what, members, at))}\n`);
    if (AT_ONCE.has(what)) this.flush();
    else this.schedule();
  }

  flush(): void {
    try {
      this.writeOut();
    } catch (error) {
      // A full disk, or a pipe that nobody reads, must not keep the stand from taking torque away.
      if (this.isTold) return;
      this.isTold = true;
      const why = error instanceof Error ? error.message : String(error);
      process.emitWarning(`the journal cannot be written: ${why}`);
    }
  }

  close(): void {
    this.flush();
    process.off('exit', this.atExit);
  }

  private writeOut(): void {
    for (let piece = 0; piece < MOST_PIECES; piece += 1) {
      if (this.rest.length === 0) this.rest = this.taken();
      if (this.rest.length === 0) return;
      this.rest = this.rest.subarray(this.put(this.rest));
    }
  }

  private taken(): Uint8Array {
    const lines = this.lines.splice(0);
    if (this.dropped > 0) lines.unshift(`${JSON.stringify({ dropped: this.dropped })}\n`);
    this.dropped = 0;
    return Buffer.from(lines.join(''));
  }

  private schedule(): void {
    if (this.isScheduled) return;
    this.isScheduled = true;
    setImmediate(() => {
      this.isScheduled = false;
      this.flush();
    });
  }
}

function lineOf(
  what: JournalWhat,
  members: Readonly<Record<string, unknown>>,
  at: bigint,
): JournalLine {
  return { ...members, at_ns: String(at), what };
}
