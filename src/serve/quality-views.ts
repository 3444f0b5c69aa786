import type { Problem } from '../base/error.js';
import type { Cloud } from '../certificate/strip.js';
import type { LimitsVocabulary } from '../procedure/limits-completions.js';
import type { LimitChange, UnreadRow } from '../procedure/limits-difference.js';
import type { ChangedItem, PreviewedRow } from '../readiness/limits-preview.js';
import type { Chartable, SmoothingPoints } from '../readiness/stored-attempt.js';

// What the page of the quality engineer is told. Types only: the page imports them.

/** A file of limits as a page lists it. */
export interface ListedLimits {
  readonly file: string;
  readonly id: string;
  readonly title: string;
  readonly issue: number;
  readonly date: string;
  readonly isInForce: boolean;
}

/** A file of limits to be edited. */
export interface EditedLimits {
  readonly files: readonly ListedLimits[];
  readonly file: string;
  readonly text: string;
  /** SHA-256 of the text. */
  readonly digest: string;
  readonly draft?: {
    readonly text: string;
    readonly digest: string;
    /** As the ledger tells of it; absent when it knows nothing of this draft. */
    readonly saved?: { readonly by: string; readonly at: string; readonly why: string };
  };
  readonly vocabulary: LimitsVocabulary;
}

/** A row of limits with the values of recent items beside it. */
export interface MarginRow extends Pick<PreviewedRow, 'row' | 'lost' | 'won'>, Cloud {
  /** Line of the text. */
  readonly line: number;
}

/** What a text of limits was found to be. */
export interface CheckedLimits {
  readonly problems: readonly Problem[];
  /** Absent when the text cannot be read. */
  readonly issue?: number;
  readonly changes?: readonly LimitChange[];
  /** Rows that cannot be compared, because they cannot be read. */
  readonly unread?: readonly UnreadRow[];
  /** Rows that are as they were. */
  readonly unchanged?: number;
  readonly preview?: {
    readonly items: number;
    /** Records that could not be read. */
    readonly unread: number;
    readonly changed: readonly ChangedItem[];
    readonly rows: readonly MarginRow[];
  };
}

/** A draft that a person saves. */
export interface DraftSaving {
  readonly file: string;
  readonly text: string;
  readonly why: string;
  readonly seen: { readonly effective: string; readonly draft: string };
}

/** A record, by serial and number. */
export interface Which {
  readonly serial: string;
  readonly number: string;
}

/** A row of a record, as a list shows it. */
export interface RecordRow {
  readonly stage: string;
  readonly characteristic: string;
  readonly label: string;
  readonly unit: string;
  /** As printed on the record. */
  readonly verdict: string;
}

/** What there is to be drawn of a record. */
export interface RecordRows extends Which {
  readonly attempt: number;
  readonly verdict: string;
  readonly rows: readonly RecordRow[];
}

/** How a row was read, drawn. */
export interface RowFigure {
  /** A whole SVG document; absent when there is nothing to draw. */
  readonly svg?: string;
  /** The same for whoever cannot see it. */
  readonly alternative: string;
  /** What was read, what is allowed, what was concluded. */
  readonly words: string;
  /** What a reader must know besides. */
  readonly notes: readonly string[];
}

/** Lag against grain of a record; nothing where it has no sweep of the settings. */
export interface SmoothingOf extends Which {
  readonly verdict: string;
  readonly sweep?: SmoothingPoints;
}

/** Reference items of a bench. */
export interface ReferenceItems {
  readonly bench: string;
  readonly items: readonly Chartable[];
  /** In the register and never checked here. */
  readonly unchecked: readonly string[];
}

/** A control chart, drawn, with its sentences. */
export interface ReferenceChart {
  readonly svg: string;
  readonly alternative: string;
  readonly words: readonly string[];
}
