/** Two states after one step of time, from two states and an input held over the step. */
export interface HeldSystem {
  readonly f11: number;
  readonly f12: number;
  readonly f21: number;
  readonly f22: number;
  readonly g1: number;
  readonly g2: number;
}

/** dx/dt = A·x + b·u with A written by rows. */
export interface LinearSystem {
  readonly a: readonly [number, number, number, number];
  readonly b: readonly [number, number];
}

/**
 * Solves a linear system of two states exactly for an input that is constant over each step.
 *
 * F = exp(A·h) by the closed form for two states, g = A⁻¹·(F − 1)·b; no error grows with the step.
 *
 * @param system - A must be invertible.
 * @param step - s, > 0.
 *
 * Source: closed form of the exponential of a 2 × 2 matrix (standard textbook, from memory).
 * Check: tests/checks/physics.check.ts, rows, B-2, N-9.
 */
export function heldSystem(system: LinearSystem, step: number): HeldSystem {
  const [a11, a12, a21, a22] = system.a;
  const [b1, b2] = system.b;
  const mean = (a11 + a22) / 2;
  const determinant = a11 * a22 - a12 * a21;
  const { even, odd } = exponentialParts(mean, determinant, step);
  const f11 = even + odd * (a11 - mean);
  const f12 = odd * a12;
  const f21 = odd * a21;
  const f22 = even + odd * (a22 - mean);
  const h1 = (f11 - 1) * b1 + f12 * b2;
  const h2 = f21 * b1 + (f22 - 1) * b2;
  return {
    f11,
    f12,
    f21,
    f22,
    g1: (a22 * h1 - a12 * h2) / determinant,
    g2: (a11 * h2 - a21 * h1) / determinant,
  };
}

/** exp(mean·h)·cosh(q·h) and exp(mean·h)·sinh(q·h)/q, with q² = mean² − determinant of either sign. */
function exponentialParts(
  mean: number,
  determinant: number,
  h: number,
): { even: number; odd: number } {
  const square = mean * mean - determinant;
  const q = Math.sqrt(Math.abs(square));
  if (square < 0) {
    const decay = Math.exp(mean * h);
    return { even: decay * Math.cos(q * h), odd: (decay * Math.sin(q * h)) / q };
  }
  if (q === 0) return { even: Math.exp(mean * h), odd: h * Math.exp(mean * h) };
  // The smaller root from the product of both: their difference would lose its digits.
  const far = mean > 0 ? mean + q : mean - q;
  const farther = Math.exp(far * h);
  const nearer = Math.exp((determinant / far) * h);
  const sign = mean > 0 ? 1 : -1;
  return { even: (farther + nearer) / 2, odd: (sign * (farther - nearer)) / (2 * q) };
}
