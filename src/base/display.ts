import { unitOf, type Unit } from './units.js';

/** The ends of what is permitted, in base units; one of them may be open. */
export interface Ends {
  readonly lower?: number;
  readonly upper?: number;
}

/** A value and its expanded uncertainty as text for people, in the unit of the limit. */
export interface Shown {
  readonly value: string;
  /** Undefined when no uncertainty is stated. */
  readonly expanded: string | undefined;
}

/** A decimal number held exactly: digits × 10^exponent. */
interface Decimal {
  readonly digits: bigint;
  readonly exponent: number;
}

/** Significant digits of an expanded uncertainty, and so the place of the value it belongs to. */
const UNCERTAINTY_DIGITS = 2;

/** The shortest decimal that reads back as `value`, with its point moved by `places`. */
function decimalOf(value: number, places: number): Decimal {
  const [mantissa = '0', power = '0'] = String(value).split('e');
  const [whole = '0', fraction = ''] = mantissa.split('.');
  return { digits: BigInt(whole + fraction), exponent: Number(power) - fraction.length + places };
}

/** Rounds to a multiple of 10^place; a half goes away from zero. */
function rounded(value: Decimal, place: number): Decimal {
  const drop = place - value.exponent;
  if (drop <= 0) return { digits: value.digits * 10n ** BigInt(-drop), exponent: place };
  const step = 10n ** BigInt(drop);
  const half = value.digits < 0n ? -step / 2n : step / 2n;
  return { digits: (value.digits + half) / step, exponent: place };
}

/** Plain notation, ASCII, no power of ten; minus zero is written 0. */
function textOf({ digits, exponent }: Decimal): string {
  if (exponent >= 0) return String(digits * 10n ** BigInt(exponent));
  const sign = digits < 0n ? '-' : '';
  const magnitude = String(digits < 0n ? -digits : digits).padStart(1 - exponent, '0');
  return `${sign}${magnitude.slice(0, exponent)}.${magnitude.slice(exponent)}`;
}

/** Place of the last significant digit to be shown of `value`, e.g. −3 for thousandths. */
function placeOf(value: Decimal, significant: number): number {
  const length = (digits: bigint): number => String(digits < 0n ? -digits : digits).length;
  const place = value.exponent + length(value.digits) - significant;
  const carried = length(rounded(value, place).digits) - significant; // 0.0999 becomes 0.10
  return place + carried;
}

/** Digits after the point needed to write `value` exactly. */
function decimalsOf({ digits, exponent }: Decimal): number {
  if (exponent >= 0 || digits === 0n) return 0;
  const trailing = /0*$/u.exec(String(digits))?.[0].length ?? 0;
  return Math.max(0, -exponent - trailing);
}

/**
 * Writes a value in base units as a decimal number in another unit, exactly and in ASCII.
 *
 * @param value - Finite, base unit of `unit`.
 * @returns Plain digits such as "-0.35": no power of ten, no rounding. Reading them back and moving
 * the point the other way gives `value` again.
 */
export function exactText(value: number, unit: Unit): string {
  const decimal = decimalOf(value, -unit.exponent);
  return textOf(rounded(decimal, Math.min(0, -decimalsOf(decimal))));
}

/**
 * Writes a value and its expanded uncertainty for people.
 *
 * U gets two significant digits, a half rounded up; the value is rounded to the same place, a half
 * away from zero. Digits are added to the value until the text stands on the same side of each limit
 * as the unrounded value: 12.004 against at most 12.00 is never shown as 12.00. Without U the value
 * has the digits of its limits, and without limits all it has.
 *
 * @param value - Finite, base unit of `unit`.
 * @param expanded - Expanded uncertainty in the same base unit; undefined or 0 when none is stated.
 * @param ends - Limits the value is held against, same base unit; left out when there are none.
 * @returns Texts in `unit` with the minus sign U+2212.
 *
 * Source: JCGM 100:2008, 7.2.6 (from memory).
 * Check: tests/checks/display.check.ts.
 */
export function showValue(
  value: number,
  expanded: number | undefined,
  unit: Unit,
  ends: Ends = {},
): Shown {
  const exact = decimalOf(value, -unit.exponent);
  const u =
    expanded === undefined || expanded === 0 ? undefined : decimalOf(expanded, -unit.exponent);
  const uPlace = u === undefined ? undefined : placeOf(u, UNCERTAINTY_DIGITS);
  const open = ends.lower === undefined && ends.upper === undefined;
  let place = uPlace ?? (open ? exact.exponent : -limitDecimals(ends, unit));
  const sides = (d: Decimal): string => sidesOf(d, ends, unit).join();
  // Ends at the last digit of the value itself, where nothing is rounded any more.
  while (place > exact.exponent && sides(rounded(exact, place)) !== sides(exact)) place -= 1;
  return {
    value: printed(textOf(rounded(exact, place))),
    expanded: u === undefined || uPlace === undefined ? undefined : textOf(rounded(u, uPlace)),
  };
}

/** Whether a value lies outside each limit; a limit belongs to what is permitted. */
function sidesOf(value: Decimal, ends: Ends, unit: Unit): readonly boolean[] {
  const below = (a: Decimal, b: Decimal): boolean => {
    const place = Math.min(a.exponent, b.exponent);
    return rounded(a, place).digits < rounded(b, place).digits;
  };
  return [
    ends.lower !== undefined && below(value, decimalOf(ends.lower, -unit.exponent)),
    ends.upper !== undefined && below(decimalOf(ends.upper, -unit.exponent), value),
  ];
}

/** Writes "10.058 ± 0.027", or the value alone when no uncertainty is stated. */
export function showMeasured(value: number, expanded: number | undefined, unit: Unit): string {
  const shown = showValue(value, expanded, unit);
  return shown.expanded === undefined ? shown.value : `${shown.value} ± ${shown.expanded}`;
}

/**
 * Writes what is permitted: "5.20 … 6.60", "≤ 8.0" or "≥ 45.0", in `unit` and without it.
 *
 * Both ends get the same digits: all that were needed to write them, and at least as many as people
 * expect of a limit of this size. A count has none.
 */
export function showEnds(ends: Ends, unit: Unit): string {
  const decimals = limitDecimals(ends, unit);
  const show = (end: number): string =>
    printed(textOf(rounded(decimalOf(end, -unit.exponent), -decimals)));
  if (ends.lower !== undefined && ends.upper !== undefined) {
    return `${show(ends.lower)} … ${show(ends.upper)}`;
  }
  if (ends.upper !== undefined) return `≤ ${show(ends.upper)}`;
  if (ends.lower !== undefined) return `≥ ${show(ends.lower)}`;
  return '–';
}

/** Digits after the point of a limit and of a value without uncertainty. */
function limitDecimals(ends: Ends, unit: Unit): number {
  const limits = [ends.lower, ends.upper]
    .filter((end) => end !== undefined)
    .map((end) => decimalOf(end, -unit.exponent));
  const written = Math.max(0, ...limits.map(decimalsOf));
  if (unit.dimension === 'count') return written;
  const size = Math.max(...limits.map((end) => Math.abs(Number(textOf(end)))), 0);
  return Math.max(written, leastDecimals(size, limits.length === 2));
}

function leastDecimals(size: number, between: boolean): number {
  if (size >= 100) return 0;
  if (size >= 10) return 1;
  return between || size < 1 ? 2 : 1;
}

/** Replaces the ASCII hyphen of a number by the minus sign; for screens and paper, never for files. */
export function printed(number: string): string {
  return number.replace(/^-/u, '−');
}

/** Replaces the minus sign by the ASCII hyphen; for files that programs read. */
export function forFiles(text: string): string {
  return text.replaceAll('−', '-');
}

/** A number without a unit. */
export const NO_UNIT: Unit = unitOf('1');
