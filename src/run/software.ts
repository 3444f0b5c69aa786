import { createHash } from 'node:crypto';
import { readFileSync, readdirSync } from 'node:fs';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';

/** Issue of the definitions in scoring/; raised when any score of an unchanged capture changes. */
export const SCORING_ISSUE = 2;

/** What program this is: its version with a digest of the very files that run, and its scoring. */
export const SOFTWARE = { version: versionWithDigest(), scoring: String(SCORING_ISSUE) };

function versionWithDigest(): string {
  const root = fileURLToPath(new URL('..', import.meta.url));
  const hash = createHash('sha256');
  const names = readdirSync(root, { recursive: true, encoding: 'utf8' });
  for (const name of names.filter((n) => /\.(?:js|ts)$/u.test(n)).sort()) {
    hash.update(name).update(readFileSync(join(root, name)));
  }
  const manifest: unknown = JSON.parse(readFileSync(join(root, '..', 'package.json'), 'utf8'));
  const version =
    typeof manifest === 'object' && manifest !== null && 'version' in manifest
      ? String(manifest.version)
      : 'unknown';
  return `${version}+${hash.digest('hex').slice(0, 12)}`;
}
