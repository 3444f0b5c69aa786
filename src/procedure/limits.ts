import type { Place } from '../base/error.js';
import type { NonEmpty } from '../base/numbers.js';
import type { Unit } from '../base/units.js';
import type { Approval } from './procedure.js';

/** What is permitted, in base units. A tolerance without a limit cannot be written. */
export type Tolerance =
  | { readonly kind: 'at-least'; readonly lower: number }
  | { readonly kind: 'at-most'; readonly upper: number }
  | { readonly kind: 'between'; readonly lower: number; readonly upper: number };

/** How uncertainty is taken into account, in the words of the limits file; named on every certificate. */
export const DECISION_RULES = [
  'guarded',
  'guarded-one-sided',
  'four-way',
  'guarded-rejection',
  'simple',
] as const;
export type DecisionRule = (typeof DECISION_RULES)[number];

/** How a characteristic scatters from item to item, taken as normal; in base units. */
export interface ProcessSpread {
  readonly mean: number;
  /** Standard deviation, > 0. */
  readonly deviation: number;
}

/** One row of a limits file. */
export interface Limit {
  /** Stage and characteristic, as in `steps-2.rise-time`. */
  readonly stage: string;
  readonly characteristic: string;
  readonly tolerance: Tolerance;
  /** Unit in which the limits were written and results are shown. */
  readonly unit: Unit;
  readonly rule: DecisionRule;
  /** Absent when the file states none; it decides nothing and tells the risk of a wrong decision. */
  readonly process?: ProcessSpread;
  /** Share of the tolerance above which an accepted value is told as near its limit; 75 % if absent. */
  readonly warnAbove?: number;
  /** Label for people, e.g. "rise time 3 N·m, smoothing 2". */
  readonly label: string;
  readonly where: Place;
}

export interface Limits {
  readonly id: string;
  readonly title: string;
  readonly issue: number;
  readonly date: string;
  readonly file: string;
  /** SHA-256 of the canonical content without its approval. */
  readonly digest: string;
  readonly approval?: Approval;
  readonly procedure: string;
  readonly procedureIssue: number;
  readonly rows: NonEmpty<Limit>;
}
