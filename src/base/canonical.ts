import { createHash } from 'node:crypto';
import canonicalize from 'canonicalize';
import { StallmarkError, unreachable } from './error.js';

/** Values that survive JSON unchanged. */
export type Json =
  null | boolean | number | string | readonly Json[] | { readonly [key: string]: Json };

/**
 * Writes a value as canonical JSON: one value, one text.
 *
 * @throws quantity/not-finite for NaN and infinities; plain Error for what the format would drop or
 * change in silence: undefined, holes in lists, half a surrogate pair, objects other than plain ones.
 *
 * Source: RFC 8785. Minus zero is written "0" as in its Appendix B.
 * Check: tests/checks/canonical.check.ts.
 */
export function canonicalJson(value: Json): string {
  refuseUnwritable(value, '$');
  const text = canonicalize(value);
  if (text === undefined) throw new Error('canonicalize returned nothing');
  return text;
}

/** Types cannot keep everything out: casts and parsed values get here too. */
function refuseUnwritable(value: unknown, path: string): void {
  switch (typeof value) {
    case 'number': {
      if (Number.isFinite(value)) return;
      const what = `${path} is ${String(value)}, which JSON cannot carry.`;
      const fix = 'Give a finite number.';
      throw new StallmarkError([{ code: 'quantity/not-finite', what, fix }]);
    }
    case 'string':
      refuseHalfPair(value, path);
      return;
    case 'boolean':
      return;
    case 'object':
      if (value !== null) refuseUnwritableIn(value, path);
      return;
    case 'undefined':
    case 'function':
    case 'symbol':
    case 'bigint':
      throw new Error(`${path} is of type ${typeof value} and would vanish from the record`);
    default:
      return unreachable(value as never); // typeof has no other results
  }
}

function refuseUnwritableIn(value: object, path: string): void {
  if (Array.isArray(value)) {
    const members: readonly unknown[] = value;
    for (let i = 0; i < members.length; i += 1) refuseUnwritable(members[i], `${path}.${i}`);
    return;
  }
  const prototype: unknown = Object.getPrototypeOf(value);
  if (prototype !== Object.prototype && prototype !== null) {
    throw new Error(`${path} is not a plain object and would be written as something else`);
  }
  for (const [key, member] of Object.entries(value)) {
    refuseHalfPair(key, path);
    refuseUnwritable(member, `${path}.${key}`);
  }
}

function refuseHalfPair(text: string, path: string): void {
  if (/\p{Surrogate}/u.test(text)) throw new Error(`${path} holds half a surrogate pair`);
}

/** SHA-256 of bytes or UTF-8 text, as 64 hexadecimal digits. Source: FIPS 180-4. */
export function sha256(bytes: Uint8Array | string): string {
  return createHash('sha256').update(bytes).digest('hex');
}

/** Digest of a value in its canonical form. */
export function digestOf(value: Json): string {
  return sha256(canonicalJson(value));
}
