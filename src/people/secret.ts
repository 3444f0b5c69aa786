import { randomBytes, scrypt, timingSafeEqual } from 'node:crypto';
import type { Problem } from '../base/error.js';
import type { SecretHash } from './people.js';

/** What turning a secret into its hash costs. */
export type Cost = Pick<SecretHash, 'N' | 'r' | 'p'>;

/**
 * 128 MiB and some tenths of a second for each guess.
 *
 * Source: RFC 7914 for the function; N = 2¹⁷, r = 8, p = 1 after the common advice for scrypt (from
 * memory).
 */
export const COST: Cost = { N: 2 ** 17, r: 8, p: 1 };

const SALT_BYTES = 16;
const HASH_BYTES = 32;
const SHORTEST_PIN = 6;
const SHORTEST_PASSWORD = 8;
const LONGEST = 128;

/**
 * Turns a secret into what is kept of it, with a new salt.
 *
 * @param cost - Lower in tests only; it is stored, so that it can grow.
 */
export async function hashSecret(secret: string, cost: Cost = COST): Promise<SecretHash> {
  const salt = randomBytes(SALT_BYTES);
  const hash = await derived(secret, salt, cost);
  const { N, r, p } = cost;
  return { kind: 'scrypt', N, r, p, salt: salt.toString('base64'), hash: hash.toString('base64') };
}

/** Whether a secret is the one that was hashed. Takes as long for a wrong one as for the right one. */
export async function isSecret(secret: string, kept: SecretHash): Promise<boolean> {
  const expected = Buffer.from(kept.hash, 'base64');
  const found = await derived(secret, Buffer.from(kept.salt, 'base64'), kept);
  return found.length === expected.length && timingSafeEqual(found, expected);
}

/** A hash that no secret has, for ids nobody has: it costs the same to try. */
export function decoyHash(cost: Cost): SecretHash {
  const { N, r, p } = cost;
  const random = (bytes: number): string => randomBytes(bytes).toString('base64');
  return { kind: 'scrypt', N, r, p, salt: random(SALT_BYTES), hash: random(HASH_BYTES) };
}

/** Secrets as people type them: one way to write each letter. */
const normal = (secret: string): string => secret.normalize('NFC');

function derived(secret: string, salt: Buffer, { N, r, p }: Cost): Promise<Buffer> {
  const maxmem = 128 * N * r + 128 * r * p + 1_048_576; // what it needs, and a little
  return new Promise((resolve, reject) => {
    scrypt(normal(secret), salt, HASH_BYTES, { N, r, p, maxmem }, (error, key) => {
      if (error === null) resolve(key);
      else reject(error);
    });
  });
}

/** Says what is wrong with a new secret: too short, too long, or one that everybody tries first. */
export function secretProblems(secret: string): readonly Problem[] {
  const found = [
    ...(/^\d+$/u.test(secret) ? pinFaults(secret) : passwordFaults(secret)),
    ...(secret.length > LONGEST
      ? [`has ${secret.length} characters, at most ${LONGEST} are allowed`]
      : []),
    ...(/\p{Cc}/u.test(secret) ? ['holds a control character'] : []),
  ];
  const fix = `Take a PIN of ${SHORTEST_PIN} or more digits that is no run, or a password of ${SHORTEST_PASSWORD} or more characters.`;
  return found.map((fault) => ({ code: 'people/secret', what: `The new secret ${fault}.`, fix }));
}

function pinFaults(pin: string): readonly string[] {
  if (pin.length < SHORTEST_PIN) {
    return [`has ${pin.length} digits, at least ${SHORTEST_PIN} are needed`];
  }
  const steps = new Set(
    Array.from(pin.slice(1), (digit, i) => (Number(digit) - Number(pin[i]) + 10) % 10),
  );
  const [step] = steps;
  if (steps.size !== 1) return [];
  if (step === 0) return ['is one digit over and over'];
  return step === 1 || step === 9 ? ['is a run of digits'] : [];
}

function passwordFaults(password: string): readonly string[] {
  const letters = Array.from(normal(password));
  if (letters.length < SHORTEST_PASSWORD) {
    return [`has ${letters.length} characters, at least ${SHORTEST_PASSWORD} are needed`];
  }
  return new Set(letters).size === 1 ? ['is one character over and over'] : [];
}
