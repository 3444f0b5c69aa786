import { readFileSync } from 'node:fs';
import { readDialect } from '../../src/procedure/dialect.js';
import type { ScpiDescription } from '../../src/procedure/links.js';

const FOLDER = new URL('../../procedures/links/', import.meta.url);

/**
 * A link whose dialect is a shipped one, with texts of it changed.
 *
 * @param changes - Each text must stand in the dialect once.
 */
export function described(
  file: 'digitizer.yaml' | 'generator.yaml',
  port: number,
  changes: readonly (readonly [old: string, now: string])[] = [],
): ScpiDescription {
  let text = readFileSync(new URL(file, FOLDER), 'utf8');
  for (const [old, now] of changes) {
    if (text.split(old).length !== 2) throw new Error(`"${old}" does not stand in ${file} once`);
    text = text.replace(old, now);
  }
  const place = { kind: 'tcp', host: '127.0.0.1', port } as const;
  return { protocol: 'scpi', place, dialect: readDialect(text, file) };
}
