import type { NonEmpty } from '../base/numbers.js';
import type { Gate } from '../capture/gate.js';
import type { Limit } from '../procedure/limits.js';
import type { Outcome, Side } from '../scoring/scoring.js';

/** What the program concludes about one characteristic. */
export type Verdict =
  | { readonly outcome: 'conforming' }
  | { readonly outcome: 'inconclusive'; readonly side: 'inside' | 'outside' }
  | { readonly outcome: 'nonconforming' }
  | { readonly outcome: 'invalid'; readonly reasons: NonEmpty<string> }
  | { readonly outcome: 'not-run' };

/** What the program concludes about the item, with the word the operator acts on. */
export type ItemVerdict =
  | { readonly outcome: 'conforming'; readonly word: 'ACCEPT' }
  | { readonly outcome: 'nonconforming'; readonly word: 'REJECT' }
  | { readonly outcome: 'inconclusive' | 'invalid' | 'aborted'; readonly word: 'HOLD' };

/** One row of a certificate: a value against its limit. */
export interface Result {
  readonly limit: Limit;
  readonly name: string;
  readonly side: Side;
  readonly outcome: Outcome;
  /** Expanded uncertainty, k = 2, base unit; undefined when none is stated. */
  readonly expanded: number | undefined;
  readonly verdict: Verdict;
}

/** Everything decided about one attempt. */
export interface Decision {
  readonly verdict: ItemVerdict;
  /** One sentence: why. */
  readonly reason: string;
  readonly results: NonEmpty<Result>;
  readonly gates: readonly Gate[];
}
