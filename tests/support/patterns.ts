import { hertz, newtonMetre, second } from '../../src/base/units.js';
import type { MultisinePattern, Pattern, StepPattern } from '../../src/procedure/procedure.js';

/** Short ways to write patterns: N·m, s, Hz. */
export const hold = (level: number, duration: number): Pattern => ({
  kind: 'hold',
  level: newtonMetre(level),
  duration: second(duration),
});

export const ramp = (from: number, to: number, duration: number): Pattern => ({
  kind: 'ramp',
  from: newtonMetre(from),
  to: newtonMetre(to),
  duration: second(duration),
});

export const sine = (amplitude: number, frequency: number, duration: number): Pattern => ({
  kind: 'sine',
  amplitude: newtonMetre(amplitude),
  frequency: hertz(frequency),
  duration: second(duration),
});

export const triangle = (amplitude: number, frequency: number, cycles: number): Pattern => ({
  kind: 'triangle',
  amplitude: newtonMetre(amplitude),
  frequency: hertz(frequency),
  cycles,
});

export const staircase = (rate: number, of: Pattern): Pattern => ({
  kind: 'staircase',
  rate: hertz(rate),
  of,
});

export const recorded = (samples: readonly number[], rate: number, scale = 1): Pattern => ({
  kind: 'recorded',
  file: 'pattern.csv',
  digest: '0'.repeat(64),
  rate: hertz(rate),
  scale,
  samples: Float64Array.from(samples),
});

export const pseudoRandom = (order: number, rate: number, periods: number): Pattern => ({
  kind: 'pseudo-random',
  amplitude: newtonMetre(1),
  rate: hertz(rate),
  order,
  periods,
});

export const list = (first: Pattern, ...others: Pattern[]): Pattern => ({
  kind: 'list',
  parts: [first, ...others],
});

export function step(
  levels: readonly [number, number, ...number[]],
  timing: { hold: number; repeat?: number; edge?: number },
): StepPattern {
  const [first, next, ...rest] = levels;
  return {
    kind: 'step',
    levels: [newtonMetre(first), newtonMetre(next), ...rest.map(newtonMetre)],
    hold: second(timing.hold),
    repeat: timing.repeat ?? 1,
    edge: second(timing.edge ?? 0),
  };
}

export function chirp(
  from: number,
  to: number,
  duration: number,
  sweep: 'linear' | 'logarithmic',
): Extract<Pattern, { kind: 'chirp' }> {
  return {
    kind: 'chirp',
    amplitude: newtonMetre(1),
    from: hertz(from),
    to: hertz(to),
    duration: second(duration),
    sweep,
  };
}

/** The multisine of the H12 procedure, with changes. */
export function multisine(changes: Partial<MultisinePattern> = {}): MultisinePattern {
  return {
    kind: 'multisine',
    from: hertz(1),
    to: hertz(200),
    lines: 75,
    rms: newtonMetre(0.6),
    period: second(1),
    periods: 18,
    draws: 60,
    seed: 1,
    avoid: [hertz(50), hertz(60)],
    ...changes,
  };
}
