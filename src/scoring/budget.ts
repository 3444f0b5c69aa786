import { isNonEmpty, type NonEmpty } from '../base/numbers.js';
import type { Budget, Component, StatedDistribution } from '../procedure/budget.js';
import { combine, coverageFactor, effectiveFreedom, standardFromLimits } from './uncertainty.js';

/** What a run tells of the scatter of one value: standard deviation of its repeats, and how many. */
export interface RunRepeats {
  readonly spread?: number;
  readonly repeats?: number;
}

/** One line of a budget for one value. */
export interface BudgetLine {
  readonly component: Component;
  /** Size that the standard uncertainty was taken from: k times it, or half the width; unit of the component. */
  readonly size: number;
  /** Standard uncertainty, unit of the component. */
  readonly u: number;
  /** Sensitivity. */
  readonly c: number;
  /** abs(c)·u, base unit of the characteristic. */
  readonly contribution: number;
  readonly freedom: number;
  /** Share of the variance of the result, 0 … 1. */
  readonly share: number;
}

/** The budget of one value, in base units of its characteristic. */
export interface BudgetTable {
  readonly value: number;
  readonly lines: NonEmpty<BudgetLine>;
  /** Combined standard uncertainty. */
  readonly standard: number;
  /** Effective degrees of freedom; Infinity when every component is taken as exact. */
  readonly freedom: number;
  readonly k: number;
  /** U = k·u. */
  readonly expanded: number;
}

/** Share of values that U covers: that of two standard deviations of a normal distribution. */
export const COVERAGE = 0.9545;

/** From here on k is 2.00. */
const MANY = 1000;

/**
 * Returns the factor for a coverage of 95.45 %, rounded to the two decimals of the printed table, so
 * that a reader with the table at hand comes to the same U.
 *
 * @param freedom - Effective degrees of freedom, ≥ 1; cut to a whole number first.
 *
 * Source: JCGM 100:2008, G.4.1 and Table G.2 (from memory). Check: tests/checks/uncertainty.check.ts.
 */
export function factorFor(freedom: number): number {
  const whole = Math.floor(freedom * (1 + 1e-12)); // 4 may come out of a root as 3.999…
  if (whole >= MANY) return 2;
  return Math.round(100 * coverageFactor(COVERAGE, Math.max(1, whole))) / 100;
}

/**
 * Draws up the budget of a value: every component with its contribution, and what they come to.
 *
 * What the run itself tells counts before what was known beforehand: with two or more repeats the mean
 * scatters by spread/√n with n − 1 degrees of freedom, in the place of the component from repeats, or
 * beside the others where the budget has none.
 *
 * @param value - Base unit of the characteristic.
 *
 * Source: JCGM 100:2008, 4.2.3, 4.3, 5.1.2 (10), G.4.1 (G.2b) (from memory).
 * Check: tests/checks/uncertainty.check.ts.
 */
export function budgetTable(value: number, budget: Budget, run: RunRepeats = {}): BudgetTable {
  const inputs = inputsOf(value, budget, run);
  const standard = combine(inputs);
  const freedom = standard === 0 ? Infinity : effectiveFreedom(inputs);
  const lines = inputs.map((input): BudgetLine => {
    const contribution = Math.abs(input.c) * input.u;
    const share = standard === 0 ? 0 : (contribution / standard) ** 2;
    return { ...input, contribution, share };
  });
  if (!isNonEmpty(lines)) throw new Error('a budget without components cannot be read from a file');
  const k = factorFor(freedom);
  return { value, lines, standard, freedom, k, expanded: k * standard };
}

/**
 * Returns the expanded uncertainty of a value for a coverage of 95.45 %.
 *
 * @param value - Base unit of its characteristic; the result is in the same unit, ≥ 0.
 * @param run - Scatter of the repeats of the run; left out before there is a run.
 */
export function expandedFor(value: number, budget: Budget, run: RunRepeats = {}): number {
  return budgetTable(value, budget, run).expanded;
}

type Input = Pick<BudgetLine, 'component' | 'size' | 'u' | 'c' | 'freedom'>;

function inputsOf(value: number, budget: Budget, run: RunRepeats): readonly Input[] {
  const read = readRepeats(run);
  const stated = budget.components
    .filter(({ origin }) => read === undefined || origin.kind !== 'repeats')
    .map((component): Input => {
      const { relative, absolute, distribution, sensitivity, freedom } = component;
      const size = relative * Math.abs(value) + absolute;
      return { component, size, u: standardOf(size, distribution), c: sensitivity, freedom };
    });
  return read === undefined ? stated : [...stated, read];
}

/** What the repeats of a run come to; undefined where there are none. */
function readRepeats({ spread, repeats }: RunRepeats): Input | undefined {
  if (spread === undefined || repeats === undefined || repeats < 2) return undefined;
  const u = spread / Math.sqrt(repeats);
  const component: Component = {
    name: 'run-repeats',
    what: `scatter of the ${repeats} repeats of this run, of their mean`,
    origin: { kind: 'repeats' },
    relative: 0,
    absolute: u,
    distribution: { kind: 'normal', k: 1 },
    sensitivity: 1,
    freedom: repeats - 1,
  };
  return { component, size: u, u, c: 1, freedom: repeats - 1 };
}

function standardOf(size: number, distribution: StatedDistribution): number {
  return distribution.kind === 'normal'
    ? size / distribution.k
    : standardFromLimits(size, { kind: distribution.kind });
}
