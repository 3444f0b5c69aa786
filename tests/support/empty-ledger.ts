import type { Check, Situation } from '../../src/readiness/readiness.js';

/** A program that found every reference again. */
export const SELF_TESTED: Check = {
  name: 'self-test',
  state: 'ok',
  found: 'all references found again',
  clear: 'quality engineer',
};

/** What readiness is told where nothing was entered yet and there is no reference item. */
export const NOTHING_ENTERED: Pick<Situation, 'references' | 'ledger' | 'selfTest'> = {
  references: undefined,
  ledger: { of: () => [], newestFirst: () => [][Symbol.iterator]() },
  selfTest: SELF_TESTED,
};
