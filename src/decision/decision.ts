import type { NonEmpty } from '../base/numbers.js';
import type { Gate } from '../capture/gate.js';
import type { Limit } from '../procedure/limits.js';
import type { Outcome, Side } from '../scoring/scoring.js';

/** What the program concludes about one characteristic. */
export type Verdict =
  | { readonly outcome: 'conforming' }
  /** Nearer to a limit than its guard band, where the rule says on which side it lies and no more. */
  | { readonly outcome: 'conditional'; readonly side: 'inside' | 'outside' }
  | { readonly outcome: 'inconclusive'; readonly side: 'inside' | 'outside' }
  | { readonly outcome: 'nonconforming' }
  | { readonly outcome: 'invalid'; readonly reasons: NonEmpty<string> }
  | { readonly outcome: 'not-run' };

/** What the program concludes about the item, with the word the operator acts on. */
export type ItemVerdict =
  | { readonly outcome: 'conforming'; readonly word: 'ACCEPT' }
  | { readonly outcome: 'conditional'; readonly side: 'inside'; readonly word: 'ACCEPT' }
  | { readonly outcome: 'conditional'; readonly side: 'outside'; readonly word: 'HOLD' }
  | { readonly outcome: 'nonconforming'; readonly word: 'REJECT' }
  | { readonly outcome: 'inconclusive' | 'invalid' | 'aborted'; readonly word: 'HOLD' };

/** How near an accepted value is to its limit. */
export interface NearLimit {
  /** Share of the tolerance that it uses: 0 where an item should be, 1 on the limit. */
  readonly used: number;
  /** Share above which the limits warn. */
  readonly above: number;
}

/** One row of a certificate: a value against its limit. */
export interface Result {
  readonly limit: Limit;
  readonly name: string;
  readonly side: Side;
  readonly outcome: Outcome;
  /** Expanded uncertainty U = k·u for 95.45 %, base unit; undefined when none is stated. */
  readonly expanded: number | undefined;
  /** Its coverage factor, 2 unless few repeats make up much of it; absent without U. */
  readonly k?: number;
  readonly verdict: Verdict;
  /** Set on an accepted value that uses much of its tolerance; it decides nothing. */
  readonly nearLimit?: NearLimit;
  /** Number of the record that measured it; absent for what this attempt measured itself. */
  readonly carriedFrom?: string;
}

/** Why the item itself is to blame for an attempt that gave no measurement, with evidence from elsewhere. */
export interface ItemFault {
  /** One sentence: what the item did. */
  readonly what: string;
  /** One sentence: what was seen on channels or gates in which the item has no hand. */
  readonly evidence: string;
}

/** Everything decided about one attempt. */
export interface Decision {
  readonly verdict: ItemVerdict;
  /** One sentence: why. */
  readonly reason: string;
  readonly results: NonEmpty<Result>;
  readonly gates: readonly Gate[];
  /** Absent when nothing proves the item to be at fault beyond its values. */
  readonly itemFault?: ItemFault;
}
