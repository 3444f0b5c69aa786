/** Wall time for records, monotonic time for durations and deadlines. */
export interface Clock {
  /** Milliseconds since the Unix epoch, UTC. */
  now(): number;
  /** Milliseconds since an arbitrary start; never goes back. */
  monotonic(): number;
  /** Resolves after `ms` milliseconds of this clock. */
  wait(ms: number): Promise<void>;
}

/** The clock of this computer. */
export const systemClock: Clock = {
  now: () => Date.now(),
  monotonic: () => performance.now(),
  wait: (ms) => new Promise((resolve) => setTimeout(resolve, ms)),
};

/** Prints an instant as ISO 8601 in UTC with seconds, e.g. 2026-11-25T14:05:18Z. */
export function isoInstant(ms: number): string {
  return new Date(ms).toISOString().replace(/\.\d{3}Z$/, 'Z');
}

/** Reads an ISO 8601 instant or date; NaN when it is neither. */
export function readInstant(text: string): number {
  return Date.parse(text);
}
