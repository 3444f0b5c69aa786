import type { Budget } from '../../src/procedure/budget.js';

/**
 * Makes a budget whose U is relative · abs(value) + absolute, base units, with k = 2.
 *
 * @param freedom - Degrees of freedom of its only component; k grows when they are few.
 */
export function budgetOf(relative: number, absolute: number, freedom = Infinity): Budget {
  return {
    version: 1,
    date: '2026-11-01',
    components: [
      {
        name: 'all',
        what: 'everything together',
        origin: { kind: 'judgement' },
        why: 'made for a test',
        relative,
        absolute,
        distribution: { kind: 'normal', k: 2 },
        sensitivity: 1,
        freedom,
      },
    ],
    where: { file: 'procedures/benches/tw-1.yaml', line: 1, column: 1 },
  };
}
