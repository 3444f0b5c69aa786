import {
  closeSync,
  fsyncSync,
  mkdirSync,
  openSync,
  renameSync,
  statfsSync,
  writeFileSync,
} from 'node:fs';
import { StallmarkError, type Problem } from '../base/error.js';

/** What changes a file system: the steps between which a computer can stop. */
export interface Disk {
  /** Creates one folder; its parent exists, it does not. */
  readonly makeFolder: (path: string) => void;
  /** Writes a file that must not exist yet. */
  readonly writeFile: (path: string, bytes: Uint8Array | string) => void;
  /** Makes a file, or the list of names in a folder, durable. */
  readonly sync: (path: string) => void;
  /** Moves within one file system, at once or not at all. */
  readonly rename: (from: string, to: string) => void;
}

/** The disk of this computer. Every step throws storage/full or storage/unwritable. */
export const systemDisk: Disk = {
  makeFolder: (path) => {
    stored(path, () => {
      mkdirSync(path);
    });
  },
  writeFile: (path, bytes) => {
    stored(path, () => {
      writeFileSync(path, bytes, { flag: 'wx' });
    });
  },
  sync: (path) => {
    stored(path, () => {
      const file = openSync(path, 'r');
      try {
        fsyncSync(file);
      } finally {
        closeSync(file);
      }
    });
  },
  rename: (from, to) => {
    stored(to, () => {
      renameSync(from, to);
    });
  },
};

/** Bytes that this account may still write to the file system of an existing folder. */
export function freeSpace(folder: string): number {
  return stored(folder, () => {
    const { bavail, bsize } = statfsSync(folder);
    return bavail * bsize;
  });
}

const SPACE_FIX = 'Free space on the disk; records are moved away, not deleted.';

/** Runs a step on a path and says in words what the file system refused. */
function stored<T>(path: string, step: () => T): T {
  try {
    return step();
  } catch (cause) {
    if (!(cause instanceof Error) || !('code' in cause)) throw cause;
    const problem: Problem =
      cause.code === 'ENOSPC' || cause.code === 'EDQUOT'
        ? { code: 'storage/full', what: `There is no space left for "${path}".`, fix: SPACE_FIX }
        : {
            code: 'storage/unwritable',
            what: `"${path}" cannot be written: ${cause.message}.`,
            fix: 'Check the folder and the rights of this account, then try again.',
          };
    throw new StallmarkError([problem], { cause });
  }
}
