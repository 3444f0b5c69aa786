/**
 * Errors that an instrument can tell, by number, in the words of the standard.
 *
 * Source: SCPI-1999 volume 2, chapter 21, and IEEE 488.2-1992, clause 11.5, from memory.
 * Check: tests/checks/scpi-instrument.check.ts.
 */
export const SCPI_ERRORS = {
  '-101': 'Invalid character',
  '-102': 'Syntax error',
  '-108': 'Parameter not allowed',
  '-109': 'Missing parameter',
  '-111': 'Header separator error',
  '-112': 'Program mnemonic too long',
  '-113': 'Undefined header',
  '-114': 'Header suffix out of range',
  '-121': 'Invalid character in number',
  '-123': 'Exponent too large',
  '-124': 'Too many digits',
  '-128': 'Numeric data not allowed',
  '-138': 'Suffix not allowed',
  '-141': 'Invalid character data',
  '-144': 'Character data too long',
  '-148': 'Character data not allowed',
  '-151': 'Invalid string data',
  '-158': 'String data not allowed',
  '-161': 'Invalid block data',
  '-168': 'Block data not allowed',
  '-200': 'Execution error',
  '-213': 'Init ignored',
  '-221': 'Settings conflict',
  '-222': 'Data out of range',
  '-223': 'Too much data',
  '-224': 'Illegal parameter value',
  '-230': 'Data corrupt or stale',
  '-310': 'System error',
  '-350': 'Queue overflow',
  '-363': 'Input buffer overrun',
  '-410': 'Query INTERRUPTED',
  '-420': 'Query UNTERMINATED',
} as const;
export type ScpiErrorNumber = keyof typeof SCPI_ERRORS;

/** What an instrument has to complain of. It is told by SYST:ERR? and never thrown. */
export interface ScpiFault {
  readonly number: ScpiErrorNumber;
  /** What device or message has to do with it; empty where the number says all. */
  readonly detail: string;
}

/** Makes an error of the instrument. */
export function fault(number: ScpiErrorNumber, detail = ''): ScpiFault {
  return { number, detail };
}

/** Characters of text and detail together that the standard lets an error have. */
const MOST_CHARACTERS = 255;

/** Writes an error as SYST:ERR? tells it: number, then text and detail in one string. */
export function written({ number, detail }: ScpiFault): string {
  const told = SCPI_ERRORS[number] + (detail === '' ? '' : `;${detail}`);
  return `${number},${quoted(told.slice(0, MOST_CHARACTERS))}`;
}

/** Writes a string of a reply: 7-bit characters in quotes, quotes within it doubled. */
export function quoted(text: string): string {
  const plain = text
    .replaceAll('·', '.')
    .replaceAll('…', '...')
    .replaceAll('–', '-')
    .replace(/\s+/gu, ' ')
    .replace(/[^\x20-\x7e]/gu, '?');
  return `"${plain.replaceAll('"', '""')}"`;
}
