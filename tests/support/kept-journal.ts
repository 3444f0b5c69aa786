import type { Journal, JournalLine, JournalWhat } from '../../src/emulator/journal.js';

/** A journal that keeps its lines in memory. */
export class KeptJournal implements Journal {
  readonly lines: JournalLine[] = [];

  /** @param nanoseconds - Monotonic clock. */
  constructor(private readonly nanoseconds: () => bigint = () => process.hrtime.bigint()) {}

  now(): bigint {
    return this.nanoseconds();
  }

  write(
    what: JournalWhat,
    members: Readonly<Record<string, unknown>> = {},
    at: bigint = this.nanoseconds(),
  ): void {
    this.lines.push({ ...members, at_ns: String(at), what });
  }

  flush(): void {
    // Nothing is waiting.
  }

  close(): void {
    // Nothing is open.
  }
}
