import type { Clock } from '../base/clock.js';
import type { Logger } from '../run/log.js';

/** What the server serves: folders and settings, the same in every thread of it. Plain JSON but for the log. */
export interface Site {
  /** Folder of the records. */
  readonly root: string;
  /** Folder of the keys and of the people. */
  readonly keys: string;
  /** Bench description, where one is named. */
  readonly bench?: string;
  /** Procedure and limits, where they are named; else the routes choose. */
  readonly procedure?: string;
  readonly limits?: string;
  /** How a simulated bench keeps time. */
  readonly pace: 'fast' | 'real';
}

/** A site as its server knows it. */
export interface LoggedSite extends Site {
  readonly log: Logger;
  readonly clock: Clock;
}
