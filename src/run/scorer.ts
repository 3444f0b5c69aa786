import type { Capture } from '../capture/capture.js';
import type { Gate } from '../capture/gate.js';
import type { Context, Score } from '../scoring/scoring.js';

/** What became of one captured stage. */
export interface StageOutcome {
  readonly stage: string;
  readonly scores: readonly Score[];
  readonly gates: readonly Gate[];
  /** A gate does not hold that forbids going on to more torque. */
  readonly stops: boolean;
}

/** What the scorer leaves behind when all stages are in. */
export interface Closed {
  /** SHA-256 of the durable capture file. */
  readonly captureDigest: string;
  readonly torqueConstant: Context['torqueConstant'];
  /** Unloaded zero of the torque channel, N·m; absent when it was not read. */
  readonly zero?: number;
}

/**
 * Stores, screens and scores captures in the order of their stages, away from the control loop:
 * the loop must never wait for arithmetic while it has to feed the dead-man.
 */
export interface Scorer {
  /** Takes the capture over: its arrays must not be used afterwards. */
  score(capture: Capture): Promise<StageOutcome>;
  /** Makes the capture file durable. */
  close(): Promise<Closed>;
  /** Gives up without a durable file. */
  abandon(): Promise<void>;
}
