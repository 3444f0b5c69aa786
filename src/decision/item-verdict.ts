import { unreachable } from '../base/error.js';
import type { Gate } from '../capture/gate.js';
import type { ItemFault, ItemVerdict, Result, Verdict } from './decision.js';

/** What the verdict on an item is drawn from. */
export interface Findings {
  /** Proof that the item itself broke the attempt off or spoiled it; absent when there is none. */
  readonly itemFault?: ItemFault;
  /** Why the attempt was broken off, in words; absent when it ran to its end. */
  readonly aborted?: string;
  readonly results: readonly Pick<Result, 'verdict'>[];
  readonly gates: readonly Pick<Gate, 'holds' | 'blames'>[];
}

/**
 * Draws the verdict on the item from its results and gates. The first line that applies counts:
 *
 * | what was found | verdict | word |
 * | - | - | - |
 * | a fault of the item with evidence, and every closed gate points at the item | nonconforming | REJECT |
 * | the attempt was broken off | aborted | HOLD |
 * | a gate does not hold, a row is invalid or was not run, or there is no row | invalid | HOLD |
 * | a row does not conform | nonconforming | REJECT |
 * | a row is not decided | inconclusive | HOLD |
 * | a row does not conform on condition | conditional, outside | HOLD |
 * | a row conforms on condition | conditional, inside | ACCEPT |
 * | every row conforms | conforming | ACCEPT |
 *
 * So ACCEPT needs at least one result, all of them inside by their rules, and every gate to hold.
 */
export function itemVerdict(findings: Findings): ItemVerdict {
  const { aborted, gates, results } = findings;
  if (isItemFault(findings)) return { outcome: 'nonconforming', word: 'REJECT' };
  if (aborted !== undefined) return { outcome: 'aborted', word: 'HOLD' };
  if (gates.some((gate) => !gate.holds)) return { outcome: 'invalid', word: 'HOLD' };
  if (results.length === 0) return { outcome: 'invalid', word: 'HOLD' };
  return wordFor(Math.max(...results.map((result) => severity(result.verdict))));
}

/** Whether a fault of the item counts: what speaks against stand, link or operator speaks for the item. */
export function isItemFault({ itemFault, gates }: Findings): boolean {
  return itemFault !== undefined && gates.every((gate) => gate.holds || gate.blames === 'item');
}

/** Whether a row with this verdict alone would let its item be accepted. */
export function isAccepted(verdict: Verdict): boolean {
  return wordFor(severity(verdict)).word === 'ACCEPT';
}

const VERDICTS = [
  { outcome: 'conforming', word: 'ACCEPT' },
  { outcome: 'conditional', side: 'inside', word: 'ACCEPT' },
  { outcome: 'conditional', side: 'outside', word: 'HOLD' },
  { outcome: 'inconclusive', word: 'HOLD' },
  { outcome: 'nonconforming', word: 'REJECT' },
  { outcome: 'invalid', word: 'HOLD' },
] as const satisfies readonly ItemVerdict[];

function wordFor(worst: number): ItemVerdict {
  const verdict = VERDICTS[worst];
  if (verdict === undefined) throw new Error(`no verdict of severity ${worst}`);
  return verdict;
}

/** Place in VERDICTS. */
function severity(verdict: Verdict): number {
  switch (verdict.outcome) {
    case 'conforming':
      return 0;
    case 'conditional':
      return verdict.side === 'inside' ? 1 : 2;
    case 'inconclusive':
      return 3;
    case 'nonconforming':
      return 4;
    case 'invalid':
    case 'not-run':
      return 5;
    default:
      return unreachable(verdict);
  }
}
