import type { DecisionRule } from '../procedure/limits.js';

/** What one decision rule does around each limit, and how it is named to people. */
export interface Rule {
  /** One letter for a narrow column. */
  readonly mark: string;
  /** Its name with its guard band. */
  readonly name: string;
  /** What it does, in one clause. */
  readonly meaning: string;
  /** Guard band as a share of U: so far inside a limit a value is accepted; negative: outside it. */
  readonly accept: number;
  /** Share of U: a value further than this outside a limit does not conform. */
  readonly refuse: number;
  /** What a value is that is neither accepted nor refused. */
  readonly between: 'inconclusive' | 'conditional' | 'nothing';
}

/** 1.65 u as a share of U = 2 u. Source: ISO 14253-1:2017, one-sided 95 % (from memory); leaves 4.95 %. */
const ONE_SIDED = 1.65 / 2;

/**
 * The decision rules, with u = U/2, each limit by itself: a tolerance with two ends has the guard band at both, and
 * the risk at an acceptance limit is that of its own end as long as U is well below the tolerance.
 *
 * | rule | accepted | between | nonconforming | risk of a value on the acceptance limit |
 * | - | - | - | - | - |
 * | simple | inside the limit | – | outside | 50 % |
 * | guarded | U or more inside | not decided | more than U outside | 2.3 % |
 * | guarded-one-sided | 1.65 u or more inside | not decided | more than 1.65 u outside | 4.95 % |
 * | four-way | U or more inside | on condition, inside or outside | more than U outside | 2.3 %; 50 % on condition |
 * | guarded-rejection | up to U outside | – | more than U outside | 97.7 %, and as much against a wrong rejection |
 *
 * Source: ILAC-G8:09/2019, 4.2.1–4.2.3 and its non-binary statements; JCGM 106:2012, 8.3.2 and 8.3.3
 * (all from memory). Check: tests/checks/decision.check.ts, tests/checks/monte-carlo.check.ts.
 */
export const RULES: Readonly<Record<DecisionRule, Rule>> = {
  guarded: {
    mark: 'G',
    name: 'guarded acceptance, w = U',
    meaning:
      'at least w = U inside the limits conforms, more than w outside does not, anything nearer is not decided',
    accept: 1,
    refuse: 1,
    between: 'inconclusive',
  },
  'guarded-one-sided': {
    mark: 'O',
    name: 'guarded acceptance, w = 1.65 u (one-sided 95 %)',
    meaning:
      'at least w = 1.65 u inside each limit conforms, more than w outside does not, anything nearer is not decided; u = U/2',
    accept: ONE_SIDED,
    refuse: ONE_SIDED,
    between: 'inconclusive',
  },
  'four-way': {
    mark: 'F',
    name: 'four-way statement, w = U',
    meaning:
      'at least w = U inside the limits conforms, more than w outside does not; nearer than w, inside conforms on condition and outside does not conform on condition',
    accept: 1,
    refuse: 1,
    between: 'conditional',
  },
  'guarded-rejection': {
    mark: 'R',
    name: 'guarded rejection, w = U',
    meaning: 'only more than w = U outside the limits does not conform',
    accept: -1,
    refuse: 1,
    between: 'nothing',
  },
  simple: {
    mark: 'S',
    name: 'simple acceptance',
    meaning: 'within the limits conforms',
    accept: 0,
    refuse: 0,
    between: 'nothing',
  },
};

/** Whether a rule moves the limits by a guard band, so that nothing is decided without U. */
export function hasGuardBand(rule: DecisionRule): boolean {
  return RULES[rule].accept !== 0;
}
