import { chmodSync, cpSync, mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { dirname, join } from 'node:path';
import { afterAll } from 'vitest';
import { initKeys } from '../../src/certificate/keys.js';

export const KEY_OWNER = { maker: 'Skarrowmere Helmworks', bench: 'TW-1' };
export const PASSPHRASES = { root: 'plant root of the tests', seal: 'bench seal of the tests' };
/** When the keys begin to be valid, ms since the Unix epoch: before every sample record. */
export const KEYS_MADE = Date.parse('2026-11-24T08:00:00Z');

let made: Promise<string> | undefined;

afterAll(async () => {
  if (made !== undefined) rmSync(dirname(await made), { recursive: true, force: true });
});

/** Key folder that tests of one file share: making keys takes long on purpose. Read it, do not change it. */
export function madeKeys(): Promise<string> {
  made ??= (async () => {
    const folder = join(mkdtempSync(join(tmpdir(), 'stallmark-keys-')), 'keys');
    await initKeys(folder, KEY_OWNER, PASSPHRASES, KEYS_MADE);
    return folder;
  })();
  return made;
}

/** Copies a key folder into `parent`, for a test that spoils it. */
export function copyOf(keys: string, parent: string): string {
  const folder = join(parent, 'keys');
  cpSync(keys, folder, { recursive: true });
  chmodSync(folder, 0o700);
  return folder;
}
