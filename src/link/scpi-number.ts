import { StallmarkError } from '../base/error.js';

/** Why a text is no number. */
export type NoNumber = 'infinite' | 'not-a-number' | 'comma' | 'unit' | 'unreadable';

/** NR1, NR2 and NR3, with the freedom in blanks and signs that instruments take. */
const NUMBER = /^[+-]?(?:\d+\.?\d*|\.\d+)(?:[Ee][+-]?\d+)?$/u;
/** What stands for an infinite value and for none at all. Source: SCPI-1999 volume 1, 7.2.1, from memory. */
const INFINITE = 9.9e37;
const NOT_A_NUMBER = 9.91e37;
const MOST_CHARACTERS = 255;

/**
 * Reads one number of a reply in the forms NR1 `12`, NR2 `1.50` and NR3 `1.5E+00`.
 *
 * What stands for an infinite value or for none is no number here, and neither is anything as large.
 *
 * Source: IEEE 488.2-1992, 8.7.2 … 8.7.4, and SCPI-1999 volume 1, 7.2.1, from memory.
 * Check: tests/checks/scpi.check.ts.
 */
export function readScpiNumber(text: string): number | NoNumber {
  const trimmed = text.trim();
  if (trimmed.length > MOST_CHARACTERS) return 'unreadable';
  if (!NUMBER.test(trimmed)) return unreadable(trimmed);
  const value = Number(trimmed);
  if (value === NOT_A_NUMBER) return 'not-a-number';
  return Math.abs(value) >= INFINITE ? 'infinite' : value;
}

function unreadable(text: string): NoNumber {
  if (/^[+-]?\d+,\d+/u.test(text)) return 'comma';
  if (/^[+-]?(?:inf|infinity|ninf)$/iu.test(text)) return 'infinite';
  if (/^nan$/iu.test(text)) return 'not-a-number';
  return /^[+-]?[\d.]+(?:[Ee][+-]?\d+)? *[A-Za-zµΩ°%/]+$/u.test(text) ? 'unit' : 'unreadable';
}

const WORDS: Readonly<Record<NoNumber, string>> = {
  infinite: 'stands for an infinite value',
  'not-a-number': 'stands for no value',
  comma: 'has a comma where a point belongs',
  unit: 'has a unit, and replies have none',
  unreadable: 'is no number',
};

/**
 * Reads one number of a reply.
 *
 * @param subject - Who said it and what it is, for the problem: `The reply of "gen" to "OUTP:LIM?"`.
 * @throws link/garbled
 */
export function scpiNumber(text: string, subject: string): number {
  const read = readScpiNumber(text);
  if (typeof read === 'number') return read;
  const shown = text.length > 60 ? `${text.slice(0, 60)}…` : text;
  const what = `${subject} is "${shown}", which ${WORDS[read]}.`;
  const fix = 'Check the dialect of the link against the manual of the instrument.';
  throw new StallmarkError([{ code: 'link/garbled', what, fix }]);
}

/**
 * Writes a number as it is sent: with a point, as many digits as it takes to read the same binary64 number.
 *
 * Source: IEEE 488.2-1992, 7.7.2, from memory.
 */
export function writeScpiNumber(value: number): string {
  if (!Number.isFinite(value)) throw new Error(`${value} was to be sent to an instrument`);
  return String(value).toUpperCase();
}
