import type { Problem } from '../base/error.js';
import type { NonEmpty } from '../base/numbers.js';
import type { Model } from '../procedure/procedure.js';

/** One application identifier (AI) of a GS1 code with its value. */
export interface ElementString {
  readonly ai: string;
  readonly value: string;
}

/** What a label is held against of a model. */
export type LabelledModel = Pick<Model, 'code' | 'name' | 'gtin' | 'revision' | 'serial'>;

/** What the label of an item says, held against the model it belongs to. */
export interface Label {
  readonly serial: string;
  readonly model: LabelledModel;
  /** Scanned when the text bears a mark that scanners make: symbology identifier or separator. */
  readonly means: 'scanned' | 'typed';
  /** As on the label, fourteen digits. */
  readonly gtin?: string;
  readonly lot?: string;
  /** Hardware revision. */
  readonly revision?: string;
  /** Date of production, ISO 8601. */
  readonly date?: string;
  /** In the order read; none for a plain serial. */
  readonly elements: readonly ElementString[];
  /** Worth knowing, no reason to refuse. */
  readonly findings: readonly string[];
}

/** A label, or every reason against the text with the elements read all the same. */
export type Reading =
  | { readonly kind: 'label'; readonly label: Label }
  | {
      readonly kind: 'refused';
      readonly problems: NonEmpty<Problem>;
      readonly elements: readonly ElementString[];
      /** The text is a label that something damaged in a known way. */
      readonly isDamaged: boolean;
    };

/** What reading a label takes for granted. */
export interface Known {
  readonly models: readonly LabelledModel[];
  readonly year: number;
}

/** Words a problem of a text that is no serial. */
export function wrong(what: string, fix: string): Problem {
  return { code: 'serial/grammar', what, fix };
}

/** Refuses a text, which is not damaged as far as it was looked at. */
export function refused(
  problems: NonEmpty<Problem>,
  elements: readonly ElementString[] = [],
): Extract<Reading, { kind: 'refused' }> {
  return { kind: 'refused', problems, elements, isDamaged: false };
}
