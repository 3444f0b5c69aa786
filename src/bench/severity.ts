import type { Parameters } from './spread.js';

/** How bad a fault is. A fault named without one is of the middle severity. */
export const SEVERITIES = ['slight', 'middle', 'severe'] as const;
export type Severity = (typeof SEVERITIES)[number];

export type Change = (good: Parameters) => Parameters;

/** A defect that the simulated bench can be given, to rehearse that it is found and blamed rightly. */
export interface Fault {
  readonly name: string;
  /** Whom the runner should blame. */
  readonly blames: 'item' | 'stand' | 'link' | 'operator';
  /**
   * Characteristics and gates, by id, of which at least one should find it at the middle severity;
   * the error code for what breaks a run off or keeps it from power.
   */
  readonly expect: readonly string[];
  /** Stages of the shipped procedure that matter to it, besides the zeros at start and end. */
  readonly stages: readonly string[];
  /** What is wrong, in one sentence with numbers, and what it changes. */
  readonly severities: Readonly<
    Record<Severity, { readonly what: string; readonly change: Change }>
  >;
}

/**
 * Makes the three severities of a fault from what tells them apart.
 *
 * @param levels - Slight: near or under what the limits can see. Middle: as the trade knows it.
 * Severe: well beyond.
 */
export function graded<Level>(
  levels: readonly [slight: Level, middle: Level, severe: Level],
  what: (level: Level) => string,
  change: (level: Level) => Change,
): Fault['severities'] {
  const [slight, middle, severe] = levels;
  const at = (level: Level): { readonly what: string; readonly change: Change } => ({
    what: what(level),
    change: change(level),
  });
  return { slight: at(slight), middle: at(middle), severe: at(severe) };
}

/** Changes one part of the parameters and leaves the others as they are. */
export function onPart<Part extends 'item' | 'stand' | 'link' | 'operator'>(
  part: Part,
  change: (good: Parameters[Part], all: Parameters) => Partial<Parameters[Part]>,
): Change {
  return (good) => ({ ...good, [part]: { ...good[part], ...change(good[part], good) } });
}
