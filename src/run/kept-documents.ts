import { existsSync, readdirSync, statSync } from 'node:fs';
import { join } from 'node:path';
import { readDocuments, type Documents } from './documents.js';

/** Reads documents as `readDocuments` does, but again only after a file was added, removed or changed. */
export type DocumentReader = (paths: readonly string[]) => Documents;

/** Makes a reader that keeps what it read last, for whoever asks again and again. */
export function documentReader(): DocumentReader {
  let kept: { readonly key: string; readonly documents: Documents } | undefined;
  return (paths) => {
    const key = stampOf(paths);
    if (kept?.key !== key) kept = { key, documents: readDocuments(paths) };
    return kept.documents;
  };
}

/** Names, sizes and instants of change of every file that may be read, recordings included. */
function stampOf(paths: readonly string[]): string {
  return paths.flatMap((path) => filesOf(path)).join('\n');
}

function filesOf(path: string): readonly string[] {
  if (!existsSync(path)) return [`${path} missing`];
  if (!statSync(path).isDirectory()) return [stamp(path)];
  return readdirSync(path, { recursive: true, withFileTypes: true })
    .filter((entry) => entry.isFile())
    .map((entry) => stamp(join(entry.parentPath, entry.name)))
    .sort();
}

function stamp(file: string): string {
  const { size, mtimeMs } = statSync(file);
  return `${file} ${size} ${mtimeMs}`;
}
