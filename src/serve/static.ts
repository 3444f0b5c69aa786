import { readdirSync, readFileSync, statSync } from 'node:fs';
import { extname, join } from 'node:path';
import { fileURLToPath } from 'node:url';

/** A file of the page, ready to be handed out. */
export interface PageFile {
  readonly bytes: Buffer;
  readonly type: string;
  /** Whether its name holds a digest of its content, so that it never changes. */
  readonly isHashed: boolean;
}

/** Files of the page by their address. Nothing else is ever handed out, so no address can lead elsewhere. */
export type PageFiles = ReadonlyMap<string, PageFile>;

/** Addresses of the one page; what it shows follows from them. */
const ADDRESSES = ['/', '/operator', '/quality', '/auditor'];

const TYPES: Readonly<Record<string, string>> = {
  '.html': 'text/html; charset=utf-8',
  '.js': 'text/javascript; charset=utf-8',
  '.css': 'text/css; charset=utf-8',
  '.svg': 'image/svg+xml',
  '.png': 'image/png',
};

/** Where the built page lies. */
export const BUILT_PAGE = fileURLToPath(new URL('../../dist/page', import.meta.url));

/** Reads the built page into memory; empty when it was not built. */
export function pageFiles(folder = BUILT_PAGE): PageFiles {
  const files = new Map<string, PageFile>();
  if (statSync(folder, { throwIfNoEntry: false })?.isDirectory() !== true) return files;
  for (const name of readdirSync(folder, { recursive: true, encoding: 'utf8' })) {
    const type = TYPES[extname(name)];
    if (type === undefined) continue;
    const address = `/${name.replaceAll('\\', '/')}`;
    const bytes = readFileSync(join(folder, name));
    files.set(address, { bytes, type, isHashed: address.startsWith('/assets/') });
  }
  const index = files.get('/index.html');
  if (index !== undefined) for (const address of ADDRESSES) files.set(address, index);
  return files;
}
