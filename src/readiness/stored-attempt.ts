import type { Evidence } from '../scoring/scoring.js';

// What pages and commands are told of stored attempts. Types only: a browser imports them too.

/** An attempt as the ledger tells how it ended. */
export interface FoundAttempt {
  readonly serial: string;
  readonly attempt: number;
  readonly number: string;
  /** UTC. */
  readonly at: string;
  readonly by: string;
  /** The word on the record; absent when the attempt left none. */
  readonly verdict?: string;
  /** Why the attempt left no record, or the sentence on it. */
  readonly reason: string;
}

/** Samples of one take as they were stored, thinned for drawing. Plain JSON. */
export interface StoredTrace {
  readonly stage: string;
  /** Every take of the stage in words, e.g. "smoothing 2". */
  readonly takes: readonly string[];
  /** Which of them this is. */
  readonly take: number;
  /** s: length of the take, and the part of it that is given. */
  readonly duration: number;
  readonly from: number;
  readonly to: number;
  /** N·m: as the item latched it. */
  readonly command: TraceLine;
  /** N·m: motor current times the torque constant of the record. */
  readonly produced: TraceLine;
  /** N·m: of the transducer, as read; the zero is not taken out. */
  readonly shaft: TraceLine;
}

/** Time in s and N·m at the least and greatest sample of each column; null where there is no number. */
export interface TraceLine {
  readonly x: readonly number[];
  readonly y: readonly (number | null)[];
}

/** Which part of which take is wanted; the whole of the first if left out. */
export interface TraceWish {
  readonly stage: string;
  readonly take?: number;
  /** s since the start of the take. */
  readonly from?: number;
  readonly to?: number;
}

/** Lag against grain of one record, setting by setting. Base units: s, N·m. Plain JSON. */
export interface SmoothingPoints {
  readonly stage: string;
  readonly points: Smoothing['points'];
  /** What the model is expected to trade. */
  readonly curve: NonNullable<Smoothing['curve']>;
  /** Limits of lag and grain on the record, and the setting at which they count. */
  readonly lag?: { readonly lower?: number; readonly upper?: number };
  readonly grain?: { readonly lower?: number; readonly upper?: number };
  readonly setting?: number;
}

type Smoothing = Extract<Evidence, { readonly kind: 'smoothing' }>;

/** A reference item of a bench and what can be charted of it. */
export interface Chartable {
  readonly item: string;
  readonly kind: string;
  readonly checks: number;
  /** UTC of the last check, and whether it held. */
  readonly last: string;
  readonly ok: boolean;
  readonly simulated: boolean;
  readonly rows: readonly string[];
}
