import { closeSync, existsSync, mkdirSync, openSync, readdirSync, readSync } from 'node:fs';
import { createHash } from 'node:crypto';
import { dirname, join } from 'node:path';
import Database from 'better-sqlite3';
import { StallmarkError } from '../base/error.js';
import { systemDisk, type Disk } from './disk.js';
import type { Entry, Ledger } from './ledger.js';
import { numberOf } from './numbering.js';

const RESERVED = /^(?:CON|PRN|AUX|NUL|COM\d|LPT\d)$/u;

/**
 * Names the folder of a serial: capital letters, digits, "-" and "_" stand for themselves, all else
 * is percent-encoded UTF-8. Small letters too: some systems tell "a" and "A" apart, others do not.
 *
 * @throws serial/grammar for an empty serial, half a surrogate pair, or a name beyond 200 characters.
 */
export function folderName(serial: string): string {
  const bytes = (text: string): string =>
    [...Buffer.from(text)]
      .map((byte) => `%${byte.toString(16).toUpperCase().padStart(2, '0')}`)
      .join('');
  const encoded = serial.replace(/[^A-Z0-9_-]+/gu, bytes);
  const name = RESERVED.test(encoded) ? bytes(encoded.slice(0, 1)) + encoded.slice(1) : encoded;
  if (name !== '' && name.length <= 200 && !/\p{Surrogate}/u.test(serial)) return name;
  const what = `Serial "${serial}" cannot name a folder: ${name.length} characters, 1 to 200 allowed.`;
  const fix = 'Scan the label again.';
  throw new StallmarkError([{ code: 'serial/grammar', what, fix }]);
}

/** Returns the serial a folder is named after, or undefined when `folderName` gives no such name. */
export function serialOf(name: string): string | undefined {
  if (!/^(?:[A-Z0-9_-]|%[0-9A-F]{2})+$/u.test(name)) return undefined;
  const bytes = name.replace(/%([0-9A-F]{2})/gu, (_, hex: string) =>
    String.fromCharCode(Number.parseInt(hex, 16)),
  );
  const serial = Buffer.from(bytes, 'latin1').toString();
  return folderName(serial) === name ? serial : undefined;
}

/** Where the files of one attempt lie. */
export interface AttemptFolder {
  /** While the attempt goes on. */
  readonly temporary: string;
  /** Once its record is issued. */
  readonly final: string;
  /** The final folder as seen from the root, with "/" between names. */
  readonly relative: string;
}

/** Returns the folders of an attempt: year it was begun in (UTC) / serial / attempt number. */
export function attemptFolder(root: string, begun: Entry): AttemptFolder {
  const parent = [begun.at.slice(0, 4), folderName(begun.serial)];
  const name = String(begun.attempt).padStart(2, '0');
  return {
    temporary: join(root, ...parent, `.attempt-${name}`),
    final: join(root, ...parent, name),
    relative: [...parent, name].join('/'),
  };
}

/**
 * Makes the temporary folder of an attempt, durably.
 *
 * @param begun - The entry that began the attempt.
 * @throws storage/full, storage/unwritable.
 */
export function openAttempt(root: string, begun: Entry, disk: Disk = systemDisk): AttemptFolder {
  const folder = attemptFolder(root, begun);
  makeBelow(root, folder.temporary, disk);
  return folder;
}

/** Makes a folder and what is missing above it, up to `root`, which exists. */
function makeBelow(root: string, folder: string, disk: Disk): void {
  const parent = dirname(folder);
  if (parent !== root && !existsSync(parent)) makeBelow(root, parent, disk);
  disk.makeFolder(folder);
  disk.sync(parent);
}

/** How an attempt ends. */
export interface Ending {
  /** The entry that began the attempt. */
  readonly begun: Entry;
  readonly by: string;
  /** Anything else to be remembered; certificate, folder and files are added. */
  readonly body: Entry['body'];
}

/**
 * Issues the record of an attempt: makes every file in its temporary folder durable, then moves the
 * folder into place and enters it, with the digests of its files, in one transaction.
 *
 * @throws storage/*, ledger/*; nothing is issued then, and `abortAttempt` or `recover` clears up.
 */
export function issueRecord(
  root: string,
  ledger: Ledger,
  ending: Ending,
  now: number,
  disk: Disk = systemDisk,
): Entry {
  const { begun, by } = ending;
  const folder = attemptFolder(root, begun);
  const names = readdirSync(folder.temporary).sort();
  if (names.length === 0) throw new Error(`no file is to be issued in ${folder.temporary}`);
  for (const name of names) disk.sync(join(folder.temporary, name));
  disk.sync(folder.temporary);
  const files = Object.fromEntries(names.map((n) => [n, digestOfFile(join(folder.temporary, n))]));
  const certificate = numberOf(begun);
  const body = { ...ending.body, certificate, folder: folder.relative, files };
  const { serial, attempt } = begun;
  return ledger.append(
    () => {
      refuseEnded(ledger, begun);
      refuseTaken(folder.final);
      return { kind: 'record-issued', serial, attempt, by, body };
    },
    now,
    () => {
      disk.rename(folder.temporary, folder.final);
      disk.sync(dirname(folder.final));
    },
  );
}

function refuseTaken(folder: string): void {
  if (!existsSync(folder)) return;
  const what = `"${folder}" is there already; records are never overwritten.`;
  const fix = 'Have the ledger audited before anything else is issued.';
  throw new StallmarkError([{ code: 'storage/unwritable', what, fix }]);
}

function refuseEnded(ledger: Ledger, begun: Entry): void {
  const end = ledger.of(begun.serial).find((entry) => endsAttempt(entry, begun));
  if (end !== undefined) throw new Error(`entry ${end.number} ended this attempt already`);
}

function endsAttempt(entry: Entry, begun: Entry): boolean {
  const isEnd = entry.kind === 'record-issued' || entry.kind === 'attempt-aborted';
  return isEnd && entry.serial === begun.serial && entry.attempt === begun.attempt;
}

/** SHA-256 of a file, read in pieces. */
function digestOfFile(path: string): string {
  const hash = createHash('sha256');
  const piece = new Uint8Array(1 << 20);
  const file = openSync(path, 'r');
  try {
    let length = readSync(file, piece);
    while (length > 0) {
      hash.update(piece.subarray(0, length));
      length = readSync(file, piece);
    }
  } finally {
    closeSync(file);
  }
  return hash.digest('hex');
}

/**
 * Enters that an attempt ended without a record. What it left on the disk is kept in `unissued/`,
 * under the number it reserved; nothing is deleted.
 *
 * @returns The entry; its body names what was kept as `kept`, seen from the root.
 * @throws storage/*, ledger/*; `recover` makes up for it then.
 */
export function abortAttempt(
  root: string,
  ledger: Ledger,
  ending: Ending & { readonly reason: string },
  now: number,
  disk: Disk = systemDisk,
): Entry {
  const { begun, by, reason } = ending;
  const folder = attemptFolder(root, begun);
  const keeping = keep(root, begun, [folder.temporary, folder.final]);
  const certificate = numberOf(begun);
  const body = { ...ending.body, certificate, reason, kept: keeping.kept };
  const { serial, attempt } = begun;
  return ledger.append(
    () => {
      refuseEnded(ledger, begun);
      return { kind: 'attempt-aborted', serial, attempt, by, body };
    },
    now,
    () => {
      keeping.move(disk);
    },
  );
}

const UNISSUED = 'unissued';

interface Keeping {
  /** Folders in `unissued/` that belong to the attempt, those moved earlier included. */
  readonly kept: readonly string[];
  readonly move: (disk: Disk) => void;
}

/** Plans where the folders of an attempt go, those that exist. */
function keep(root: string, begun: Entry, folders: readonly string[]): Keeping {
  const number = numberOf(begun);
  const names = existsSync(join(root, UNISSUED)) ? readdirSync(join(root, UNISSUED)) : [];
  const earlier = names.filter((name) => name === number || name.startsWith(`${number}-`)).sort();
  const leftovers = folders.filter((path) => existsSync(path));
  const moves = leftovers.map((from, index) => {
    const place = earlier.length + index;
    return { from, name: place === 0 ? number : `${number}-${place + 1}` };
  });
  return {
    kept: [...earlier, ...moves.map(({ name }) => name)].map((name) => `${UNISSUED}/${name}`),
    move: (disk) => {
      const target = join(root, UNISSUED);
      if (moves.length > 0 && !existsSync(target)) makeBelow(root, target, disk);
      for (const { from, name } of moves) {
        disk.rename(from, join(target, name));
        disk.sync(target);
        disk.sync(dirname(from));
      }
    },
  };
}

/** A hold on a folder of records; ends with the process at the latest. */
export interface Hold {
  release(): void;
}

/**
 * Keeps other programs from recovering or starting attempts in the same folder of records. Take it
 * before an attempt begins and release it after its end: without it a second program would take
 * the attempt for an interrupted one.
 *
 * @throws ledger/busy when another program holds it.
 */
export function holdRecords(root: string): Hold {
  mkdirSync(root, { recursive: true });
  const file = join(root, '.hold'); // the lock of SQLite ends with its process, whatever happens
  const database = new Database(file, { timeout: 0 });
  try {
    database.exec('BEGIN EXCLUSIVE');
  } catch (cause) {
    database.close();
    if (!(cause instanceof Database.SqliteError) || cause.code !== 'SQLITE_BUSY') throw cause;
    const what = `Another program has an attempt going on in "${root}".`;
    const fix = 'Wait until it has ended, then try again.';
    throw new StallmarkError([{ code: 'ledger/busy', what, fix }], { cause });
  }
  return {
    release: () => {
      database.close();
    },
  };
}

/**
 * Makes whole what a crash left behind: ends interrupted attempts and moves what they left to
 * `unissued/`. Issues nothing, deletes nothing. Safe to repeat, also when it is interrupted itself.
 *
 * @param now - ms since the Unix epoch.
 * @returns One sentence for the operator for each thing that was found; empty when all was well.
 * @throws ledger/busy while an attempt is going on; ledger/damaged when the disk holds attempts of
 * which the ledger knows nothing, so that it must be an old copy; ledger/clock, storage/*.
 */
export function recover(
  root: string,
  ledger: Ledger,
  now: number,
  disk: Disk = systemDisk,
): readonly string[] {
  const hold = holdRecords(root);
  try {
    const attempts = attemptsOf(root, ledger);
    refuseUnknown(root, attempts);
    return [...attempts.values()].flatMap(({ begun, end }) =>
      end === undefined
        ? [endInterrupted(root, ledger, { begun, now, disk })]
        : keepLeftovers(root, ledger, { begun, end, now, disk }),
    );
  } finally {
    hold.release();
  }
}

interface Attempt {
  readonly begun: Entry;
  readonly end: Entry | undefined;
}

/** Every attempt of the ledger by its final folder. */
function attemptsOf(root: string, ledger: Ledger): ReadonlyMap<string, Attempt> {
  const attempts = new Map<string, Attempt>();
  const places = new Map<string, string>();
  for (const entry of ledger.entries()) {
    const key = JSON.stringify([entry.serial, entry.attempt]);
    if (entry.kind === 'attempt-begun') {
      const place = attemptFolder(root, entry).relative;
      places.set(key, place);
      attempts.set(place, { begun: entry, end: undefined });
    }
    const place = places.get(key);
    const attempt = place === undefined ? undefined : attempts.get(place);
    if (place === undefined || attempt === undefined || !endsAttempt(entry, attempt.begun))
      continue;
    attempts.set(place, { ...attempt, end: entry });
  }
  return attempts;
}

function refuseUnknown(root: string, attempts: ReadonlyMap<string, Attempt>): void {
  const unknown = placesOnDisk(root).filter((place) => !attempts.has(place));
  if (unknown.length === 0) return;
  const named = unknown.slice(0, 3).join(', ');
  const more = unknown.length > 3 ? ` and ${unknown.length - 3} more` : '';
  const what = `The ledger knows nothing of ${named}${more}: it is older than the records.`;
  const fix = 'Restore the newest ledger.db; going on would give certificate numbers twice.';
  throw new StallmarkError([{ code: 'ledger/damaged', what, fix }]);
}

/** Attempts that have a final or temporary folder, by their final folder seen from the root. */
function placesOnDisk(root: string): readonly string[] {
  const foldersIn = (...path: readonly string[]): readonly string[] =>
    readdirSync(join(root, ...path), { withFileTypes: true })
      .filter((item) => item.isDirectory())
      .map((item) => item.name);
  return foldersIn()
    .filter((year) => /^\d{4}$/u.test(year))
    .flatMap((year) => foldersIn(year).map((serial) => [year, serial] as const))
    .flatMap(([year, serial]) =>
      foldersIn(year, serial)
        .map((name) => /^(?:\.attempt-)?(\d{2,})$/u.exec(name)?.[1])
        .filter((attempt) => attempt !== undefined)
        .map((attempt) => `${year}/${serial}/${attempt}`),
    );
}

interface Clearing {
  readonly begun: Entry;
  readonly now: number;
  readonly disk: Disk;
}

const RECOVERY = 'recovery at start';

function endInterrupted(root: string, ledger: Ledger, { begun, now, disk }: Clearing): string {
  const ending = { begun, by: RECOVERY, reason: 'interrupted', body: {} };
  const { body } = abortAttempt(root, ledger, ending, now, disk);
  const kept = Array.isArray(body['kept']) ? body['kept'].join(', ') : '';
  const left = kept === '' ? 'It left nothing on the disk' : `What it left is kept in ${kept}`;
  return `Attempt ${begun.attempt} of ${begun.serial}, begun ${begun.at}, was interrupted. ${left}; number ${numberOf(begun)} stays unused.`;
}

/** An ended attempt has no temporary folder, and an aborted one no final folder either. */
function keepLeftovers(
  root: string,
  ledger: Ledger,
  { begun, end, now, disk }: Clearing & { readonly end: Entry },
): readonly string[] {
  const { temporary, final } = attemptFolder(root, begun);
  const forbidden = end.kind === 'attempt-aborted' ? [temporary, final] : [temporary];
  if (!forbidden.some((path) => existsSync(path))) return [];
  const { kept, move } = keep(root, begun, forbidden);
  const { serial, attempt } = begun;
  const body = { note: 'leftover kept', certificate: numberOf(begun), kept };
  ledger.append({ kind: 'note', serial, attempt, by: RECOVERY, body }, now, () => {
    move(disk);
  });
  return [
    `Attempt ${attempt} of ${serial} had ended but left files; they are kept in ${kept.join(', ')}.`,
  ];
}
