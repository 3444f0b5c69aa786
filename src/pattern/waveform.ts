import type { Quantity } from '../base/units.js';
import type { Pattern } from '../procedure/procedure.js';
import { held } from './shapes.js';

export { edges, parts } from './shapes.js';
export type { Edge, Part } from './shapes.js';

/** A stimulus as samples: what the item is commanded, one value per update. */
export interface Waveform {
  /** Updates a second. */
  readonly rate: Quantity<'Hz'>;
  /** Torque in N·m, one value per update, held until the next; n ≥ 1. */
  readonly command: Float64Array;
}

/** Largest magnitudes of a waveform, for comparison with ratings. */
export interface Bounds {
  /** N·m */
  readonly peak: number;
  /** Root mean square, N·m. */
  readonly rms: number;
  /** Largest slope of the shaped parts of the pattern, N·m/s; abrupt steps do not count. */
  readonly slew: number;
  /** s */
  readonly duration: number;
}

/**
 * Turns a pattern into what the item is commanded: its held value at each update, the first at 0.
 *
 * @param updates - Rate at which the item latches commands.
 * @returns One value per update that falls inside the pattern; the last is held for a whole update.
 *
 * Check: tests/checks/pattern.check.ts.
 */
export function compile(pattern: Pattern, updates: Quantity<'Hz'>): Waveform {
  const known = compiled.get(pattern);
  if (known?.rate === updates) return known;
  const waveform = { rate: updates, command: held(pattern, updates) };
  compiled.set(pattern, waveform);
  return waveform;
}

/** A pattern is compiled for its bounds, for the bench and for its scores: once is enough. */
const compiled = new WeakMap<Pattern, Waveform>();
