import type { Place } from '../base/error.js';
import type { NonEmpty } from '../base/numbers.js';
import type { Dimension, Quantity } from '../base/units.js';

/** What happens to an item on the bench, and what is read off it. Parsed and checked; nothing here is raw YAML. */
export interface Procedure {
  readonly id: string;
  readonly title: string;
  readonly issue: number;
  /** Date of issue, ISO 8601. */
  readonly date: string;
  readonly file: string;
  /** SHA-256 of the canonical content without its approval; comments do not count. */
  readonly digest: string;
  readonly approval?: Approval;
  readonly model: Model;
  /** What it is for: accepting items, or measuring the stand with an item in it. */
  readonly purpose: 'acceptance' | 'stand' | 'reference' | 'stop';
  /** Continuous torque of the model. */
  readonly rated: Quantity<'N·m'>;
  /** No sample of any waveform, and no torque at run time, may exceed this. */
  readonly ceiling: Quantity<'N·m'>;
  readonly warnings: NonEmpty<Warning>;
  readonly ambient: { readonly from: Quantity<'°C'>; readonly to: Quantity<'°C'> };
  readonly supply: { readonly from: Quantity<'V'>; readonly to: Quantity<'V'> };
  /** Relative humidity, 0 … 1; absent where it is not judged. */
  readonly humidity?: { readonly from: number; readonly to: number };
  /** Kind of the adapter that must lie in the nest; absent: any that belongs to the bench. */
  readonly adapter?: string;
  /** Attempts without a disposition by a quality engineer. */
  readonly attempts: number;
  /** What attempts after the first have to keep to; absent: nothing. */
  readonly retest?: RetestRule;
  readonly stages: NonEmpty<Stage>;
}

export const RETEST_BENCHES = ['same', 'other', 'any'] as const;

/** When and where an item may be tested again, reckoned from its last attempt. */
export interface RetestRule {
  /** Least time from the end of that attempt; 0 for none. */
  readonly coolDown: Quantity<'s'>;
  /** The bench of that attempt, another one, or any. */
  readonly bench: (typeof RETEST_BENCHES)[number];
}

/** Who released a document, when, and of which content. */
export interface Approval {
  readonly by: string;
  readonly role: string;
  /** ISO 8601 date. */
  readonly on: string;
  /** SHA-256 of the content that was approved. */
  readonly digest: string;
}

/** The kind of item a procedure is for. */
export interface Model {
  /** As it begins the serial, e.g. H12. */
  readonly code: string;
  readonly name: string;
  readonly gtin: string;
  readonly revision: string;
  /** Anchored regular expression that a serial of this model matches. */
  readonly serial: string;
  /** Nominal torque per ampere, amplitude convention; a measured value replaces it during a run. */
  readonly torqueConstant: Quantity<'N·m/A'>;
  /** Winding resistance at 20 °C, for the heating estimate of a procedure. */
  readonly resistance: Quantity<'Ω'>;
  /** Most copper loss the item may be asked to take on average over the whole procedure, W. */
  readonly continuousLoss: number;
  /** Firmware slew limit, N·m/s. */
  readonly slew: Quantity<'N·m/s'>;
  /** Firmware versions that may be shipped. */
  readonly firmware: readonly string[];
}

export const HAZARDS = ['crushing', 'sudden-torque'] as const;
/** The two hazards every procedure must warn of. */
export type Hazard = (typeof HAZARDS)[number];

export interface Warning {
  readonly hazard: Hazard;
  /** Signal word chosen by the site's risk assessment; meanings after ANSI Z535.4. */
  readonly signal: 'DANGER' | 'WARNING' | 'CAUTION';
  /** Number of the ISO 7010 sign whose meaning the pictogram carries. */
  readonly sign: 'W024' | 'W001';
  /** Issue of the wording, printed with each acknowledgement. */
  readonly issue: number;
  /** Text by language tag; English is always there. */
  readonly texts: ReadonlyMap<string, WarningText>;
}

export interface WarningText {
  readonly heading: string;
  readonly hazard: string;
  readonly consequence: string;
  readonly avoidance: string;
}

/** How the stand is arranged while samples are taken without power. */
/**
 * shunt-negative: the shunt the other way round; no document writes it, a bench that has it takes it
 * after each shunt (`fitting.ts`).
 * timing: the edges of a test signal are given to every channel at once, so that their delays show.
 */
export type Fixture = 'coupled' | 'uncoupled' | 'shunt' | 'shunt-negative' | 'timing';

/** What the device and the stand are set to during one take. */
export interface Settings {
  /** Smoothing setting of the item, 0 … 5. */
  readonly smoothing: number;
  readonly fixture: Fixture;
  /** Angle to which the locked shaft is indexed, from where it was clamped. */
  readonly angle?: Quantity<'rad'>;
  /** Slew setting of the item; its own slew limit if left out. */
  readonly slew?: Quantity<'N·m/s'>;
}

/** One pattern applied at one or more settings, and what is read off it. */
export interface Stage {
  readonly id: string;
  readonly title: string;
  readonly power: 'off' | 'on';
  readonly pattern: Pattern;
  /** Rate at which the item latches commands. */
  readonly updates: Quantity<'Hz'>;
  /** One take each, in this order, all with the same pattern from its start. */
  readonly takes: NonEmpty<Settings>;
  /** How often all takes are played, ≥ 2; once if left out. Values are the mean, all are kept. */
  readonly repeats?: number;
  readonly reads: readonly Reading[];
  /** Conditions judged on this stage besides the screening that every capture gets. */
  readonly gates: readonly GateRequest[];
  readonly where: Place;
}

/** A characteristic read off a stage, with the options that complete its definition. */
export interface Reading {
  readonly characteristic: string;
  /** Values in base units, keyed as the characteristic declares them. */
  readonly options: Readonly<Record<string, number>>;
  /** What each option was written as; the plan holds it against the declaration. */
  readonly dimensions?: Readonly<Record<string, Dimension>>;
  readonly where: Place;
}

/** A gate asked for by a stage, with its allowance where it differs from the default. */
export interface GateRequest {
  readonly gate: string;
  /** Values in base units, keyed as the gate declares them. */
  readonly options: Readonly<Record<string, number>>;
  /** What each option was written as; the plan holds it against the declaration. */
  readonly dimensions?: Readonly<Record<string, Dimension>>;
  readonly where: Place;
}

/** A stimulus as written. Levels in N·m, times in s, frequencies in Hz. */
export type Pattern =
  | { readonly kind: 'hold'; readonly level: Quantity<'N·m'>; readonly duration: Quantity<'s'> }
  | {
      readonly kind: 'ramp';
      readonly from: Quantity<'N·m'>;
      readonly to: Quantity<'N·m'>;
      readonly duration: Quantity<'s'>;
    }
  | StepPattern
  | {
      readonly kind: 'triangle';
      readonly amplitude: Quantity<'N·m'>;
      readonly frequency: Quantity<'Hz'>;
      readonly cycles: number;
    }
  | {
      /** The underlying shape held at the rate of its source, e.g. 100 updates a second. */
      readonly kind: 'staircase';
      readonly rate: Quantity<'Hz'>;
      readonly of: Pattern;
    }
  | {
      readonly kind: 'burst';
      readonly amplitude: Quantity<'N·m'>;
      readonly frequency: Quantity<'Hz'>;
      readonly cycles: number;
      readonly window: 'none' | 'hann';
    }
  | {
      readonly kind: 'chirp';
      readonly amplitude: Quantity<'N·m'>;
      readonly from: Quantity<'Hz'>;
      readonly to: Quantity<'Hz'>;
      readonly duration: Quantity<'s'>;
      readonly sweep: 'linear' | 'logarithmic';
    }
  | {
      readonly kind: 'sine';
      readonly amplitude: Quantity<'N·m'>;
      readonly frequency: Quantity<'Hz'>;
      readonly duration: Quantity<'s'>;
    }
  | MultisinePattern
  | {
      readonly kind: 'pseudo-random';
      readonly amplitude: Quantity<'N·m'>;
      /** Rate at which the level may change. */
      readonly rate: Quantity<'Hz'>;
      /** Length of the shift register: the sequence repeats after 2^order − 1 levels. */
      readonly order: number;
      readonly periods: number;
    }
  | {
      readonly kind: 'recorded';
      /** File name as written, beside the procedure. */
      readonly file: string;
      /** SHA-256 of its bytes. */
      readonly digest: string;
      readonly rate: Quantity<'Hz'>;
      readonly scale: number;
      /** Torque in N·m at `rate`, before scaling; read when the procedure is loaded. */
      readonly samples: Float64Array;
    }
  | {
      /** A level during which the source falls silent: no updates are sent. */
      readonly kind: 'silence';
      readonly level: Quantity<'N·m'>;
      readonly before: Quantity<'s'>;
      readonly silent: Quantity<'s'>;
      readonly after: Quantity<'s'>;
    }
  | VirtualSpringPattern
  | { readonly kind: 'list'; readonly parts: NonEmpty<Pattern> };

/** Every kind of pattern. */
export const PATTERN_KINDS = [
  'hold',
  'ramp',
  'step',
  'triangle',
  'staircase',
  'burst',
  'chirp',
  'sine',
  'multisine',
  'pseudo-random',
  'recorded',
  'silence',
  'virtual-spring',
  'list',
] as const satisfies readonly Pattern['kind'][];

/** The item as a virtual spring that a simulated wheel turns against, rung by rung stiffer. */
export interface VirtualSpringPattern {
  readonly kind: 'virtual-spring';
  /** First and greatest stiffness, and what each rung multiplies it by (> 1). */
  readonly stiffness: {
    readonly from: Quantity<'N·m/rad'>;
    readonly to: Quantity<'N·m/rad'>;
    readonly factor: number;
  };
  /** Virtual damping. */
  readonly damping: Quantity<'N·m·s/rad'>;
  readonly wheel: {
    readonly inertia: Quantity<'kg·m²'>;
    readonly drag: Quantity<'N·m·s/rad'>;
  };
  /** Torque on the wheel at the start of each rung, for `KICK` s. */
  readonly kick: Quantity<'N·m'>;
  /** Time of one rung. */
  readonly dwell: Quantity<'s'>;
  /** The loop ends at zero torque when the spring asks for more. */
  readonly limit: Quantity<'N·m'>;
}

export interface StepPattern {
  readonly kind: 'step';
  /** Levels held one after the other; the first is held before the first step. */
  readonly levels: readonly [Quantity<'N·m'>, Quantity<'N·m'>, ...Quantity<'N·m'>[]];
  readonly hold: Quantity<'s'>;
  /** How often the list of levels is played. */
  readonly repeat: number;
  /** Duration of a raised-cosine edge; 0 for an abrupt one. */
  readonly edge: Quantity<'s'>;
}

export interface MultisinePattern {
  readonly kind: 'multisine';
  readonly from: Quantity<'Hz'>;
  readonly to: Quantity<'Hz'>;
  /** How many lines, near logarithmic spacing on multiples of 1/period. */
  readonly lines: number;
  readonly rms: Quantity<'N·m'>;
  readonly period: Quantity<'s'>;
  readonly periods: number;
  /** Phase draws tried; the one with the lowest crest factor is played. */
  readonly draws: number;
  readonly seed: number;
  /** Lines left empty, with their harmonics: they measure noise and hum. */
  readonly avoid: readonly Quantity<'Hz'>[];
}
