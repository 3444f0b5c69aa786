import { existsSync, readFileSync } from 'node:fs';
import { rootCertificateFile } from './keys.js';
import { PURPOSES } from './seal-certificate.js';

/** The root certificates beside the keys; none where there are no keys. */
export function rootsIn(keys: string): readonly Uint8Array[] {
  const files = PURPOSES.map((purpose) => rootCertificateFile(keys, purpose));
  return files.filter((file) => existsSync(file)).map((file) => readFileSync(file));
}
