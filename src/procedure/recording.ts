import type { ErrorCode } from '../base/codes.js';
import { decodeText } from './yaml.js';

/** Values a recording may have: an hour at 1 kHz. */
const MOST_VALUES = 3_600_000;

/** The samples of a recording, or what is wrong with it. */
export type Recording =
  | { readonly samples: Float64Array }
  | { readonly code: ErrorCode; readonly what: string; readonly fix: string };

const HEADER = 'torque [N·m]';

/**
 * Reads a recorded torque: a header line "torque [N·m]", then one decimal value a line.
 *
 * @returns Torque in N·m, n ≥ 1, all finite; or the first line that is none.
 * @throws yaml/unreadable when the bytes are not UTF-8.
 */
export function readRecording(bytes: Uint8Array, file: string): Recording {
  const lines = decodeText(bytes, file).split(/\r\n|\n/);
  if (lines.at(-1) === '') lines.pop();
  const [header, ...rows] = lines;
  const refuse = (what: string, fix: string): Recording => ({
    code: 'procedure/recording',
    what: `The recording "${file}" ${what}`,
    fix,
  });
  if (header !== HEADER) {
    return refuse(
      `begins with "${(header ?? '').slice(0, 60)}", not with "${HEADER}".`,
      'Write the header line.',
    );
  }
  if (rows.length === 0 || rows.length > MOST_VALUES) {
    return refuse(
      `has ${rows.length} values, but must have 1 … ${MOST_VALUES}.`,
      'Record it anew.',
    );
  }
  const wrong = rows.findIndex(
    (row) => !/^-?\d+(?:\.\d+)?(?:e-?\d+)?$/.test(row) || !Number.isFinite(Number(row)),
  );
  if (wrong >= 0) {
    const row = (rows[wrong] ?? '').slice(0, 60);
    return refuse(
      `has "${row}" in line ${wrong + 2}, which is no number.`,
      'Write one decimal number a line.',
    );
  }
  return { samples: Float64Array.from(rows, Number) };
}
