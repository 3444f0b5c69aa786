import { greatestMagnitude, range } from './line.js';
import type { StateLevels } from './levels.js';

/** Where a transition crosses its reference levels, in samples from the first, interpolated. */
export interface Transition {
  /** 50 % crossing: the first in the direction of the change. */
  readonly half: number;
  /** The crossing of a share below half that is last before it, above half first after it. */
  readonly at: (share: number) => number | undefined;
}

/**
 * Finds the transition from `levels.low` to `levels.high`, by linear interpolation between samples.
 *
 * Crossings are sought outwards from the 50 % instant, so noise on the plateaus is not taken for
 * a crossing.
 *
 * @param y - Uniform samples, unit of the levels. A falling transition has low and high exchanged.
 * @returns undefined when the 50 % level is not crossed, or beside a sample that is not finite.
 *
 * Source: IEC 60469:2013 and IEEE Std 181-2011, reference-level instants (from memory).
 * Check: tests/checks/transition.check.ts.
 */
export function findTransition(y: ArrayLike<number>, levels: StateLevels): Transition | undefined {
  const share = (i: number): number => ((y[i] as number) - levels.low) / (levels.high - levels.low);
  const between = (i: number, level: number): number | undefined => {
    const place = i - 1 + (level - share(i - 1)) / (share(i) - share(i - 1));
    return Number.isFinite(share(i - 1) + share(i)) ? place : undefined;
  };
  let middle = 1;
  while (middle < y.length && !(share(middle - 1) < 0.5 && share(middle) >= 0.5)) middle++;
  if (middle >= y.length) return undefined;
  const at = (level: number): number | undefined => {
    let i = middle;
    if (level < 0.5) {
      while (i > 0 && !(share(i - 1) < level)) i--;
      return i > 0 ? between(i, level) : undefined;
    }
    while (i < y.length && !(share(i) >= level)) i++;
    return i < y.length ? between(i, level) : undefined;
  };
  const half = between(middle, 0.5);
  return half === undefined ? undefined : { half, at };
}

/**
 * Returns by how much the greatest sample exceeds the high level, as a share of the change.
 *
 * The greatest of noisy samples grows with their number: give averaged and smoothed samples, and a
 * window that does not depend on how long the record is.
 *
 * @returns Share of the change, may be negative when the level is never reached; NaN when there is no
 *   sample or one is not finite.
 *
 * Source: IEC 60469:2013 and IEEE Std 181-2011, overshoot (from memory).
 * Check: tests/checks/transition.check.ts.
 */
export function overshoot(
  y: ArrayLike<number>,
  levels: StateLevels,
  from = 0,
  to = y.length,
): number {
  let most = -Infinity;
  for (let i = Math.max(0, from); i < Math.min(to, y.length); i++) {
    const share = ((y[i] as number) - levels.high) / (levels.high - levels.low);
    if (!Number.isFinite(share)) return Number.NaN;
    most = Math.max(most, share);
  }
  return Number.isFinite(most) ? most : Number.NaN;
}

/** Returns by how much samples before index `to` fall below the low level, as a share of the change. */
export function undershootBefore(y: ArrayLike<number>, levels: StateLevels, to: number): number {
  return overshoot(y, { low: levels.high, high: levels.low }, 0, to);
}

/**
 * Finds the instant after which every sample stays within `band` of the high level.
 *
 * @param band - Half width as a share of the change, > 0.
 * @returns Samples from the first, interpolated; undefined when the last sample is still outside, or
 *   beside one that is not finite.
 *
 * Source: IEEE Std 181-2011, settling (from memory). From where the duration is counted is the
 * caller's to say: the standard counts from the 50 % instant, control texts from the command.
 * Check: tests/checks/transition.check.ts.
 */
export function settledAt(
  y: ArrayLike<number>,
  levels: StateLevels,
  band: number,
): number | undefined {
  const away = (i: number): number => ((y[i] as number) - levels.high) / (levels.high - levels.low);
  let i = y.length - 1;
  if (!(Math.abs(away(i)) <= band)) return undefined;
  while (i > 0 && Math.abs(away(i - 1)) <= band) i--;
  if (i === 0) return 0;
  const outside = away(i - 1);
  if (!Number.isFinite(outside)) return undefined;
  const edge = outside > 0 ? band : -band;
  return i - 1 + (edge - outside) / (away(i) - outside);
}

/**
 * Smooths by a parabola fitted to each sample and `half` neighbours on either side. It keeps the
 * height of a peak, which a moving mean would cut, and thins the noise. Ends are left as they are.
 *
 * Source: Savitzky and Golay 1964, quadratic, value at the centre (from memory).
 */
export function smoothed(y: Float64Array, half: number): Float64Array {
  const out = Float64Array.from(y);
  if (half < 1) return out;
  const n = 2 * half + 1;
  const s2 = (half * (half + 1) * n) / 3;
  const s4 = (s2 * (3 * half * half + 3 * half - 1)) / 5;
  const weights = Float64Array.from(
    { length: n },
    (_, k) => (s4 - s2 * (k - half) ** 2) / (n * s4 - s2 * s2),
  );
  for (let i = half; i < y.length - half; i++) {
    let sum = 0;
    for (let k = 0; k < n; k++) sum += (weights[k] as number) * (y[i - half + k] as number);
    out[i] = sum;
  }
  return out;
}

/** What the onset of a response was found to be. */
export interface Onset {
  /** Time at which the response leaves its base, s. */
  readonly dead: number;
  /** Lag behind a ramp, s, and slope of that ramp per s. */
  readonly lag: number;
  readonly slope: number;
}

const MOST = 100_000; // samples of an onset: each is compared a thousand times

/** Response of a first-order lag to a unit ramp that starts at 0, integrated over time once. */
function rampIntegral(t: number, lag: number): number {
  if (t <= 0) return 0;
  const x = t / lag;
  // The closed form cancels for small x: its series begins with x³/6.
  if (x < 1e-3) return lag * lag * ((x * x * x) / 6) * (1 - x / 4);
  return lag * lag * ((x * x) / 2 - x - Math.expm1(-x));
}

/**
 * Finds when a response leaves its base, by fitting delay, ramp and first-order lag to its onset.
 *
 * A slew-limited command through a current loop leaves its base like t²: a threshold is reached
 * late, by 0.02 ms and more, and later the more noise forces it up. Each sample is compared with the
 * mean of the model over its period.
 *
 * Bias: none for a slew-limited edge; 0.014 ms early when no slew limit acts and the lag is 0.2 ms.
 * A response that is smeared, e.g. by stairs of a digital loop, seems to depart early unless the smear
 * is told: two places as far apart as it is wide stand for it.
 *
 * @param time - Centre of each sample, s, uniform.
 * @param y - Response less its base, any unit, from well before the onset up to about a third of the change.
 * @param smear - Standard deviation of the smear over time, s.
 * @returns undefined when nothing rises, for more than 100 000 samples, or when one is not finite.
 *
 * Source: own definition. Check: tests/unit/transition.test.ts.
 */
export function fitOnset(time: Float64Array, y: Float64Array, smear = 0): Onset | undefined {
  const n = time.length;
  if (n < 6 || n > MOST || !(range(y) > 0) || !(greatestMagnitude(y) > 0)) return undefined;
  const step = (time[1] as number) - (time[0] as number);
  const integral = (t: number, lag: number): number =>
    (rampIntegral(t - smear, lag) + rampIntegral(t + smear, lag)) / 2;
  const misfit = (dead: number, lag: number): { rest: number; slope: number } => {
    let [my, mm, yy] = [0, 0, 0];
    let before = integral((time[0] as number) - step / 2 - dead, lag);
    for (let i = 0; i < n; i++) {
      const after = integral((time[i] as number) + step / 2 - dead, lag);
      const m = (after - before) / step;
      before = after;
      my += m * (y[i] as number);
      mm += m * m;
      yy += (y[i] as number) ** 2;
    }
    const slope = mm > 0 ? my / mm : 0;
    return { rest: slope > 0 ? yy - slope * my : yy, slope };
  };
  return searchOnset(misfit, time[0] as number, time[n - 1] as number);
}

/**
 * Seeks the best lag on a logarithmic scale and, for each lag, the best delay: along the valley in
 * which the two trade against each other, a search in both at once gets stuck.
 */
function searchOnset(
  misfit: (dead: number, lag: number) => { rest: number; slope: number },
  first: number,
  last: number,
): Onset | undefined {
  const length = last - first;
  const deadFor = (logLag: number): number =>
    leastAt((dead) => misfit(dead, Math.exp(logLag)).rest, first, last, 12);
  const logLag = leastAt(
    (l) => misfit(deadFor(l), Math.exp(l)).rest,
    Math.log(length / 200),
    Math.log(length * 3),
    12,
  );
  const dead = deadFor(logLag);
  const lag = Math.exp(logLag);
  const { slope } = misfit(dead, lag);
  return slope > 0 ? { dead, lag, slope } : undefined;
}

/** Place of the least value of f on an interval: a grid first, then golden section around its best. */
function leastAt(f: (x: number) => number, from: number, to: number, grid: number): number {
  const at = (i: number): number => from + ((to - from) * i) / grid;
  const values = Array.from({ length: grid + 1 }, (_, i) => f(at(i)));
  const best = values.indexOf(Math.min(...values));
  let [a, b] = [at(Math.max(0, best - 1)), at(Math.min(grid, best + 1))];
  const golden = (Math.sqrt(5) - 1) / 2;
  let [c, d] = [b - golden * (b - a), a + golden * (b - a)];
  let [fc, fd] = [f(c), f(d)];
  for (let round = 0; round < 18; round++) {
    if (fc < fd) {
      [b, d, fd] = [d, c, fc];
      c = b - golden * (b - a);
      fc = f(c);
    } else {
      [a, c, fc] = [c, d, fd];
      d = a + golden * (b - a);
      fd = f(d);
    }
  }
  return (a + b) / 2;
}
