import type { NonEmpty } from '../base/numbers.js';
import type { Dimension, Quantity } from '../base/units.js';

/** The description of a bench as people write it: place, instruments, stand model, uncertainties. */
export interface Station {
  /** As printed on certificates, e.g. TW-1. */
  readonly id: string;
  readonly file: string;
  readonly digest: string;
  readonly kind: 'simulated';
  readonly maker: { readonly name: string; readonly address: string };
  readonly place: string;
  readonly nest: number;
  /** Range of the torque transducer, ± N·m. */
  readonly torqueRange: Quantity<'N·m'>;
  /** Range of the current sensor, ± A. */
  readonly currentRange: Quantity<'A'>;
  /** Samples a second of every channel. */
  readonly sampleRate: Quantity<'Hz'>;
  /** Range of the microphone, ± Pa; absent where there is none. */
  readonly soundRange?: Quantity<'Pa'>;
  /** Torque that the shunt resistor imitates, N·m. */
  readonly shunt: Quantity<'N·m'>;
  readonly instruments: NonEmpty<Instrument>;
  /** The stand model in force, and those before it, oldest first. */
  readonly stand: StandModel;
  readonly formerStands: readonly StandModel[];
  readonly uncertainty: ReadonlyMap<string, StatedUncertainty>;
}

export interface Instrument {
  readonly id: string;
  readonly what: string;
  readonly range: string;
  readonly certificate: string;
  readonly laboratory: string;
  /** ISO 8601 dates. */
  readonly calibrated: string;
  readonly due: string;
  /** Expanded uncertainty, k = 2, as the calibration certificate states it. */
  readonly uncertainty: string;
}

/** The locked shaft on its transducer as a spring and mass, and what the channels delay. */
export interface StandModel {
  readonly version: number;
  /** ISO 8601 instant. */
  readonly characterized: string;
  readonly resonance: Quantity<'Hz'>;
  /** Damping ratio, 1. */
  readonly damping: number;
  /** Twist per torque of transducer and coupling in series, rad/(N·m). */
  readonly compliance: number;
  /** Delay of the torque channel behind the command channel. */
  readonly torqueDelay: Quantity<'s'>;
  /** Delay of the current channel behind the command channel. */
  readonly currentDelay: Quantity<'s'>;
  /** Expanded uncertainties, k = 2, each in the unit of its value. */
  readonly uncertainty: {
    readonly resonance: number;
    readonly damping: number;
    readonly compliance: number;
    readonly torqueDelay: number;
    readonly currentDelay: number;
  };
}

/** U = relative · abs(value) + absolute, k = 2, in base units of the characteristic. */
export interface StatedUncertainty {
  readonly relative: number;
  readonly absolute: number;
  /** What the absolute part was written as; the plan holds it against the characteristic. */
  readonly dimension?: Dimension;
}
