import { randomUUID, X509Certificate } from 'node:crypto';
import { mkdir, open, readdir, readFile, rename, rm } from 'node:fs/promises';
import { dirname, join } from 'node:path';
import type { ErrorCode } from '../base/codes.js';
import { StallmarkError } from '../base/error.js';

export function keyError(
  code: ErrorCode,
  what: string,
  fix: string,
  cause?: unknown,
): StallmarkError {
  return new StallmarkError([{ code, what, fix }], { cause });
}

export const exists = (place: string, cause?: unknown): StallmarkError =>
  keyError(
    'keys/exists',
    `${place} is there already.`,
    'List the keys; retire the seal before another is made.',
    cause,
  );

/**
 * Makes a folder with its files under another name and gives it its own at the end, so that it
 * appears complete or not at all, and never over another.
 */
export async function appear(
  folder: string,
  files: readonly (readonly [name: string, text: string])[],
): Promise<void> {
  const made = `${folder}.making-${randomUUID()}`;
  await writing(folder, async () => {
    await mkdir(dirname(folder), { recursive: true, mode: 0o700 });
    await mkdir(made, { mode: 0o700 });
    try {
      for (const [name, text] of files) await writeNew(join(made, name), text);
      await syncFolder(made);
      await rename(made, folder); // refuses when another process filled the folder meanwhile
      await syncFolder(dirname(folder));
    } finally {
      await rm(made, { recursive: true, force: true });
    }
  });
}

/** Turns refusals of the file system into problems. */
export async function writing<T>(place: string, work: () => Promise<T>): Promise<T> {
  try {
    return await work();
  } catch (cause) {
    if (cause instanceof StallmarkError) throw cause;
    const code = errnoOf(cause);
    if (code === undefined) throw cause;
    if (code === 'ENOTEMPTY' || code === 'EEXIST') {
      throw exists(place, cause);
    }
    if (code === 'ENOENT') throw keyError('keys/missing', `${place}: not found.`, INIT, cause);
    const fix = 'Make the folder writable for this account, or give another.';
    throw keyError('storage/unwritable', `${place} cannot be written (${code}).`, fix, cause);
  }
}

const INIT = 'Run "stallmark keys init", or give the folder the keys lie in.';

function errnoOf(error: unknown): string | undefined {
  return error instanceof Error && 'code' in error && typeof error.code === 'string'
    ? error.code
    : undefined;
}

export async function writeNew(file: string, text: string): Promise<void> {
  const handle = await open(file, 'wx', 0o600);
  try {
    await handle.writeFile(text);
    await handle.sync();
  } finally {
    await handle.close();
  }
}

export async function syncFolder(folder: string): Promise<void> {
  const handle = await open(folder, 'r');
  try {
    await handle.sync();
  } finally {
    await handle.close();
  }
}

export async function readText(file: string): Promise<string> {
  try {
    return await readFile(file, 'utf8');
  } catch (cause) {
    if (errnoOf(cause) === 'ENOENT') {
      throw keyError('keys/missing', `${file} is not there.`, INIT, cause);
    }
    const fix = 'Make the file readable for this account.';
    throw keyError('storage/unreadable', `${file} cannot be read.`, fix, cause);
  }
}

export async function readCertificate(file: string): Promise<X509Certificate> {
  const pem = await readText(file);
  try {
    return new X509Certificate(pem);
  } catch (cause) {
    const fix = 'Put back the file as it was made.';
    throw keyError('keys/damaged', `${file} holds no certificate.`, fix, cause);
  }
}

/** Names in a folder; none when it is not there. */
export async function namesIn(folder: string): Promise<readonly string[]> {
  try {
    return await readdir(folder);
  } catch (cause) {
    if (errnoOf(cause) === 'ENOENT') return [];
    const fix = 'Give a folder this account may read.';
    throw keyError('storage/unreadable', `${folder} cannot be read.`, fix, cause);
  }
}
