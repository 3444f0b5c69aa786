/** How an attempt stands, beside its verdict. */
export const LINE_STATES = ['suspect', 'superseded', 'broken off', 'refused', 'not ended'] as const;
export type LineState = (typeof LINE_STATES)[number];

/** Which attempts are wanted. All that is given must hold. */
export interface LineWish {
  /** Part of a serial or of the number of a record; capital and small letters are the same. */
  readonly text?: string;
  /** First and last day or instant in UTC at which it was begun; a day counts whole. */
  readonly from?: string;
  readonly to?: string;
  readonly model?: string;
  /** ACCEPT, REJECT or HOLD. */
  readonly verdict?: string;
  /** Whole name. */
  readonly operator?: string;
  readonly state?: LineState;
}

/** An attempt with how it ended, or a start that was refused. */
export interface FoundLine {
  /** The entry that began it, refused it, or issued this revision. */
  readonly entry: number;
  readonly kind: 'attempt' | 'refused';
  readonly serial: string;
  /** 0 for a refusal. */
  readonly attempt: number;
  /** Number it reserved; empty for a refusal. */
  readonly certificate: string;
  readonly revision: number;
  /** ISO 8601 UTC. */
  readonly at: string;
  readonly by: string;
  readonly model: string;
  readonly bench: string;
  readonly simulated: boolean;
  /** ACCEPT, REJECT, HOLD, "broken off", "refused", or empty while it has not ended. */
  readonly word: string;
  readonly outcome: string;
  readonly reason: string;
  /** When it ended, and the entry that says so. */
  readonly ended?: string;
  readonly ending?: number;
  /** The check that made it suspect. */
  readonly suspect?: number;
  /** The revision that replaces it. */
  readonly superseded?: number;
}

/** A page of what was found. */
export interface Found {
  /** Newest first. */
  readonly lines: readonly FoundLine[];
  /** How many there are in all. */
  readonly total: number;
}

/** Values that occur, to choose from. */
export interface Choices {
  readonly models: readonly string[];
  readonly operators: readonly string[];
}

/** What was asked, or how far the index is that must be made first. */
export type Searching<T> =
  | { readonly kind: 'answer'; readonly answer: T }
  | { readonly kind: 'making'; readonly seen: number; readonly of: number };
