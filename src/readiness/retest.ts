import type { Problem } from '../base/error.js';
import type { Entry } from '../ledger/ledger.js';

/** Number of the next attempt of a serial. Every attempt that was begun counts, however it ended. */
export function nextAttempt(history: readonly Entry[]): number {
  return history.filter((e) => e.kind === 'attempt-begun').length + 1;
}

/**
 * Says whether a serial may be tried again without a disposition.
 *
 * A conforming item is not tested into a second certificate, a nonconforming one waits for a
 * quality engineer, and an item held because the measurement was invalid or interrupted may be
 * tried again up to the number of attempts in the procedure. All attempts stay in the ledger.
 *
 * @param history - Ledger entries of this serial, oldest first.
 * @param attempts - Attempts allowed without a disposition, ≥ 1.
 */
export function retestProblems(history: readonly Entry[], attempts: number): readonly Problem[] {
  const issued = history.filter((e) => e.kind === 'record-issued').at(-1);
  const verdict = issued?.body['verdict'];
  const number = JSON.stringify(issued?.body['certificate']);
  if (verdict === 'ACCEPT') {
    return [refusal(`It was accepted in attempt ${issued?.attempt ?? 0}, certificate ${number}.`)];
  }
  if (verdict === 'REJECT') {
    return [refusal(`It was rejected in attempt ${issued?.attempt ?? 0}, report ${number}.`)];
  }
  const begun = nextAttempt(history) - 1;
  if (begun < attempts) return [];
  return [refusal(`It had ${begun} of ${attempts} attempts allowed without a disposition.`)];
}

function refusal(what: string): Problem {
  return {
    code: 'serial/attempts',
    what: `This item may not be tested again. ${what}`,
    fix: 'Set the item aside and ask a quality engineer for a disposition.',
  };
}
