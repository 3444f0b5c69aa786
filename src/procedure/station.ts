import type { Zone } from '../base/calendar.js';
import type { NonEmpty } from '../base/numbers.js';
import type { Quantity } from '../base/units.js';
import type { Budget } from './budget.js';
import type { StationLinks } from './links.js';

export const STATION_KINDS = ['simulated', 'emulated', 'real'] as const;
export type StationKind = (typeof STATION_KINDS)[number];

/** Whether what a bench records is marked as simulated, and never a product record. */
export function isSimulated({ kind }: { readonly kind: string }): boolean {
  return kind === 'simulated' || kind === 'emulated';
}

/** The description of a bench as people write it: place, register of instruments, stand model, uncertainties. */
export interface Station {
  /** As printed on certificates, e.g. TW-1. */
  readonly id: string;
  readonly file: string;
  readonly digest: string;
  /**
   * simulated: a plant in this process · emulated: links to a simulated plant in another program ·
   * real: links to hardware. Only records of real benches are product records.
   */
  readonly kind: StationKind;
  /** What drives, captures and reads safety lines; absent on simulated benches only. */
  readonly links?: StationLinks;
  readonly maker: { readonly name: string; readonly address: string };
  readonly place: string;
  /** Where a day begins and ends here: a name of the IANA list, UTC unless the file says otherwise. */
  readonly zone: Zone;
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
  /** The shunt can be switched in the other way round too; absent where it cannot. */
  readonly shuntPolarity?: 'both';
  /** Adapters that may lie in the nest, the usual one first; absent where the bench names none. */
  readonly adapters?: NonEmpty<StationAdapter>;
  /** Every instrument with the history of its calibrations. What is in force: `readiness/equipment.ts`. */
  readonly register: NonEmpty<RegisteredInstrument>;
  /** The stand model in force, and those before it, oldest first. */
  readonly stand: StandModel;
  readonly formerStands: readonly StandModel[];
  /** Uncertainty budgets by characteristic. */
  readonly uncertainty: ReadonlyMap<string, Budget>;
  /** What must have been checked before items are tested; absent where the file states nothing. */
  readonly checks?: {
    readonly reference?: ReferencePolicy;
    readonly stopProof?: StopPolicy;
    readonly zeroDrift?: ZeroPolicy;
    readonly intermediate?: IntermediatePolicy;
  };
}

/** A part between item and stand that belongs to the bench. How the stand is arranged is a fixture. */
export interface StationAdapter {
  readonly id: string;
  /** What it is made for, e.g. `h12-shaft`; a procedure may ask for one of a kind. */
  readonly kind: string;
  readonly serial: string;
}

/** Whether items are tested on instruments of which the intermediate check is missing or overdue. */
export interface IntermediatePolicy {
  /** false on simulated benches only. */
  readonly required: boolean;
}

/** What counts as the intermediate check of an instrument besides what a person enters. */
export const CHECKED_BY = ['reference', 'shunt'] as const;
export type CheckedBy = (typeof CHECKED_BY)[number];

/** How long a proof of the stop function counts, and what it must find. */
export interface StopPolicy {
  readonly within: Quantity<'s'>;
  /** Longest time from a safety line that opens to torque below 5 %. */
  readonly limit: Quantity<'s'>;
  /** Whether the bench applies no power without it; false on simulated benches only. */
  readonly required: boolean;
}

/** How far the unloaded zero may move from run to run. */
export interface ZeroPolicy {
  readonly limit: Quantity<'N·m'>;
}

/** How long a check with a reference item counts: until either end is reached. */
export interface ReferencePolicy {
  readonly within: Quantity<'s'>;
  /** Attempts, ≥ 1. */
  readonly items: number;
  /** Whether the bench tests nothing without it; false on simulated benches only. */
  readonly required: boolean;
}

/** What an instrument measures; tells what a wrong calibration touches. */
export const QUANTITIES = ['torque', 'current', 'voltage', 'sound pressure', 'other'] as const;
export type MeasuredQuantity = (typeof QUANTITIES)[number];

/** An instrument as it stands in the register. */
export interface RegisteredInstrument {
  readonly id: string;
  readonly what: string;
  readonly serial: string;
  readonly quantity: MeasuredQuantity;
  readonly range: string;
  /** Time under power until it may be believed; absent where it needs none. */
  readonly warmUp?: Quantity<'s'>;
  /** Most days between two intermediate checks; absent where none are asked for. */
  readonly intermediateCheck?: number;
  /** Absent where only a check that a person enters counts. */
  readonly checkedBy?: CheckedBy;
  /** Oldest first. */
  readonly calibrations: NonEmpty<Calibration>;
}

/** One calibration and the time during which it counts. */
export interface Calibration {
  readonly certificate: string;
  readonly laboratory: string;
  /** A day, as the certificate states it. */
  readonly calibrated: string;
  /** Last day of use; absent is overdue, never "no limit". */
  readonly due?: string;
  /** A day or an instant, from which on it counts. */
  readonly inService: string;
  /** A day or an instant from which on it counts no longer; absent: until the next one is in service. */
  readonly outOfService?: string;
  /** Expanded uncertainty with its k, as the calibration certificate states it. */
  readonly uncertainty: string;
  /** Correction as the calibration certificate states it, in words. */
  readonly correction?: string;
  /** Factor by which its reading is to be multiplied, as set in the instrument; 1 is none. */
  readonly gain?: number;
}

/** An instrument with the calibration that was in force at a run: the copy that its record keeps. */
export interface Instrument {
  readonly id: string;
  readonly what: string;
  readonly serial: string;
  readonly quantity: MeasuredQuantity;
  readonly range: string;
  readonly certificate: string;
  readonly laboratory: string;
  /** ISO 8601 dates; `due` is empty where none was stated, and then nothing is tested. */
  readonly calibrated: string;
  readonly due: string;
  /** Expanded uncertainty with its k, as the calibration certificate states it. */
  readonly uncertainty: string;
  /** What was corrected, in words; "none" where the certificate states nothing. */
  readonly correction: string;
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
