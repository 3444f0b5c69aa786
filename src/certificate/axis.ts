import { printed } from '../base/display.js';
import type { Axis } from './figure.js';

/** Steps that people read without counting. */
const STEPS = [1, 2, 2.5, 5, 10];

/** Most ticks of an equal-ratio axis before only powers of ten are marked. */
const MOST_MARKS = 9;

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
 * Makes an equal-ratio axis with ticks at 1, 2 and 5 times powers of ten, or at the powers alone
 * where those are too many.
 *
 * @param from,to - Ends to be covered, both above zero.
 */
export function ratioAxis(label: string, from: number, to: number): Axis {
  const first = Math.floor(Math.log10(from)) - 1;
  const last = Math.ceil(Math.log10(to)) + 1;
  const powers = Array.from({ length: last - first + 1 }, (_, i) => first + i);
  const marks = powers.flatMap((power) => [1, 2, 5].map((digit) => Number(`${digit}e${power}`)));
  const low = marks.filter((m) => m <= from * (1 + 1e-9)).at(-1) ?? from;
  const high = marks.find((m) => m > low && m >= to * (1 - 1e-9)) ?? to;
  const ticks = marks.filter((m) => m >= low && m <= high);
  return { label, from: low, to: high, scale: 'logarithmic', ticks: fewer(ticks) };
}

/** Makes an equal-ratio axis that ends exactly where it is told, with ticks inside it. */
export function exactRatioAxis(label: string, from: number, to: number): Axis {
  const inside = ratioAxis(label, from, to).ticks.filter((t) => t >= from && t <= to);
  const ticks =
    inside.length > 1 ? inside : exactAxis(label, from, to, stepFor((to - from) / 4)).ticks;
  return { label, from, to, scale: 'logarithmic', ticks };
}

function fewer(ticks: readonly number[]): readonly number[] {
  if (ticks.length <= MOST_MARKS) return ticks;
  const powers = ticks.filter((t) => Math.abs(Math.log10(t) - Math.round(Math.log10(t))) < 1e-9);
  const every = Math.ceil(powers.length / MOST_MARKS);
  return powers.filter((_, i) => i % every === 0);
}

/** Smallest readable step not below `least`. */
export function stepFor(least: number): number {
  const power = 10 ** Math.floor(Math.log10(least));
  const step = STEPS.find((s) => s * power >= least * (1 - 1e-9)) ?? 10;
  return tidy(step * power);
}

/**
 * Maps values on an axis to places between `start` and `start + length`. On an axis of equal ratios
 * zero and less lie infinitely far away.
 */
export function scaler(axis: Axis, start: number, length: number): (value: number) => number {
  const on = (value: number): number =>
    axis.scale === 'linear' || Number.isNaN(value) ? value : Math.log10(Math.max(value, 0));
  const from = on(axis.from);
  const span = on(axis.to) - from;
  return (value) => start + ((on(value) - from) / span) * length;
}

/** Whether an axis reaches a value. */
export const isOn = (axis: Axis, value: number): boolean => value >= axis.from && value <= axis.to;

/** Makes an axis of degrees with ticks at parts of a turn. */
export function angleAxis(label: string, from: number, to: number): Axis {
  const [low, high] = widened(from, to);
  const step = [5, 10, 15, 30, 45, 90].find((s) => (high - low) / s <= 8) ?? 180;
  return exactAxis(label, Math.floor(low / step) * step, Math.ceil(high / step) * step, step);
}

const RAISED = ['⁰', '¹', '²', '³', '⁴', '⁵', '⁶', '⁷', '⁸', '⁹'];

/** Writes the number at a tick: plainly, or with a power of ten where it would have many noughts. */
export function tickText(value: number): string {
  const size = Math.abs(value);
  if (size === 0 || (size >= 1e-3 && size < 1e5)) return printed(String(value));
  const [mantissa = '1', power = '0'] = value.toExponential().split('e');
  const raised = Array.from(power.replace('+', ''), (c) => (c === '-' ? '⁻' : RAISED[Number(c)]));
  const ten = `10${raised.join('')}`;
  return mantissa === '1' ? ten : printed(`${mantissa}·${ten}`);
}

function widened(low: number, high: number): readonly [number, number] {
  const least = Math.max(Math.abs(low), Math.abs(high)) * 1e-9; // nearer ends have no ticks between
  if (high - low > least) return [low, high];
  const half = Math.abs(low) > 0 ? Math.abs(low) / 2 : 1;
  return [low - half, high + half];
}

/** Drops what multiplication by powers of ten left behind. */
const tidy = (value: number): number => Number(value.toPrecision(12));
