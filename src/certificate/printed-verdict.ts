import type { Verdict } from '../decision/decision.js';

/** How far a row of the table is valid. */
export type Validity = 'valid' | 'invalid' | 'not run';

/** Verdicts of valid rows and their words in the table, each once: what is written is what is read. */
const PRINTED: readonly (readonly [words: string, verdict: Verdict])[] = [
  ['conforming', { outcome: 'conforming' }],
  ['nonconforming', { outcome: 'nonconforming' }],
  ['conditionally conforming', { outcome: 'conditional', side: 'inside' }],
  ['conditionally nonconforming', { outcome: 'conditional', side: 'outside' }],
  ['inconclusive, inside the limits', { outcome: 'inconclusive', side: 'inside' }],
  ['inconclusive, outside the limits', { outcome: 'inconclusive', side: 'outside' }],
];

const sideOf = (verdict: Verdict): string => ('side' in verdict ? verdict.side : '');

/** Words of a verdict, as the table has them; "none" where nothing could be decided. */
export function printedVerdict(verdict: Verdict): string {
  const found = PRINTED.find(
    ([, one]) => one.outcome === verdict.outcome && sideOf(one) === sideOf(verdict),
  );
  return found?.[0] ?? 'none';
}

/** Whether a verdict is one on a valid row. */
export function validityOf({ outcome }: Verdict): Validity {
  if (outcome === 'not-run') return 'not run';
  return outcome === 'invalid' ? 'invalid' : 'valid';
}

/**
 * Reads the verdict of a row back.
 *
 * @param reason - Why it is invalid, where it is.
 * @returns Undefined when the words are none of ours.
 */
export function verdictPrinted(
  validity: string | undefined,
  words: string | undefined,
  reason: string,
): Verdict | undefined {
  if (validity === 'not run') return { outcome: 'not-run' };
  if (validity === 'invalid') return { outcome: 'invalid', reasons: [reason] };
  if (validity !== 'valid') return undefined;
  return PRINTED.find(([one]) => one === words)?.[1];
}
