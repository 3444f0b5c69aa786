import type { NonEmpty } from '../base/numbers.js';
import type { Acknowledgement } from '../bench/permit.js';
import type { Identity, Timing, Environment } from '../bench/bench.js';
import type { Decision } from '../decision/decision.js';
import type { Approval, Model, Warning } from '../procedure/procedure.js';
import type { Instrument, StandModel } from '../procedure/station.js';
import type { Figure } from './figure.js';

/** A document by its identity and issue, with the digest of what it said. */
export interface DocumentReference {
  readonly id: string;
  readonly title: string;
  readonly issue: number;
  readonly date: string;
  readonly digest: string;
  readonly approval: Approval;
}

/**
 * One record of one attempt: an acceptance certificate, a nonconformity report or the report of a
 * held item, by its verdict. Carries every item of ISO/IEC 17025:2017, 7.8.2.1 that applies.
 */
export interface Certificate {
  readonly number: string;
  readonly revision: number;
  readonly simulated: boolean;
  readonly maker: { readonly name: string; readonly address: string };
  readonly bench: string;
  readonly place: string;
  readonly nest: number;
  readonly serial: string;
  readonly model: Model;
  readonly item: Identity;
  readonly attempt: number;
  /** Attempts that the item may have without another disposition. */
  readonly attemptsAllowed: number;
  /** Why the item was tested as a sample; absent when it was not. */
  readonly sample?: string;
  readonly procedure: DocumentReference;
  readonly limits: DocumentReference;
  readonly benchDigest: string;
  /** ms since the Unix epoch. */
  readonly started: number;
  readonly ended: number;
  readonly issued: number;
  readonly environment: Environment;
  readonly decision: Decision;
  readonly acknowledgements: NonEmpty<Acknowledgement & { readonly warning: Warning }>;
  readonly operator: string;
  /** How the operator was known: by secret, or by a name that nobody checked. */
  readonly operatorIdentity: string;
  readonly equipment: NonEmpty<Instrument>;
  readonly stand: StandModel;
  /** How times of the capture were tied to the command. */
  readonly timing: Timing;
  readonly torqueConstant: { readonly value: number; readonly origin: 'nominal' | 'measured' };
  /** Absent when every stage of the procedure was to be played. */
  readonly partial?: PartialTest;
  /** What was not done as the procedure says, in sentences; empty when nothing. */
  readonly deviations: readonly string[];
  readonly figures: readonly Figure[];
  readonly captureDigest: string;
  readonly software: { readonly version: string; readonly scoring: string };
  /** The ledger entry that began this attempt, so that the ledger's past is anchored outside it. */
  readonly anchor: { readonly entry: number; readonly digest: string };
}

/** What a retest after rework was limited to, and the record that its other rows were carried over from. */
export interface PartialTest {
  /** Stages that the release names. */
  readonly stages: readonly string[];
  /** These, and the stages on which they depend. */
  readonly played: readonly string[];
  /** Components, by name. */
  readonly replaced: readonly string[];
  readonly record: string;
  /** SHA-256 of the table of that record. */
  readonly digest: string;
}

/** What kind of document a verdict leads to. */
export type DocumentKind = 'acceptance' | 'nonconformity' | 'hold';

export function documentKind(certificate: Certificate): DocumentKind {
  switch (certificate.decision.verdict.word) {
    case 'ACCEPT':
      return 'acceptance';
    case 'REJECT':
      return 'nonconformity';
    case 'HOLD':
      return 'hold';
  }
}

/** Printed in every row, page and screen of a simulated run. */
export const SIMULATED_MARK = 'SIMULATED – NOT A PRODUCT RECORD';
