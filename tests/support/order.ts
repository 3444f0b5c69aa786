import type { Clock } from '../../src/base/clock.js';
import type { Order } from '../../src/run/brief.js';

/** An order of operator 17, who acknowledges every warning at once and arranges nothing by hand. */
export function orderOf({
  serial,
  documents,
  clock,
}: Pick<Order, 'serial' | 'documents'> & { readonly clock: Clock }): Order {
  return {
    ...{ serial, operator: 'op 17', documents },
    acknowledge: (warning, task) =>
      Promise.resolve({
        ...{ hazard: warning.hazard, by: 'op 17', at: clock.now(), serial: task.serial },
        ...{ attempt: task.attempt, language: 'en', textIssue: warning.issue },
        means: 'command-line option, simulated bench',
      }),
    arrange: (instruction) => Promise.reject(new Error(`nobody to ${instruction}`)),
    stop: new AbortController().signal,
  };
}
