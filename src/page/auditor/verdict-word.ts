import type { VerdictKind } from '../drawn/verdict.js';

/** The shape of a printed verdict; none for words that are no verdict. */
export function verdictKind(word: string): VerdictKind | undefined {
  if (word === 'ACCEPT') return 'accept';
  if (word === 'REJECT') return 'reject';
  return word === 'HOLD' ? 'hold' : undefined;
}
