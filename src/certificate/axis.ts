import type { Axis } from './figure.js';

/** Steps that people read without counting. */
const STEPS = [1, 2, 2.5, 5, 10];

/**
 * Makes a linear axis with few ticks that covers a range.
 *
 * @param from,to - Ends to be covered, any order, finite; equal ends are widened.
 * @param most - Most intervals between ticks.
 */
export function linearAxis(label: string, from: number, to: number, most: number): Axis {
  const [low, high] = widened(Math.min(from, to), Math.max(from, to));
  const step = stepFor((high - low) / most);
  const first = Math.floor(low / step + 1e-9);
  const last = Math.ceil(high / step - 1e-9);
  const ticks = Array.from({ length: last - first + 1 }, (_, i) => tidy((first + i) * step));
  return { label, from: tidy(first * step), to: tidy(last * step), scale: 'linear', ticks };
}

/** Makes a linear axis that ends exactly where it is told, with ticks inside it. */
export function exactAxis(label: string, from: number, to: number, step: number): Axis {
  const first = Math.ceil(from / step - 1e-9);
  const last = Math.floor(to / step + 1e-9);
  const ticks = Array.from({ length: Math.max(0, last - first + 1) }, (_, i) =>
    tidy((first + i) * step),
  );
  return { label, from, to, scale: 'linear', ticks };
}

/**
 * Makes an equal-ratio axis with ticks at 1, 2 and 5 times powers of ten.
 *
 * @param from,to - Ends to be covered, both above zero.
 */
export function ratioAxis(label: string, from: number, to: number): Axis {
  const marks: number[] = [];
  const least = Math.floor(Math.log10(from)) - 1;
  for (let power = least; power <= Math.ceil(Math.log10(to)) + 1; power += 1) {
    for (const digit of [1, 2, 5]) marks.push(Number(`${digit}e${power}`));
  }
  const low = marks.filter((m) => m <= from * (1 + 1e-9)).at(-1) ?? from;
  const high = marks.find((m) => m >= to * (1 - 1e-9)) ?? to;
  const ticks = marks.filter((m) => m >= low && m <= high);
  return { label, from: low, to: high, scale: 'logarithmic', ticks };
}

/** Smallest readable step not below `least`. */
export function stepFor(least: number): number {
  const power = 10 ** Math.floor(Math.log10(least));
  const step = STEPS.find((s) => s * power >= least * (1 - 1e-9)) ?? 10;
  return tidy(step * power);
}

function widened(low: number, high: number): readonly [number, number] {
  if (high > low) return [low, high];
  const half = Math.abs(low) > 0 ? Math.abs(low) / 2 : 1;
  return [low - half, high + half];
}

/** Drops what multiplication by powers of ten left behind. */
const tidy = (value: number): number => Number(value.toPrecision(12));
