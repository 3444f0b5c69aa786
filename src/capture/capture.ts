import type { NonEmpty } from '../base/numbers.js';
import type { Quantity } from '../base/units.js';
import type { Channel } from '../bench/bench.js';
import type { Settings } from '../procedure/procedure.js';
import type { Gate } from './gate.js';

/** Samples of one stage at one setting: all channels start with the waveform and have equal length. */
export interface Take {
  readonly settings: Settings;
  /** Samples a second. */
  readonly rate: Quantity<'Hz'>;
  /** Values in the unit of the channel; a channel that never arrived is missing. */
  readonly channels: Partial<Readonly<Record<Channel, Float32Array>>>;
  /** Samples that should have arrived. */
  readonly expected: number;
  /** Where blocks were missing: index of the first sample lost, and how many. */
  readonly gaps: readonly { readonly at: number; readonly samples: number }[];
  /** Samples that came twice, late, beyond the end or with no place of their own, and were left out. */
  readonly misplaced?: number;
  /** Sample at which a safety line opened; absent when none did. */
  readonly opened?: number;
  /** The device clock against the sample clock, over all blocks; none when there were fewer than three. */
  readonly clock?: ClockFit;
  readonly device: {
    readonly updates: number;
    readonly missing: number;
    /** Updates that the link itself knows to have lost; absent where it keeps no count. */
    readonly linkLost?: number;
    /** Longest time between two updates, and standard deviation of that time, s; absent where the device does not tell. */
    readonly gap?: number;
    readonly jitter?: number;
    /** Largest share of the available voltage that the current loop used, 0 … 1. */
    readonly duty?: number;
    /** Device clock at the end of the take, s. */
    readonly time: number;
    readonly fault: number;
  };
}

/** A straight line through device time over sample time. */
export interface ClockFit {
  /** Slope less 1: 200e-6 is a device clock that runs 200 ppm fast. */
  readonly skew: number;
  /** Largest distance of a block from the line, s: a step in either clock. */
  readonly departure: number;
}

/** What was taken during one stage. */
export interface Capture {
  readonly stage: string;
  readonly takes: NonEmpty<Take>;
}

declare const fitToScore: unique symbol;

/** A capture whose every gate holds: only `screen` makes one, and scores are read from nothing else. */
export type Screened<C extends Capture> = C & { readonly [fitToScore]: true };

/** The outcome of screening: the capture itself when it is fit, and every gate either way. */
export type Screening =
  | { readonly fit: true; readonly capture: Screened<Capture>; readonly gates: readonly Gate[] }
  | { readonly fit: false; readonly stage: string; readonly gates: NonEmpty<Gate> };
