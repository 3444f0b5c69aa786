import { sha256 } from '../base/canonical.js';

/**
 * A stream of random numbers named by a text: same text, same numbers on one machine. Streams of
 * different texts start at unrelated places of a long period, so they do not overlap in practice.
 *
 * The generator is known as sfc32: three 32-bit words of state and a counter. Its words are the first
 * 96 bits of the SHA-256 of the text. Not for secrets.
 *
 * Source: sfc32, public domain (from memory); Box and Muller, 1958, for the normal deviates (from memory).
 * Check: tests/unit/spread.test.ts, moments and a second reckoning in unbounded integers.
 */
export class Noise {
  private a: number;
  private b: number;
  private c: number;
  private counter = 1;
  private spare = NaN;

  constructor(name: string) {
    const digest = sha256(name);
    const word = (at: number): number => Number.parseInt(digest.slice(8 * at, 8 * at + 8), 16) | 0;
    this.a = word(0);
    this.b = word(1);
    this.c = word(2);
    for (let i = 0; i < 12; i++) this.bits(); // the first words still show the seed
  }

  private bits(): number {
    const out = (((this.a + this.b) | 0) + this.counter) | 0;
    this.counter = (this.counter + 1) | 0;
    this.a = this.b ^ (this.b >>> 9);
    this.b = (this.c + (this.c << 3)) | 0;
    this.c = (this.c << 21) | (this.c >>> 11);
    this.c = (this.c + out) | 0;
    return out >>> 0;
  }

  /** Draws from the open interval 0 … 1, evenly. */
  uniform(): number {
    return (this.bits() + 0.5) / 2 ** 32;
  }

  /** Draws from the normal distribution with mean 0 and standard deviation 1. */
  normal(): number {
    if (!Number.isNaN(this.spare)) {
      const kept = this.spare;
      this.spare = NaN;
      return kept;
    }
    const radius = Math.sqrt(-2 * Math.log(this.uniform()));
    const turn = 2 * Math.PI * this.uniform();
    this.spare = radius * Math.sin(turn);
    return radius * Math.cos(turn);
  }
}
