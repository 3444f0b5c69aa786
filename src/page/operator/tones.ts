import type { Cue } from './say.js';

/** A steady tone: Hz, and when it begins and ends, s. */
export interface Tone {
  readonly pitch: number;
  readonly from: number;
  readonly to: number;
}

/**
 * Sounds by their meaning. They differ in number, direction and length of their tones. Each is played
 * once, at a steady pitch and for less than a second: danger signals sweep, pulse or go on (ISO 7731, from
 * memory), and nothing here may be taken for one.
 */
export const TONES: Readonly<Record<Cue, readonly Tone[]>> = {
  accept: [
    { pitch: 523, from: 0, to: 0.14 },
    { pitch: 784, from: 0.16, to: 0.42 },
  ],
  hold: [
    { pitch: 440, from: 0, to: 0.16 },
    { pitch: 440, from: 0.3, to: 0.46 },
  ],
  reject: [
    { pitch: 392, from: 0, to: 0.22 },
    { pitch: 262, from: 0.26, to: 0.8 },
  ],
  attention: [{ pitch: 587, from: 0, to: 0.22 }],
  countdown: [{ pitch: 660, from: 0, to: 0.1 }],
  power: [{ pitch: 880, from: 0, to: 0.35 }],
};
