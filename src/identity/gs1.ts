import type { Problem } from '../base/error.js';
import { checkDigit } from '../procedure/meaning.js';
import type { ElementString } from './identity.js';
import { quoted, SEPARATOR } from './wedge.js';

/** Codes that hold element strings, by the symbology identifier a scanner sends first. */
export const SYMBOLOGIES: ReadonlyMap<string, string> = new Map([
  [']C1', 'GS1-128'],
  [']d2', 'GS1 DataMatrix'],
  [']Q3', 'GS1 QR Code'],
  [']e0', 'GS1 DataBar'],
]);

/** Elements in the order read, as far as they could be told apart, and everything wrong with them. */
export interface ElementsRead {
  readonly elements: readonly ElementString[];
  readonly problems: readonly Problem[];
}

interface Meaning {
  readonly name: string;
  readonly form: 'checked' | 'digits' | 'date' | 'text';
  /** Characters of the value: exactly so many, for a text at most. */
  readonly length: number;
}

const MEANINGS: ReadonlyMap<string, Meaning> = new Map([
  ['00', { name: 'logistic unit', form: 'checked', length: 18 }],
  ['01', { name: 'GTIN', form: 'checked', length: 14 }],
  ['02', { name: 'GTIN of contents', form: 'checked', length: 14 }],
  ['10', { name: 'lot', form: 'text', length: 20 }],
  ['11', { name: 'production date', form: 'date', length: 6 }],
  ['12', { name: 'due date', form: 'date', length: 6 }],
  ['13', { name: 'packaging date', form: 'date', length: 6 }],
  ['15', { name: 'best before', form: 'date', length: 6 }],
  ['16', { name: 'sell by', form: 'date', length: 6 }],
  ['17', { name: 'expiry date', form: 'date', length: 6 }],
  ['20', { name: 'variant', form: 'digits', length: 2 }],
  ['21', { name: 'serial', form: 'text', length: 20 }],
  ['240', { name: 'hardware revision', form: 'text', length: 30 }],
  ['241', { name: 'customer part number', form: 'text', length: 30 }],
]);

/** Longest value of an AI that is not read here. */
const LONGEST = 90;

interface Layout {
  /** Digits of the AI itself. */
  readonly digits: number;
  /** Characters of AI and value together; without it the value ends at a separator. */
  readonly total?: number;
}

/** How AIs are laid out, by their first two digits, so that one not read here derails nothing. */
const LAYOUTS: ReadonlyMap<string, Layout> = new Map([
  ...layouts(2, ['00'], 20),
  ...layouts(2, ['01', '02', '03'], 16),
  ...layouts(2, ['04'], 18),
  ...layouts(2, ['11', '12', '13', '14', '15', '16', '17', '18', '19'], 8),
  ...layouts(2, ['20'], 4),
  ...layouts(4, ['31', '32', '33', '34', '35', '36'], 10),
  ...layouts(3, ['41'], 16),
  ...layouts(2, ['10', '21', '22', '30', '37']),
  ...layouts(2, ['90', '91', '92', '93', '94', '95', '96', '97', '98', '99']),
  ...layouts(3, ['23', '24', '25', '40', '42', '71']),
  ...layouts(4, ['39', '43', '70', '72', '80', '81', '82']),
]);

function layouts(
  digits: number,
  prefixes: readonly string[],
  total?: number,
): readonly (readonly [string, Layout])[] {
  const layout = total === undefined ? { digits } : { digits, total };
  return prefixes.map((prefix) => [prefix, layout] as const);
}

/** Splits an AI off the beginning of a text; undefined when none stands there. */
function identifierOf(text: string): (Layout & { readonly ai: string }) | undefined {
  const layout = LAYOUTS.get(text.slice(0, 2));
  if (layout === undefined) return undefined;
  const ai = text.slice(0, layout.digits);
  return /^\d+$/.test(ai) && ai.length === layout.digits ? { ...layout, ai } : undefined;
}

/** Says whether a value has no length of its own, so that a separator must end it. */
export function isVariable(ai: string): boolean {
  return LAYOUTS.get(ai.slice(0, 2))?.total === undefined;
}

/** What an AI stands for, in a word or two. */
export function elementName(ai: string): string {
  return MEANINGS.get(ai)?.name ?? 'not read here';
}

const SCAN_AGAIN = 'Scan the label again; when it reads the same, set the item aside.';

/**
 * Reads element strings, without a symbology identifier before them.
 *
 * A separator after an element of predefined length and after the last one is permitted.
 *
 * @param text - Elements with `SEPARATOR` for FNC1.
 * @param year - The current year, which settles the century of a date.
 * @returns Every element that could be told apart, and every problem.
 *
 * Source: GS1 General Specifications, 3 (application identifiers), 7.8.4-7.8.5 (separators and
 * predefined lengths) (from memory).
 * Check: tests/checks/labels.check.ts.
 */
export function readElements(text: string, year: number): ElementsRead {
  const elements: ElementString[] = [];
  const problems: Problem[] = [];
  let rest = text;
  while (rest !== '') {
    const found = identifierOf(rest);
    if (found === undefined) {
      problems.push(noIdentifier(rest, elements.at(-1)));
      break;
    }
    const { ai, total } = found;
    const ended = rest.slice(ai.length).split(SEPARATOR, 1)[0] ?? '';
    const value = total === undefined ? ended : ended.slice(0, total - ai.length);
    elements.push({ ai, value });
    problems.push(...elementProblems({ ai, value }, year));
    rest = rest.slice(ai.length + value.length);
    if (rest.startsWith(SEPARATOR)) rest = rest.slice(SEPARATOR.length);
  }
  return { elements, problems };
}

function noIdentifier(rest: string, before: ElementString | undefined): Problem {
  const after = before === undefined ? '' : ` after (${before.ai})${quoted(before.value)}`;
  return {
    code: 'serial/grammar',
    what: `${quoted(rest)}${after} begins with no application identifier.`,
    fix: SCAN_AGAIN,
  };
}

/** Says whether a text begins as people write elements: an AI in parentheses. */
export function isHumanReadable(text: string): boolean {
  return /^\(\d{2,4}\)/.test(text);
}

/** Reads elements as they are printed below a code and typed by people: `(01)…(21)…`. */
export function readHumanReadable(text: string, year: number): ElementsRead {
  const parts = text.split(/\((\d{2,4})\)/).slice(1);
  const elements: ElementString[] = [];
  const problems: Problem[] = [];
  for (let i = 0; i < parts.length; i += 2) {
    const [ai = '', value = ''] = parts.slice(i, i + 2);
    if (identifierOf(ai)?.ai !== ai) {
      const what = `(${ai}) is no application identifier.`;
      problems.push({ code: 'serial/grammar', what, fix: 'Type what stands below the code.' });
      continue;
    }
    elements.push({ ai, value });
    problems.push(...elementProblems({ ai, value }, year));
  }
  return { elements, problems };
}

/** Writes elements as a scanner sends them, with a separator where one is needed. */
export function writeElements(elements: readonly ElementString[]): string {
  return elements
    .map(({ ai, value }, i) => {
      const isLast = i === elements.length - 1;
      return `${ai}${value}${isVariable(ai) && !isLast ? SEPARATOR : ''}`;
    })
    .join('');
}

/** Writes elements as people read them. */
export function writeHumanReadable(elements: readonly ElementString[]): string {
  return elements.map(({ ai, value }) => `(${ai})${value}`).join('');
}

/** The 82 characters that texts are made of (from memory: figure 7.11-1). */
const OTHER_CHARACTER = /[^!"%&'()*+,\-./0-9:;<=>?A-Z_a-z]/gu;

/** Problems of one element in itself. */
export function elementProblems({ ai, value }: ElementString, year: number): readonly Problem[] {
  const fault = valueFault(ai, value, year);
  if (fault === undefined) return [];
  const what = `(${ai}) ${elementName(ai)} ${quoted(value)} ${fault}.`;
  return [{ code: 'serial/grammar', what, fix: SCAN_AGAIN }];
}

function valueFault(ai: string, value: string, year: number): string | undefined {
  const total = identifierOf(ai)?.total;
  const length = total === undefined ? undefined : total - ai.length;
  const { form = 'text', length: most = LONGEST } = MEANINGS.get(ai) ?? {};
  if (length !== undefined && value.length < length) {
    return `is a partial scan: it has ${value.length} of ${length} characters`;
  }
  if (form === 'text') return textFault(value, most);
  if (!/^\d+$/.test(value)) return 'holds something other than digits';
  if (form === 'checked') return digitFault(value);
  if (form === 'date' && dateOf(value, year) === undefined) return 'is no day of the calendar';
  return value.length === length ? undefined : `has ${value.length} digits, but needs ${length}`;
}

function textFault(value: string, most: number): string | undefined {
  if (value === '') return 'is empty';
  if (value.length > most) return `has ${value.length} characters, but may have ${most} at most`;
  const other = value.match(OTHER_CHARACTER);
  return other === null ? undefined : `holds ${quoted(other.join(''))}, which no element may hold`;
}

function digitFault(value: string): string | undefined {
  const expected = checkDigit(value.slice(0, -1));
  if (value.endsWith(expected)) return undefined;
  return `has the wrong check digit: it ends with ${value.slice(-1)}, but must end with ${expected}`;
}

/**
 * Reads a date of six digits, YYMMDD. Day 00 stands for the last day of the month.
 *
 * @param year - The current year; the date is taken from 49 years before it to 50 after.
 * @returns ISO 8601, or undefined when there is no such day.
 *
 * Source: GS1 General Specifications, 3.4.2 (day 00) and 7.12 (century) (from memory).
 * Check: tests/checks/labels.check.ts.
 */
export function dateOf(value: string, year: number): string | undefined {
  const [, yy = '', mm = '', dd = ''] = /^(\d\d)(\d\d)(\d\d)$/.exec(value) ?? [];
  const month = Number(mm);
  if (yy === '' || month < 1 || month > 12) return undefined;
  const full = fullYear(Number(yy), year);
  const last = new Date(Date.UTC(full, month, 0)).getUTCDate();
  const day = Number(dd) === 0 ? last : Number(dd);
  return day > last ? undefined : `${full}-${mm}-${String(day).padStart(2, '0')}`;
}

/** Finds the year that two digits stand for: the one from 49 years ago to 50 years ahead. */
export function fullYear(twoDigits: number, year: number): number {
  const ahead = twoDigits - (year % 100);
  const same = year + ahead;
  if (ahead >= 51) return same - 100;
  return ahead <= -50 ? same + 100 : same;
}

/** The date an element stands for as ISO 8601; undefined when it is none. */
export function elementDate({ ai, value }: ElementString, year: number): string | undefined {
  return MEANINGS.get(ai)?.form === 'date' ? dateOf(value, year) : undefined;
}
