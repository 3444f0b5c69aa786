import { StallmarkError } from '../base/error.js';
import { scpiNumber } from './scpi-number.js';
import type { ReplyValue } from './scpi-reply.js';

/**
 * Reads the values of a reply.
 *
 * @param subject - Who said it to what, at the beginning of a sentence.
 * @throws link/garbled when the reply is of another form.
 */
export type Form<T> = (values: readonly ReplyValue[], subject: string) => T;

/** One number. */
export const oneNumber: Form<number> = (values, subject) => {
  const [value] = values;
  if (value?.kind !== 'text' || values.length !== 1) throw otherForm(subject, values, 'one number');
  return scpiNumber(value.text, subject);
};

/** Texts, quoted or not. */
export const texts: Form<readonly string[]> = (values, subject) =>
  values.map((value) => {
    if (value.kind === 'block') throw otherForm(subject, values, 'texts');
    return value.text;
  });

/** One block of definite or indefinite length. */
export const oneBlock: Form<Uint8Array> = (values, subject) => {
  const [value] = values;
  if (value?.kind !== 'block' || values.length !== 1) throw otherForm(subject, values, 'one block');
  return value.bytes;
};

/** The number and text of an error. Source: SCPI-1999 volume 2, 21.8.1, from memory. */
export const oneError: Form<readonly [code: number, text: string]> = (values, subject) => {
  const [number, text] = values;
  if (number?.kind !== 'text' || values.length > 2 || text?.kind === 'block') {
    throw otherForm(subject, values, 'the number and text of an error');
  }
  const code = scpiNumber(number.text, subject);
  if (!Number.isInteger(code)) throw otherForm(subject, values, 'a whole number and a text');
  return [code, text?.text ?? ''];
};

/** A reply of another form than was asked for. */
export function otherForm(
  subject: string,
  values: readonly ReplyValue[],
  wanted: string,
): StallmarkError {
  const what = `${subject} is ${shown(values)}, but must be ${wanted}.`;
  const fix = 'Check the dialect of the link against the manual of the instrument.';
  return new StallmarkError([{ code: 'link/garbled', what, fix }]);
}

function shown(values: readonly ReplyValue[]): string {
  const written = values
    .slice(0, 10)
    .map((value) =>
      value.kind === 'block'
        ? `a block of ${value.bytes.length} bytes`
        : `"${value.text.slice(0, 60)}"`,
    );
  return written.length === 0 ? 'empty' : written.join(', ').slice(0, 200);
}
