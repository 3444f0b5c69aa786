import type { StepPattern } from '../procedure/procedure.js';
import { STATIC } from './dependence.js';
import { mean, standardDeviation } from './line.js';
import { lastPart, measured, notEvaluated, option, shown } from './reading.js';
import type { Characteristic } from './scoring.js';
import { holdMeans, type HoldMean } from './steady.js';
import { coverageFactor } from './uncertainty.js';

/** The changes of torque that one increment of the command made, each against both neighbours. */
export interface Increment {
  /** N·m, > 0 */
  readonly size: number;
  /** N·m, positive along the increment. */
  readonly changes: readonly number[];
}

/** Fewest visits to a level: with two, Student's factor is 12.7 and finds nothing. */
const FEWEST = 3;

/**
 * Collects what each increment changed: the mean at a level less the mean of the holds at the base
 * before and after it (A-B-A), so that a drift along a straight line cancels.
 *
 * @param means - Mean torque of each hold as played, N·m; the first level of the pattern is the base.
 * @returns Increments with all their visits, rising in size.
 *
 * Check: tests/unit/resolution.test.ts.
 */
export function incrementsOf(
  levels: StepPattern['levels'],
  means: readonly number[],
): readonly Increment[] {
  const base = levels[0];
  const away = (k: number): number => (levels[k % levels.length] as number) - base;
  const found = new Map<number, { size: number; changes: number[] }>();
  for (let k = 1; k + 1 < means.length; k++) {
    const step = away(k);
    if (step === 0 || away(k - 1) !== 0 || away(k + 1) !== 0) continue;
    const [before, here, after] = means.slice(k - 1, k + 2) as [number, number, number];
    const size = Math.abs(step);
    const key = Math.round(size * 1e9);
    const increment = found.get(key) ?? { size, changes: [] };
    increment.changes.push(Math.sign(step) * (here - (before + after) / 2));
    found.set(key, increment);
  }
  return [...found.values()].sort((a, b) => a.size - b.size);
}

/**
 * Tells whether changes are above zero beyond chance, by Student's t over their scatter.
 *
 * @param changes - n ≥ 2 values. @param share - Coverage probability, two-sided, e.g. 0.95.
 *
 * Source: one-sample t-test, textbook (from memory); factor: JCGM 100:2008, Table G.2 (from memory).
 * Check: tests/unit/resolution.test.ts.
 */
export function standsOut(changes: readonly number[], share: number): boolean {
  const n = changes.length;
  const error = standardDeviation(changes) / Math.sqrt(n);
  return mean(changes) > coverageFactor(share, n - 1) * error;
}

const OPTIONS = {
  average: { dimension: 'time', default: 0.2 },
  coverage: { dimension: 'ratio', default: 0.95 },
} as const;

const torqueResolution: Characteristic = {
  id: 'torque-resolution',
  name: 'torque resolution',
  definition:
    'Smallest increment of the command away from the first level of the pattern and back that changes the mean shaft torque beyond chance at 95 %, as do all larger ones played; never less than the smallest played.',
  formula:
    'least Δu with mean(d) > t₉₅(n − 1) · s(d) / √n, d = τ(B) − (τ(A before) + τ(A after)) / 2',
  shifts:
    'the increments that the pattern plays, best 1-2-5; how often each is played; noise and hum; friction at standstill, which takes part of a small change',
  dimension: 'torque',
  unit: 'mN·m',
  side: 'shaft',
  from: ['step'],
  power: 'on',
  takes: 1,
  gates: STATIC,
  options: OPTIONS,
  source: 'common practice, no source; t-test, textbook (from memory)',
  check: 'tests/unit/resolution.test.ts',
  score: (capture, stage, reading, context) => {
    const part = lastPart(stage.pattern, 'step');
    if (part === undefined) return notEvaluated('The stage holds no step pattern.');
    const average = option(reading.options, OPTIONS, 'average');
    const coverage = option(reading.options, OPTIONS, 'coverage');
    if (!(coverage > 0 && coverage < 1)) {
      return notEvaluated(`A coverage of ${shown(coverage * 100)} % lies outside 0 to 100 %.`);
    }
    const holds = holdMeans(capture.takes[0], part, { conditioning: 0, average }, context);
    if ('reason' in holds) return holds;
    const torques = holds.map((hold: HoldMean) => hold.torque);
    const increments = incrementsOf(part.pattern.levels, torques);
    if (increments.length === 0) {
      return notEvaluated('No level is played between two holds at the first level.');
    }
    const rare = increments.find(({ changes }) => changes.length < FEWEST);
    if (rare !== undefined) {
      const visits = `the increment of ${shown(rare.size * 1000)} mN·m is played ${rare.changes.length} times`;
      return notEvaluated(`A t-test needs ${FEWEST} visits of each level; ${visits}.`);
    }
    const hidden = increments.findLastIndex(({ changes }) => !standsOut(changes, coverage));
    const finest = increments[hidden + 1];
    if (finest === undefined) {
      const largest = shown((increments[hidden]?.size ?? 0) * 1000);
      return notEvaluated(`Even the largest increment, ${largest} mN·m, does not stand out.`);
    }
    return measured(finest.size, { repeats: finest.changes.length });
  },
};

/** What is read off small increments of the command. */
export const RESOLUTION: readonly Characteristic[] = [torqueResolution];
