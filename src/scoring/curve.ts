import { StallmarkError } from '../base/error.js';
import { leastSquares } from './line.js';

/**
 * Fits a polynomial around one place.
 *
 * @param x - n places, any unit. @param y - n values.
 * @param at - The place around which powers are taken: coefficient 0 is the value there, 1 the slope.
 * @param degree - 0 … n − 2.
 * @returns Coefficients from power 0 up, or undefined when the points do not determine them.
 *
 * Source: on a uniform grid this is the smoothing of Savitzky & Golay 1964 (from memory).
 * Check: tests/checks/smoothing.check.ts.
 */
export function fitPolynomial(
  x: Float64Array,
  y: Float64Array,
  at: number,
  degree: number,
): readonly number[] | undefined {
  const reach = x.reduce((most, place) => Math.max(most, Math.abs(place - at)), 0);
  if (reach === 0) return undefined;
  const powers = Array.from({ length: degree + 1 }, (_, power) =>
    x.map((place) => ((place - at) / reach) ** power),
  );
  const fit = leastSquares(powers, y);
  return fit?.coefficients.map((coefficient, power) => coefficient / reach ** power);
}

/** Points of a curve over frequency, Hz, rising. */
export interface Curve {
  readonly frequency: Float64Array;
  readonly value: Float64Array;
}

const REACH = 0.15; // share of a frequency on either side that a local fit takes in
const FEWEST = 5; // points of a local fit
const STEPS = 8; // points drawn from one line to the next
const MOST = 10_000; // lines: the work grows with their square

/**
 * Draws a smooth curve through noisy lines: at each place a parabola through the lines within 15 %
 * of the frequency, and through the nearest five at least.
 *
 * @param curve - Five to ten thousand lines.
 * @returns Eight points for each step from line to line, and the last line; NaN where the lines do not
 *   determine a parabola: too few, coinciding or not finite.
 * @throws document/value for more lines.
 */
export function smoothCurve(curve: Curve): Curve {
  const { frequency, value } = curve;
  if (frequency.length > MOST) {
    const what = `A curve has ${frequency.length} lines; at most ${MOST} can be smoothed.`;
    throw new StallmarkError([{ code: 'document/value', what, fix: 'Ask for fewer lines.' }]);
  }
  if (frequency.length === 0) return curve;
  const places: number[] = [];
  for (let i = 0; i + 1 < frequency.length; i++) {
    const [low, high] = [frequency[i] as number, frequency[i + 1] as number];
    for (let s = 0; s < STEPS; s++) places.push(low + ((high - low) * s) / STEPS);
  }
  places.push(frequency[frequency.length - 1] as number);
  const smooth = places.map((place) => {
    const [from, to] = neighbours(frequency, place);
    const parabola = fitPolynomial(
      frequency.subarray(from, to),
      value.subarray(from, to),
      place,
      2,
    );
    return parabola?.[0] ?? Number.NaN;
  });
  return { frequency: Float64Array.from(places), value: Float64Array.from(smooth) };
}

/** Index range of the lines that a local fit at `place` takes in. */
function neighbours(frequency: Float64Array, place: number): readonly [number, number] {
  let from = frequency.findIndex((f) => f >= place * (1 - REACH));
  let to = frequency.findLastIndex((f) => f <= place * (1 + REACH)) + 1;
  while (to - from < Math.min(FEWEST, frequency.length)) {
    const below = from > 0 ? place - (frequency[from - 1] as number) : Infinity;
    const above = to < frequency.length ? (frequency[to] as number) - place : Infinity;
    if (below < above) from -= 1;
    else to += 1;
  }
  return [from, to];
}

/**
 * Finds the first frequency at which a curve comes down to a level, on straight lines between points.
 *
 * @returns Hz, or undefined when the curve starts below the level, never reaches it, or is not finite
 *   where it comes down.
 */
export function firstDescent(curve: Curve, level: number): number | undefined {
  const { frequency, value } = curve;
  const i = value.findIndex((v) => v <= level);
  if (i <= 0) return undefined;
  const [f1, f2] = [frequency[i - 1] as number, frequency[i] as number];
  const [v1, v2] = [value[i - 1] as number, value[i] as number];
  const found = f1 + ((f2 - f1) * (v1 - level)) / (v1 - v2);
  return Number.isFinite(found) ? found : undefined;
}
