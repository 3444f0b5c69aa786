import type { Problem } from '../base/error.js';

/** What some errors mean for the talk with an instrument. Source: SCPI-1999 volume 2, 21.8, from memory. */
const MEANINGS: ReadonlyMap<number, readonly [what: string, fix: string]> = new Map([
  [
    -350,
    ['its queue was full and errors are lost', 'Read the errors at the instrument, then clear it.'],
  ],
  [
    -410,
    ['it dropped a reply because the next message came first', 'Check who else talks with it.'],
  ],
  [-420, ['it was to reply without a whole question', 'Check the questions of the dialect.']],
]);

/**
 * Words an error of an instrument.
 *
 * @param sent - What was sent before it told the error; empty where nobody knows.
 */
export function refusal(
  name: string,
  sent: readonly string[],
  [code, text]: readonly [code: number, text: string],
): Problem {
  const [meaning, fix] = MEANINGS.get(code) ?? [];
  const to = sent.join('", "');
  const after = to === '' ? 'tells' : `answers "${to.slice(0, 200)}" with`;
  const why = meaning === undefined ? '' : `: ${meaning}`;
  const what = `The link "${name}" ${after} ${code} "${text.slice(0, 255)}"${why}.`;
  return { code: 'link/refused', what, fix: fix ?? 'Check the dialect and what was asked for.' };
}
