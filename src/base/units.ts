import { StallmarkError } from './error.js';

declare const unit: unique symbol;

/** A finite number that knows its unit. Arithmetic returns a plain number: wrap the result again. */
export type Quantity<U extends string> = number & { readonly [unit]: U };

const quantity =
  <U extends string>(symbol: U) =>
  (value: number): Quantity<U> => {
    if (Number.isFinite(value)) return value as Quantity<U>;
    const what = `${String(value)} is not a value in ${symbol}.`;
    throw new StallmarkError([{ code: 'quantity/not-finite', what, fix: 'Give a finite number.' }]);
  };

export const newtonMetre = quantity('N·m');
export const second = quantity('s');
export const ampere = quantity('A');
export const volt = quantity('V');
export const hertz = quantity('Hz');
export const celsius = quantity('°C');
export const ohm = quantity('Ω');
export const torquePerAmpere = quantity('N·m/A');
export const torquePerSecond = quantity('N·m/s');
export const radian = quantity('rad');
export const torquePerRadian = quantity('N·m/rad');
export const viscous = quantity('N·m·s/rad');
export const inertia = quantity('kg·m²');
export const pascal = quantity('Pa');

/** What a unit measures. Quantities of one dimension may be compared; others may not. */
export type Dimension =
  | 'torque'
  | 'time'
  | 'current'
  | 'voltage'
  | 'frequency'
  | 'temperature'
  | 'temperature difference'
  | 'ratio'
  | 'slew'
  | 'torque constant'
  | 'level'
  | 'angle'
  | 'count'
  | 'updates'
  | 'resistance'
  | 'power'
  | 'stiffness'
  | 'compliance'
  | 'viscous damping'
  | 'inertia'
  | 'pressure'
  | 'sound level'
  | 'temperature rate'
  | 'drift';

/**
 * A unit as people write it. Value in the unit × 10^exponent = value in the base unit of its
 * dimension; °C and K are bases of their own. Conversions shift the decimal point only, so a
 * limit written in decimals is read as the nearest binary64 number.
 */
export interface Unit {
  readonly symbol: string;
  readonly dimension: Dimension;
  readonly exponent: number;
}

/** The base unit of each dimension: the unit in which values travel inside the program. */
export const BASE_UNIT: Readonly<Record<Dimension, string>> = {
  torque: 'N·m',
  time: 's',
  current: 'A',
  voltage: 'V',
  frequency: 'Hz',
  temperature: '°C',
  'temperature difference': 'K',
  ratio: '1',
  slew: 'N·m/s',
  'torque constant': 'N·m/A',
  level: 'dB',
  angle: '°',
  count: 'count',
  updates: 'updates',
  resistance: 'Ω',
  power: 'W',
  stiffness: 'N·m/rad',
  compliance: 'rad/(N·m)',
  'viscous damping': 'N·m·s/rad',
  inertia: 'kg·m²',
  pressure: 'Pa',
  'sound level': 'dB(A)',
  'temperature rate': 'K/s',
  drift: 'N·m/min',
};

const PREFIXES: readonly (readonly [string, number])[] = [
  ['', 0],
  ['m', -3],
  ['µ', -6],
  ['k', 3],
];

const PREFIXABLE: readonly Dimension[] = [
  'torque',
  'time',
  'current',
  'voltage',
  'frequency',
  'resistance',
  'power',
  'torque constant',
  'stiffness',
  'compliance',
  'viscous damping',
  'pressure',
  'drift',
];

function* everyUnit(): Generator<Unit> {
  for (const [dimension, symbol] of Object.entries(BASE_UNIT) as [Dimension, string][]) {
    const prefixes = PREFIXABLE.includes(dimension) ? PREFIXES : PREFIXES.slice(0, 1);
    for (const [prefix, exponent] of prefixes) {
      yield { symbol: `${prefix}${symbol}`, dimension, exponent };
    }
  }
  yield { symbol: 'N·m/ms', dimension: 'slew', exponent: 3 };
  yield { symbol: '%', dimension: 'ratio', exponent: -2 };
  yield { symbol: '‰', dimension: 'ratio', exponent: -3 };
  yield { symbol: 'ppm', dimension: 'ratio', exponent: -6 };
}

/** All units by the symbol under which they are printed. */
export const UNITS: ReadonlyMap<string, Unit> = new Map([...everyUnit()].map((u) => [u.symbol, u]));

/** Spellings of one unit that read alike: N·m, Nm and N*m; u and μ for micro; ohm; degC. */
function printedSymbol(written: string): string {
  return written
    .normalize('NFC')
    .replace(/N\s?[*⋅•.·]?\s?m(?![a-z])/u, 'N·m')
    .replace(/[Oo]hm$/u, 'Ω')
    .replace(/^[uμ](?=[A-ZΩs])/u, 'µ')
    .replace(/^degC$/u, '°C')
    .replace(/^deg$/u, '°');
}

/** Finds a unit by any of its spellings, or undefined. */
export function findUnit(written: string): Unit | undefined {
  return UNITS.get(printedSymbol(written));
}

/** A number as it was written, in base units, with the unit it was written in. */
export interface Measure {
  /** In the base unit of `unit.dimension`; finite. */
  readonly value: number;
  readonly unit: Unit;
}

/** What stands between a text and a measure, in a sentence that ends with the finding. */
export interface Unreadable {
  readonly reason: 'bare-number' | 'not-a-number' | 'unknown-unit';
  readonly found: string;
}

const WRITTEN = /^([+\-−]?\d+(?:\.\d+)?(?:[eE][+-]?\d+)?)\s*(.*)$/u;

/**
 * Reads "3.5 N·m" as a measure in base units.
 *
 * The decimal point is shifted in the text, not by multiplication, so 2.30 ms is the binary64
 * number nearest to 0.00230.
 *
 * @param text - A decimal number with a point, then a unit; a space between them is optional.
 * @returns The measure, or what keeps the text from being one. Never NaN or infinite.
 */
export function readMeasure(text: string): Measure | Unreadable {
  const match = WRITTEN.exec(text.trim());
  if (match === null) return { reason: 'not-a-number', found: text };
  const [, digits = '', written = ''] = match;
  if (written === '') return { reason: 'bare-number', found: text };
  const found = findUnit(written);
  if (found === undefined) {
    const broken = /^[\d.,_:']/u.test(written); // 3,5 or 1_000 or 1:30
    return broken
      ? { reason: 'not-a-number', found: text }
      : { reason: 'unknown-unit', found: written };
  }
  const value = shiftDecimal(digits.replace('−', '-'), found.exponent);
  if (!Number.isFinite(value)) return { reason: 'not-a-number', found: text };
  return { value, unit: found };
}

/** Moves the decimal point of a decimal text by `places` and reads it once, without rounding twice. */
function shiftDecimal(digits: string, places: number): number {
  const [mantissa = '0', exponent = '0'] = digits.toLowerCase().split('e');
  return Number(`${mantissa}e${String(Number(exponent) + places)}`);
}

/** Converts a value in base units to `to`; the decimal point is shifted, nothing else. */
export function inUnit(value: number, to: Unit): number {
  if (!Number.isFinite(value) || value === 0) return value;
  return shiftDecimal(String(value), -to.exponent);
}

/** Returns the unit with this printed symbol. For symbols in our own tables; throws on a misspelling. */
export function unitOf(symbol: string): Unit {
  const found = UNITS.get(symbol);
  if (found === undefined) throw new Error(`no unit "${symbol}" in the table`);
  return found;
}
