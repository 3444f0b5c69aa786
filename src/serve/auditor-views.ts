import type { Problem } from '../base/error.js';
import type { Check } from '../certificate/check.js';
import type { Strip } from '../certificate/strip.js';
import type { Choices, Found, FoundLine } from '../ledger/search-line.js';
import type { ItemState } from '../readiness/disposition.js';

export type { Check } from '../certificate/check.js';
export type { Choices, Found, FoundLine, LineState, Searching } from '../ledger/search-line.js';

/** A page of attempts, with what there is to choose from. */
export interface FoundPage extends Found {
  readonly choices: Choices;
  /** Entries of the ledger. */
  readonly entries: number;
}

/** A file of a record, as it lies there now. */
export interface FileFacts {
  readonly name: string;
  readonly bytes: number;
  /** SHA-256. */
  readonly digest: string;
}

/** A row of the results, ready to be shown. */
export interface ResultLine {
  readonly label: string;
  readonly value: string;
  readonly expanded: string;
  readonly unit: string;
  readonly allowed: string;
  /** Letter of its decision rule, and the name of the rule. */
  readonly rule: string;
  readonly ruleName: string;
  readonly side: string;
  readonly mark: 'tick' | 'cross' | 'bars' | 'none';
  /** Empty for an accepted value. */
  readonly verdict: string;
  /** Why there is no verdict; empty where there is one. */
  readonly reason: string;
  readonly strip?: Strip;
}

export interface StageResults {
  readonly stage: string;
  readonly rows: readonly ResultLine[];
}

/** A gate as printed. */
export interface GateLine {
  readonly name: string;
  readonly stage: string;
  readonly holds: boolean;
  readonly found: string;
  readonly blames: string;
}

/** Names with texts, in the order of the record. */
export type Facts = readonly (readonly [name: string, text: string])[];

/** What the table of a record says. */
export interface TableView {
  readonly number: string;
  readonly revision: number;
  readonly serial: string;
  readonly attempt: number;
  readonly simulated: boolean;
  /** ACCEPT, REJECT or HOLD, as printed. */
  readonly verdict: string;
  readonly title: string;
  readonly statement: string;
  readonly reason: string;
  readonly rule: string;
  /** Everything else that it says of itself. */
  readonly facts: Facts;
  readonly stages: readonly StageResults[];
  readonly gates: readonly GateLine[];
  readonly acknowledgements: readonly Facts[];
  readonly equipment: readonly Facts[];
  readonly deviations: readonly string[];
}

/** A record as a page shows it, with everything that was found about it. */
export interface RecordView {
  /** Seen from the folder of records. */
  readonly folder: string;
  /** Whether no check is broken. */
  readonly intact: boolean;
  readonly checks: readonly Check[];
  /** What to conclude, in one or two sentences. */
  readonly conclusion: string;
  readonly files: readonly FileFacts[];
  /** Absent when the table cannot be read. */
  readonly table?: TableView;
}

/** Where an item is, as its entries tell. */
export interface ItemLine {
  readonly state: ItemState;
  readonly why: string;
  readonly since?: string;
  readonly counted: number;
  readonly allowed: number;
}

/** A person moved the item. */
export interface MoveLine {
  readonly entry: number;
  readonly at: string;
  readonly by: string;
  readonly words: string;
}

/** One attempt, or one refused start, with its record and what became of the item. */
export interface AttemptView {
  readonly line: FoundLine;
  /** All lines of the serial, oldest first. */
  readonly others: readonly FoundLine[];
  readonly item: ItemLine;
  readonly moves: readonly MoveLine[];
  /** Why the record is suspect, in a sentence; absent when it is not. */
  readonly suspect?: string;
  /** Where what an attempt without a record left is kept, seen from the folder of records. */
  readonly kept: readonly string[];
  /** Absent where none was issued. */
  readonly record?: RecordView;
  /** Why the record that was issued cannot be shown; absent when it can. */
  readonly lost?: string;
}

/** One line of the audit trail. */
export interface TrailLine {
  readonly entry: number;
  /** UTC. */
  readonly at: string;
  readonly by: string;
  readonly what: string;
  readonly from: string;
  readonly to: string;
  readonly why: string;
}

/** A review of the ledger that a person signed. */
export interface ReviewLine {
  readonly entry: number;
  readonly from: number;
  readonly to: number;
  readonly person: string;
  /** What does not hold, in sentences. */
  readonly broken: readonly string[];
}

/** A part of the audit trail, newest first. */
export interface TrailPage {
  readonly rows: readonly TrailLine[];
  /** Give it to have the rows before these; absent when there are none. */
  readonly before?: number;
  /** Entries of the whole ledger. */
  readonly entries: number;
  readonly reviews: readonly ReviewLine[];
}

/** How far the check of a folder is. */
export interface FolderProgressView {
  readonly phase: 'reading the ledger' | 'verifying records' | 'auditing the ledger';
  readonly done: number;
  /** 0 while it is not known. */
  readonly of: number;
}

/** A record in the table of a folder. */
export interface FolderLine {
  readonly folder: string;
  /** Empty where the table cannot be read. */
  readonly number: string;
  readonly revision: number;
  readonly serial: string;
  /** As printed. */
  readonly verdict: string;
  readonly state: 'intact' | 'damaged' | 'superseded';
  /** What does not hold, in sentences. */
  readonly broken: readonly string[];
}

/** A number without a record. */
export interface MissingLine {
  readonly number: string;
  readonly explained: boolean;
  readonly sentence: string;
}

/** What the check of a whole folder of records found. */
export interface FolderView {
  readonly records: readonly FolderLine[];
  readonly missing: readonly MissingLine[];
  readonly duplicates: readonly string[];
  /** What is wrong with the ledger, in sentences. */
  readonly ledgerFindings: readonly string[];
  /** What follows, in one sentence each. */
  readonly recordsSentence: string;
  readonly ledgerSentence: string;
  /** Nothing is damaged, unexplained or doubled, and the ledger is clean. */
  readonly intact: boolean;
}

/** How a check of the whole folder stands. */
export type FolderState =
  | { readonly kind: 'never' }
  | ({ readonly kind: 'going' } & FolderProgressView)
  | { readonly kind: 'done'; readonly at: string; readonly found: FolderView }
  | { readonly kind: 'broken off'; readonly at: string; readonly problems: readonly Problem[] };
