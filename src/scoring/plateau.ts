import { DYNAMIC } from './dependence.js';
import { averageEdges, evidenceOf, type AveragedEdge, type SingleEdge } from './edge.js';
import { mean, standardDeviation } from './line.js';
import { measured, notEvaluated, shown } from './reading.js';
import type { Characteristic } from './scoring.js';

/** Time a plot shows after the command edge at least, s. */
const SHOWN = 0.01;
/** Share of a plateau, from its end, that its level is read off. */
const LAST = 0.2;
/** Most that the torque may still move from one half of that share to the other, of the change. */
const DRIFT = 0.005;

/** First sample of the last fifth of the plateau after the edge, and the sample half-way to its end. */
function lastFifth(edge: AveragedEdge): { readonly first: number; readonly middle: number } {
  const samples = Math.round((LAST * edge.pattern.hold) / edge.step);
  const first = Math.max(0, edge.torque.length - samples);
  return { first, middle: Math.round((first + edge.torque.length) / 2) };
}

const plateaus = {
  dimension: 'ratio',
  unit: '%',
  from: ['step'],
  power: 'on',
  takes: 1,
  options: {},
  gates: DYNAMIC,
  check: 'tests/unit/plateau.test.ts',
} as const;

const steadyStateError: Characteristic = {
  ...plateaus,
  id: 'steady-state-error',
  name: 'steady-state error',
  definition:
    'Change of the motor-side torque over the change of the command, less 1, levels from the last fifth of the plateaus, read off the mean of the smallest steps.',
  formula: '(mean(τᵢ after) − mean(τᵢ before)) / (u after − u before) − 1',
  shifts:
    'the torque constant by which current counts as torque; holds too short to settle; an integrator of the current loop that is saturated',
  side: 'motor',
  source: 'common practice, no source',
  score: (capture, stage, _reading, context) => {
    const edge = averageEdges(capture, stage, context, { size: 'smallest', side: 'motor' });
    if ('reason' in edge) return edge;
    const { first, middle } = lastFifth(edge);
    const moved = (mean(edge.torque, middle) - mean(edge.torque, first, middle)) / edge.change;
    if (!(Math.abs(moved) <= DRIFT)) {
      const most = `at most ${DRIFT * 100} % is allowed`;
      return notEvaluated(
        `The torque still moves by ${shown(moved * 100)} % at the end of the hold; ${most}.`,
      );
    }
    const commanded = mean(edge.command, first);
    const errors = edge.each.map(({ change }) => change / commanded - 1);
    return measured(edge.change / commanded - 1, {
      repeats: errors.length,
      spread: errors.length > 1 ? standardDeviation(errors) : undefined,
      evidence: evidenceOf(edge, Math.max(SHOWN, edge.pattern.hold), []),
    });
  },
};

/** Fewest steps from one level to one other; a scatter of fewer is itself uncertain by a third. */
const FEWEST = 3;

/**
 * Pools the scatter of changes between equal levels. Steps between other levels, or the other way,
 * have another mean on account of friction and gain: that is no lack of repeatability.
 *
 * @returns Standard deviation, N·m, and how many steps it rests on; undefined when no group has two.
 *
 * Source: pooled standard deviation, JCGM 100:2008, 4.2.4 (from memory).
 * Check: tests/checks/repeatability.check.ts.
 */
export function pooledScatter(
  edges: readonly Pick<SingleEdge, 'from' | 'to' | 'change'>[],
): { readonly deviation: number; readonly freedom: number } | undefined {
  const groups = new Map<string, number[]>();
  for (const { from, to, change } of edges) {
    const key = `${from}/${to}`;
    groups.set(key, [...(groups.get(key) ?? []), change]);
  }
  let [squares, freedom] = [0, 0];
  for (const changes of groups.values()) {
    if (changes.length < 2) continue;
    squares += standardDeviation(changes) ** 2 * (changes.length - 1);
    freedom += changes.length - 1;
  }
  return freedom > 0 ? { deviation: Math.sqrt(squares / freedom), freedom } : undefined;
}

const repeatability: Characteristic = {
  ...plateaus,
  id: 'repeatability',
  name: 'repeatability of a step',
  definition:
    'Standard deviation of the change of shaft torque over repeats of the same step, those between other levels or the other way apart, over the mean change; levels from the last fifth of the plateaus.',
  formula: 's(Δτ) / mean(Δτ), s pooled over steps that are alike',
  shifts:
    'a loose coupling; drift within a second; noise of the torque channel; fewer repeats, of which s itself scatters',
  side: 'shaft',
  source: 'pooled standard deviation, JCGM 100:2008, 4.2.4 (from memory)',
  check: 'tests/checks/repeatability.check.ts',
  score: (capture, stage, _reading, context) => {
    const edge = averageEdges(capture, stage, context, { size: 'smallest', side: 'shaft' });
    if ('reason' in edge) return edge;
    const found = pooledScatter(edge.each);
    if (found === undefined || found.freedom < FEWEST - 1) {
      return notEvaluated(
        `Repeatability needs ${FEWEST} equal steps or more; ${edge.each.length} steps are there.`,
      );
    }
    return measured(found.deviation / edge.change, { repeats: edge.each.length });
  },
};

/** Characteristics that are read off the levels before and after a step. */
export const PLATEAUS: readonly Characteristic[] = [steadyStateError, repeatability];
