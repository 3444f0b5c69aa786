import type { Quantity } from '../base/units.js';
import type { Pattern } from '../procedure/procedure.js';
import { held } from './shapes.js';
import { wheelOf } from './virtual-spring.js';

export { edges, parts } from './shapes.js';
export type { Edge, Part } from './shapes.js';

/** A stimulus as samples: what the item is commanded, one value per update. */
export interface Waveform {
  /** Updates a second. */
  readonly rate: Quantity<'Hz'>;
  /**
   * Torque in N·m, one value per update, held until the next; n ≥ 1. With a wheel it is the torque
   * that kicks the wheel, and the item is commanded what the virtual spring asks for.
   */
  readonly command: Float64Array;
  /** Updates that are held back, `from` … `to` − 1, so that the item hears nothing. */
  readonly silence?: { readonly from: number; readonly to: number };
  readonly wheel?: Wheel;
}

/**
 * A wheel that the bench reckons: J·θ″ + b·θ′ = measured torque + kick, and the item is commanded
 * −K·θ − B·θ′, one command per update.
 */
export interface Wheel {
  /** J, kg·m², and b, N·m·s/rad. */
  readonly inertia: number;
  readonly drag: number;
  /** K, N·m/rad, one value per update; 0 where the wheel is held at rest. */
  readonly stiffness: Float64Array;
  /** B, N·m·s/rad. */
  readonly damping: number;
  /** N·m: when the spring asks for more, the loop is ended at zero torque. */
  readonly limit: number;
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
  const command = held(pattern, updates);
  const waveform = { rate: updates, command, ...specialsOf(pattern, updates, command.length) };
  compiled.set(pattern, waveform);
  return waveform;
}

/** What besides the command a silence or a virtual spring asks of the bench. */
function specialsOf(
  pattern: Pattern,
  rate: number,
  count: number,
): Pick<Waveform, 'silence' | 'wheel'> {
  if (pattern.kind === 'silence') {
    const from = Math.round(pattern.before * rate);
    return { silence: { from, to: from + Math.round(pattern.silent * rate) } };
  }
  return pattern.kind === 'virtual-spring' ? { wheel: wheelOf(pattern, rate, count) } : {};
}

/** A pattern is compiled for its bounds, for the bench and for its scores: once is enough. */
const compiled = new WeakMap<Pattern, Waveform>();
