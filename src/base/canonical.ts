import { createHash } from 'node:crypto';
import canonicalize from 'canonicalize';
import { StallmarkError } from './error.js';

/** Values that survive JSON unchanged. */
export type Json =
  null | boolean | number | string | readonly Json[] | { readonly [key: string]: Json };

/**
 * Writes a value as canonical JSON: one value, one text.
 *
 * @throws quantity/not-finite for NaN and infinities, plain Error for undefined members, which the
 * format would drop silently.
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

function refuseUnwritable(value: unknown, path: string): void {
  if (value === undefined) throw new Error(`${path} is undefined and would vanish from the record`);
  if (typeof value === 'number' && !Number.isFinite(value)) {
    const what = `${path} is ${String(value)}, which JSON cannot carry.`;
    throw new StallmarkError([{ code: 'quantity/not-finite', what, fix: 'Give a finite number.' }]);
  }
  if (typeof value !== 'object' || value === null) return;
  for (const [key, member] of Object.entries(value)) refuseUnwritable(member, `${path}.${key}`);
}

/** SHA-256 of bytes or UTF-8 text, as 64 hexadecimal digits. Source: FIPS 180-4. */
export function sha256(bytes: Uint8Array | string): string {
  return createHash('sha256').update(bytes).digest('hex');
}

/** Digest of a value in its canonical form. */
export function digestOf(value: Json): string {
  return sha256(canonicalJson(value));
}
