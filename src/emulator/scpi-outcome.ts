import { StallmarkError } from '../base/error.js';
import { fault, type ScpiFault } from './scpi-fault.js';

/**
 * What a command comes to: nothing, a reply, an error, or an operation that goes on while later
 * commands are taken, and for which `*OPC?` waits.
 */
export type Outcome =
  undefined | string | Uint8Array | ScpiFault | { readonly goesOn: Promise<unknown> };

/** The stand refuses with −221 what does not fit its state; all else is −200, and a defect of ours −310. */
export function faultOf(error: unknown): ScpiFault {
  if (!(error instanceof StallmarkError)) return fault('-310', String(error));
  const [{ code, what }] = error.problems;
  return fault(code.startsWith('bench/') ? '-221' : '-200', what);
}

/** Says whether a command came to an error. */
export function isFault(outcome: Outcome | Promise<Outcome>): outcome is ScpiFault {
  return typeof outcome === 'object' && 'number' in outcome;
}

/** Puts replies of one message together: `;` between them, LF at its end. */
export function replyBytes(
  reply: string | Uint8Array | undefined,
  isLater: boolean,
  isLast: boolean,
): Uint8Array | undefined {
  if (reply === undefined && !(isLater && isLast)) return undefined;
  const body = typeof reply === 'string' ? Buffer.from(reply, 'latin1') : reply;
  const before = isLater && body !== undefined ? ';' : '';
  return Buffer.concat([
    Buffer.from(before),
    body ?? new Uint8Array(0),
    Buffer.from(isLast ? '\n' : ''),
  ]);
}
