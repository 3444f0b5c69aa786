import { leastSquares } from './line.js';

/** y ≈ offset + exp(growth · t) · (a · cos(2πft) + b · sin(2πft)). */
export interface Swing {
  /** 1/s, negative when it dies away. */
  readonly growth: number;
  /** Hz */
  readonly frequency: number;
  readonly a: number;
  readonly b: number;
  /** Damping ratio −growth/√(growth² + (2πf)²): positive when it dies away. */
  readonly damping: number;
  /** Rms left over, as a share of the rms of the swing. */
  readonly residual: number;
}

const ROUNDS = 60;

/**
 * Fits a swing that dies away or grows: a sine under an exponential, about a level.
 *
 * @param y - Samples from t = 0, evenly spaced. @param rate - Samples a second.
 * @param start - First guess of the frequency, Hz, and of the growth, 1/s.
 * @returns undefined when the rounds do not settle on a swing.
 *
 * Source: Gauss-Newton on least squares, textbook (from memory). Check: tests/unit/closed-loop.test.ts.
 */
export function fitSwing(
  y: Float64Array,
  rate: number,
  start: { readonly frequency: number; readonly growth: number },
): Swing | undefined {
  const seconds = y.length / rate;
  let { frequency, growth } = start;
  let before = Infinity;
  let caution = 1; // share of a step that is taken
  for (let round = 0; round < ROUNDS; round++) {
    // More than e^30 from end to end is no swing, and would overflow.
    if (!(frequency > 0 && Math.abs(growth * seconds) < 30)) return undefined;
    const { cos, sin } = wavesOf(y.length, rate, frequency, growth);
    const one = new Float64Array(y.length).fill(1);
    const linear = leastSquares([cos, sin, one], y);
    if (linear === undefined) return undefined;
    const [a = 0, b = 0] = linear.coefficients;
    const time = (n: number): number => n / (y.length - 1);
    const grown = one.map((_, n) => time(n) * (a * (cos[n] as number) + b * (sin[n] as number)));
    const turned = one.map((_, n) => time(n) * (b * (cos[n] as number) - a * (sin[n] as number)));
    const step = leastSquares([cos, sin, one, grown, turned], y)?.coefficients;
    if (step === undefined) return undefined;
    if (linear.residualSquares > before * (1 + 1e-9)) caution /= 2;
    before = linear.residualSquares;
    const span = (y.length - 1) / rate;
    const more = (caution * (step[3] as number)) / span;
    const faster = (caution * (step[4] as number)) / (2 * Math.PI * span);
    growth += more;
    frequency += faster;
    if (Math.abs(more) < 1e-9 && Math.abs(faster) < 1e-9) {
      return swingOf({ growth, frequency, a, b }, cos, sin, linear.residualSquares);
    }
  }
  return undefined;
}

/** A cosine and a sine under the exponential, at n samples. */
export function wavesOf(
  length: number,
  rate: number,
  frequency: number,
  growth: number,
): { readonly cos: Float64Array; readonly sin: Float64Array } {
  const turn = (2 * Math.PI * frequency) / rate;
  const of = (wave: (angle: number) => number): Float64Array =>
    Float64Array.from({ length }, (_, n) => Math.exp((growth * n) / rate) * wave(turn * n));
  return { cos: of(Math.cos), sin: of(Math.sin) };
}

function swingOf(
  fit: Pick<Swing, 'growth' | 'frequency' | 'a' | 'b'>,
  cos: Float64Array,
  sin: Float64Array,
  rest: number,
): Swing {
  const { growth, frequency, a, b } = fit;
  const squares = cos.reduce((sum, c, n) => sum + (a * c + b * (sin[n] as number)) ** 2, 0);
  const damping = -growth / Math.hypot(growth, 2 * Math.PI * frequency);
  return { ...fit, damping, residual: Math.sqrt(rest / squares) };
}
