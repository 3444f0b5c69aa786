import type { ErrorCode } from '../base/codes.js';
import { nearestNames, oneOf } from '../base/report.js';
import { BASE_UNIT, UNITS, readMeasure } from '../base/units.js';
import type { Dimension, Unreadable } from '../base/units.js';

/**
 * Kinds of quantity that the document schemas name in `format`: a dimension with hyphens, the same
 * after "positive-", or "measure" for any dimension.
 */
export const FORMATS: Readonly<Record<string, (text: string) => boolean>> = Object.fromEntries([
  ['measure', (text: string) => !('reason' in readMeasure(text))],
  ...(Object.keys(BASE_UNIT) as Dimension[]).flatMap((dimension) => [
    [formatOf(dimension), (text: string) => isOf(text, dimension)],
    [`positive-${formatOf(dimension)}`, (text: string) => isOf(text, dimension, true)],
  ]),
]) as Record<string, (text: string) => boolean>;

function formatOf(dimension: Dimension): string {
  return dimension.replaceAll(' ', '-');
}

function isOf(text: string, dimension: Dimension, positive = false): boolean {
  const measure = readMeasure(text);
  if ('reason' in measure || measure.unit.dimension !== dimension) return false;
  return !positive || measure.value > 0;
}

/** Prints what a format expects, e.g. "a torque in N·m". */
export function expectation(format: string): string {
  const positive = format.startsWith('positive-');
  const name = positive ? format.slice('positive-'.length) : format;
  const dimension = (Object.keys(BASE_UNIT) as Dimension[]).find((d) => formatOf(d) === name);
  if (dimension === undefined) return 'a number with a unit';
  const article = /^[aeiou]/.test(dimension) ? 'an' : 'a';
  const kind = `${article} ${dimension} in ${unitName(dimension)}`;
  return positive ? `${kind} above 0` : kind;
}

/** The base unit as people write it: ratios are written in %. */
export function unitName(dimension: Dimension): string {
  return dimension === 'ratio' ? '%' : BASE_UNIT[dimension];
}

export interface Finding {
  readonly code: ErrorCode;
  readonly what: string;
  readonly fix: string;
}

/**
 * Says why a value is not the quantity its format asks for.
 *
 * @param subject - What the value is, at the beginning of a sentence, e.g. "The level of …".
 * @param written - Text or number as it stands in the document.
 */
export function quantityFinding(
  subject: string,
  written: string | number,
  format: string,
): Finding {
  const expected = expectation(format);
  const measure = readMeasure(String(written));
  if ('reason' in measure) return unreadable(subject, measure, expected, format);
  const { dimension, symbol } = measure.unit;
  if (
    expected.endsWith('above 0') &&
    measure.value <= 0 &&
    FORMATS[format.slice(9)]?.(String(written)) === true
  ) {
    const what = `${subject} is ${written}, but must be above 0 ${symbol}.`;
    return { code: 'document/value', what, fix: 'Give a value above 0.' };
  }
  const what = `${subject} is ${written}, ${kindOf(dimension)}, but must be ${expected}.`;
  return { code: 'procedure/unit-mismatch', what, fix: `Write it as ${expected}.` };
}

function kindOf(dimension: Dimension): string {
  return `${/^[aeiou]/.test(dimension) ? 'an' : 'a'} ${dimension}`;
}

function unreadable(subject: string, found: Unreadable, expected: string, format: string): Finding {
  switch (found.reason) {
    case 'bare-number': {
      const what = `${subject} is ${found.found} without a unit, but must be ${expected}.`;
      const example = expected.includes(' in ')
        ? ` ${expected.split(' in ')[1]?.split(' ')[0] ?? ''}`
        : ' with its unit';
      return { code: 'procedure/bare-number', what, fix: `Write ${found.found}${example}.` };
    }
    case 'unknown-unit': {
      const what = `${subject} is in "${found.found}", which is no known unit; it must be ${expected}.`;
      const allowed = [...UNITS.values()].filter(
        (unit) => format === 'measure' || expectation(format).startsWith(kindOf(unit.dimension)),
      );
      const near = nearestNames(
        found.found,
        allowed.map((unit) => unit.symbol),
      );
      const names = near.length > 0 ? near : allowed.slice(0, 3).map((unit) => unit.symbol);
      return { code: 'quantity/unreadable', what, fix: `Write the unit as ${oneOf(names)}.` };
    }
    case 'not-a-number': {
      const what = `${subject} is "${found.found}", but must be ${expected}.`;
      const fix = 'Write a decimal number with a point, a space and the unit.';
      return { code: 'quantity/unreadable', what, fix };
    }
  }
}
