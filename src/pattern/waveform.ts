import type { Quantity } from '../base/units.js';

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
