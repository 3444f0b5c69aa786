import type { Dimension } from '../base/units.js';
import type { Capture, Screened } from '../capture/capture.js';
import type { Blame, Concern, Gate, Reach } from '../capture/gate.js';
import type { Model, Pattern, Reading, Stage } from '../procedure/procedure.js';
import type { StandModel } from '../procedure/station.js';

/** Where a value was read: from the motor current, from the shaft transducer, or from neither. */
export type Side = 'motor' | 'shaft' | 'electrical' | 'thermal' | 'acoustic' | 'link';

/** A value in the base unit of its characteristic, or the reason there is none. Never NaN. */
export type Outcome =
  | {
      readonly kind: 'measured';
      readonly value: number;
      /** Standard deviation of the repeats inside the run, same unit, when there were at least two. */
      readonly spread?: number;
      readonly repeats?: number;
      /** The value of each time, in order, when the stage itself was played several times. */
      readonly values?: readonly number[];
      /** The value is a bound: the property is at least this. Absent for a value as such. */
      readonly bound?: 'at-least';
      /** What a plot needs to show how the value was read. */
      readonly evidence?: Evidence;
    }
  | { readonly kind: 'not-evaluated'; readonly reason: string };

/** Curves behind a value, small enough to keep in memory and to draw. */
export type Evidence =
  | {
      readonly kind: 'transition';
      /** Time after the command edge, s; command and produced torque, N·m. */
      readonly time: Float64Array;
      readonly command: Float64Array;
      readonly torque: Float64Array;
      /** The two points that were read: time in s, torque in N·m, share of the change 0 … 1. */
      readonly marks: readonly {
        readonly time: number;
        readonly torque: number;
        readonly share: number;
      }[];
      readonly band?: { readonly lower: number; readonly upper: number; readonly settled: number };
    }
  | {
      readonly kind: 'response';
      /** Hz */
      readonly frequency: Float64Array;
      /** Gain relative to the low-frequency mean, dB; unwrapped phase, °; coherence 0 … 1. */
      readonly gain: Float64Array;
      readonly angle: Float64Array;
      readonly coherence: Float64Array;
    }
  | {
      readonly kind: 'smoothing';
      /** One point per setting: lag in s against the latched command, grain in N·m rms. */
      readonly points: readonly {
        readonly setting: number;
        readonly lag: number;
        readonly grain: number;
      }[];
      /** What the model is expected to trade lag for, in rising lag, when that is known; same units. */
      readonly curve?: readonly { readonly lag: number; readonly grain: number }[];
    }
  | {
      readonly kind: 'trace';
      /** s and N·m; thinned by least and greatest value. */
      readonly time: Float64Array;
      readonly command: Float64Array;
      readonly torque: Float64Array;
    }
  | {
      readonly kind: 'spectrum';
      /** Hz, and the level at each in `unit`, dB or dB(A). */
      readonly frequency: Float64Array;
      readonly level: Float64Array;
      readonly unit: string;
      readonly marks?: readonly {
        readonly frequency: number;
        readonly level: number;
        readonly label: string;
      }[];
    }
  | {
      readonly kind: 'ladder';
      /** Rung by rung: stiffness, N·m/rad; damping ratio of the decay, 1; largest torque, N·m. */
      readonly points: readonly {
        readonly stiffness: number;
        readonly damping: number;
        readonly amplitude: number;
      }[];
      /** N·m/rad: as measured, by the linear rule, and up to which the spring is passive. */
      readonly margin: number;
      readonly rule: number;
      readonly passive: number;
    }
  | {
      readonly kind: 'angles';
      /** rad, and the value there in `unit`. */
      readonly points: readonly { readonly angle: number; readonly value: number }[];
      readonly unit: string;
    }
  | {
      readonly kind: 'loop';
      /** N·m, once round in order of time. */
      readonly command: Float64Array;
      readonly torque: Float64Array;
      /** Distance of the two branches, N·m, at the commanded torque `at`, N·m. */
      readonly width: number;
      readonly at: number;
    };

/** What earlier stages of the same run, the model and the stand provide to a score. */
export interface Context {
  readonly model: Model;
  readonly stand: StandModel;
  /** Unloaded zero of the torque channel, N·m; 0 before it was read. */
  readonly zero: number;
  /** Coupled, de-energized reading at the start less the unloaded zero, N·m; 0 before it was read. */
  readonly preload: number;
  /** Half-width of the friction loop, N·m; absent until a slow triangle measured it. */
  readonly friction?: number;
  /** Ambient temperature at the start, °C, when it was asked for. */
  readonly ambient?: number;
  /** Torque the shunt resistor imitates, N·m, from the description of the bench. */
  readonly shunt: number;
  /** The shunt is switched in the other way round too; absent where the bench cannot. */
  readonly shuntPolarity?: 'both';
  /** N·m/A: nominal until the static stage measured it. */
  readonly torqueConstant: { readonly value: number; readonly origin: 'nominal' | 'measured' };
}

/** One property with a definition. The catalogue is the only list of what can be scored. */
export interface Characteristic {
  readonly id: string;
  readonly name: string;
  /** One sentence. */
  readonly definition: string;
  /** How it is computed, in symbols that the definition or this line explains. */
  readonly formula: string;
  /** What moves the value without the item being different, in a few words. */
  readonly shifts: string;
  /** Gates of other stages whose failing voids it, besides those of its own stage. */
  readonly gates: readonly string[];
  readonly dimension: Dimension;
  /** Symbol of the unit in which people see it. */
  readonly unit: string;
  readonly side: Side;
  /** Pattern kinds it can be read from; a staircase counts as itself, not as what it holds. */
  readonly from: readonly Pattern['kind'][];
  /** Whether the stage must be played with power on or off. */
  readonly power: 'on' | 'off' | 'either';
  /** Fewest takes with different smoothing it needs. */
  readonly takes: number;
  /** Options with their dimension and default; no default means required. */
  readonly options: Readonly<
    Record<string, { readonly dimension: Dimension; readonly default?: number }>
  >;
  /** Document and clause of the definition, or "common practice, no source". */
  readonly source: string;
  /** File that holds it against published values. */
  readonly check: string;
  readonly score: (
    capture: Screened<Capture>,
    stage: Stage,
    reading: Reading,
    context: Context,
  ) => Outcome;
}

/** One condition under which scores mean something, judged from a fit capture. */
export interface GateRule {
  readonly id: string;
  readonly name: string;
  /** One sentence. */
  readonly definition: string;
  readonly blames: Blame;
  readonly concern: Concern;
  readonly sense: Gate['sense'];
  readonly reach: Reach;
  /** Whether the run is broken off at once, before more torque is applied. */
  readonly stops: boolean;
  readonly from: readonly Pattern['kind'][];
  readonly power: 'on' | 'off' | 'either';
  readonly options: Characteristic['options'];
  readonly source: string;
  readonly judge: (
    capture: Screened<Capture>,
    stage: Stage,
    options: Readonly<Record<string, number>>,
    context: Context,
  ) => Gate;
}

/** A score with its place in the procedure. */
export interface Score {
  readonly stage: string;
  readonly characteristic: string;
  readonly side: Side;
  readonly outcome: Outcome;
}
