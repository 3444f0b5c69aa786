import type { Problem } from '../base/error.js';
import type { Hazard, Warning, WarningText } from '../procedure/procedure.js';
import type { Check } from '../readiness/readiness.js';
import type { ItemVerdict } from '../decision/decision.js';

/** What a browser is told of the nest: all of it, each time something changes. Plain JSON. */
export interface NestView {
  readonly bench: string;
  readonly nest: number;
  readonly simulated: boolean;
  /** Whether the bench has power on, as the control loop knows it; unknown when the loop itself is gone. */
  readonly power: 'off' | 'on' | 'unknown';
  /** Readiness as last drawn up, and the overall answer. */
  readonly checks: readonly Check[];
  readonly mayTest: boolean;
  /** ms since the Unix epoch; 0 before the first list. */
  readonly checkedAt: number;
  /** Present from the scan until the next one. */
  readonly item?: ItemView;
  /** Why the item gets an extended procedure, in words; present for sample items. */
  readonly sample?: string;
  readonly phase: Phase;
}

/** The item that was scanned, and what its label led to. */
export interface ItemView {
  readonly serial: string;
  readonly model: string;
  readonly revision: string;
  readonly attempt: number;
  readonly attemptsAllowed: number;
  readonly procedure: DocumentName;
  readonly limits: DocumentName;
  /** N·m. */
  readonly ceiling: number;
  /** In the order in which they are played. */
  readonly stages: readonly StageView[];
}

export interface DocumentName {
  readonly id: string;
  readonly title: string;
  readonly issue: number;
}

export interface StageView {
  readonly id: string;
  readonly title: string;
  /** s that its takes last together. */
  readonly seconds: number;
  readonly powered: boolean;
  /** Number of takes. */
  readonly takes: number;
  /** Largest torque it asks for, N·m: scale of the trace. */
  readonly peak: number;
}

/** A warning to be shown and answered, in every language it is written in. */
export interface WarningView {
  readonly hazard: Hazard;
  readonly signal: Warning['signal'];
  readonly sign: Warning['sign'];
  /** Issue of the wording. */
  readonly issue: number;
  readonly texts: Readonly<Record<string, WarningText>>;
  readonly acknowledged?: { readonly by: string; readonly at: number; readonly language: string };
}

/** Where the nest is in the way of one item. Times in ms since the Unix epoch, durations in s. */
export type Phase =
  /** Waits for a scan; `refused` says why the last one led nowhere. */
  | { readonly kind: 'waiting'; readonly refused?: readonly Problem[] }
  /** The label was read; documents, identity and readiness are being looked at. */
  | { readonly kind: 'checking' }
  | {
      readonly kind: 'warnings';
      readonly warnings: readonly WarningView[];
      /** When the first acknowledgement lapses; absent before one is given. */
      readonly until?: number;
    }
  /** Every warning is acknowledged; waits for the start. */
  | { readonly kind: 'start'; readonly warnings: readonly WarningView[]; readonly until: number }
  /** A hand is asked for at the stand, without power. */
  | { readonly kind: 'arrange'; readonly instruction: string }
  | {
      readonly kind: 'running';
      /** Index in `ItemView.stages`. */
      readonly stage: number;
      /** When that stage began. */
      readonly since: number;
      /** When the last stage should end. */
      readonly end: number;
    }
  /** Power comes at `at`. */
  | { readonly kind: 'countdown'; readonly stage: number; readonly at: number }
  /** Samples are complete; scores, verdict, seal and record are being made. */
  | { readonly kind: 'deciding' }
  | { readonly kind: 'verdict'; readonly result: ResultView }
  /** The attempt ended without a record. */
  | {
      readonly kind: 'ended';
      readonly how: 'stopped' | 'page lost' | 'refused' | 'broken off';
      /** Stage in which it ended, index in `ItemView.stages`; absent before the first one. */
      readonly stage?: number;
      readonly problems: readonly Problem[];
      readonly at: number;
    };

/** A verdict as the operator needs it. */
export interface ResultView {
  readonly serial: string;
  readonly number: string;
  readonly attempt: number;
  readonly word: ItemVerdict['word'];
  /** The sentence of the certificate. */
  readonly reason: string;
  /** What the gate that does not hold points at; absent when nobody is blamed. */
  readonly blames?: 'item' | 'stand' | 'link' | 'operator';
  /** Stages that the verdict came from, by id. */
  readonly stages: readonly string[];
  /** Rows and gates that the verdict came from, at most eight, worst first. */
  readonly causes: readonly {
    readonly stage: string;
    readonly label: string;
    readonly found: string;
    readonly allowed: string;
  }[];
  readonly issued: number;
}

/** Samples of one moment, thinned to the least and the greatest of each column. */
export interface Frame {
  /** Index in `ItemView.stages`, and of the take in it. */
  readonly stage: number;
  readonly take: number;
  /** s since the start of the take at the left edge of the first column, and width of a column. */
  readonly from: number;
  readonly step: number;
  /** N·m; produced: from motor current with the nominal torque constant; torque: transducer. NaN never: null. */
  readonly command: Columns;
  readonly produced: Columns;
  readonly torque: Columns;
}

export interface Columns {
  readonly low: readonly (number | null)[];
  readonly high: readonly (number | null)[];
}

/** What a person asks of the nest. */
export type NestCommand =
  /** A label as the scanner sent it, or a serial. Faults only on a simulated bench. */
  | {
      readonly kind: 'scan';
      readonly text: string;
      readonly language: string;
      readonly faults?: readonly string[];
    }
  /** The button of a warning was kept pressed for so many ms, in this language. */
  | {
      readonly kind: 'acknowledge';
      readonly hazard: Hazard;
      readonly heldFor: number;
      readonly language: string;
    }
  | { readonly kind: 'start' }
  /** The stand is arranged as asked. */
  | { readonly kind: 'arranged' }
  /** Torque to zero, then power off; before power: the item is given back. */
  | { readonly kind: 'stop' }
  /** Away with the verdict, or with the item before its attempt began. */
  | { readonly kind: 'next' }
  /** Readiness anew. */
  | { readonly kind: 'look' };

/** ms for which a warning's button must be kept pressed. */
export const HOLD_TIME = 2000;

/** ms without a sign of life of the page that holds the nest after which torque goes to zero. */
export const PAGE_PATIENCE = 1500;

/** ms between two signs of life that a page gives. */
export const PAGE_PULSE = 250;

/** ms of countdown before power. */
export const COUNTDOWN = 3000;
