import {
  closeSync,
  existsSync,
  fsyncSync,
  mkdirSync,
  openSync,
  readFileSync,
  renameSync,
  rmSync,
  writeSync,
} from 'node:fs';
import { basename, join } from 'node:path';
import { StallmarkError, type Problem } from '../base/error.js';
import type { Entry, Ledger } from '../ledger/ledger.js';
import { MOST_CHARACTERS } from '../procedure/yaml.js';
import { textDigest } from './limits-check.js';

/** Folder of drafts in a folder of records: no document is ever read from there. */
const DRAFTS = 'drafts';

/** What an entry of a draft says was changed. */
const WHAT = 'limits draft';

/** A draft as it lies there. */
export interface Draft {
  readonly text: string;
  /** SHA-256 of the text. */
  readonly digest: string;
}

/** Where the draft of a file of limits lies. */
export const draftFile = (root: string, file: string): string => join(root, DRAFTS, basename(file));

/** Reads the draft of a file of limits; undefined when there is none. */
export function readDraft(root: string, file: string): Draft | undefined {
  const path = draftFile(root, file);
  if (!existsSync(path)) return undefined;
  const text = readFileSync(path, 'utf8');
  return { text, digest: textDigest(text) };
}

/** What a person saves. */
export interface SavedDraft {
  /** File of the limits in force. */
  readonly file: string;
  /** Id of the limits. */
  readonly id: string;
  readonly text: string;
  readonly why: string;
  /** Digests of the two texts that the person had seen; '' where there was no draft. */
  readonly seen: { readonly effective: string; readonly draft: string };
}

/** Where a draft is saved, by whom and when. */
export interface Saving {
  readonly root: string;
  readonly ledger: Ledger;
  readonly by: string;
  /** ms since the Unix epoch. */
  readonly now: number;
  /** Text of the limits in force at this moment. */
  readonly effective: string;
}

/**
 * Saves a draft as it was typed, byte by byte, and enters who saved what in the place of what and why.
 * Both or neither. A draft may have problems; it decides nothing until it is approved.
 *
 * @throws limits/overtaken when the limits in force or the draft are no longer those that were seen;
 * usage/argument without a reason or for a text beyond 1 000 000 characters; ledger/*, storage/*.
 */
export function saveDraft(saving: Saving, saved: SavedDraft): Entry {
  refuseUnfit(saved);
  const { root, ledger, by, now } = saving;
  const to = textDigest(saved.text);
  return ledger.append(
    () => {
      refuseOvertaken(saving, saved);
      const from = readDraft(root, saved.file)?.digest ?? null;
      const body = {
        what: WHAT,
        ...{ id: saved.id, file: basename(saved.file), from, to, why: saved.why },
        effective: saved.seen.effective,
      };
      return { kind: 'changed', serial: '', attempt: 0, by, body };
    },
    now,
    () => {
      write(root, saved);
    },
  );
}

/**
 * Takes a draft away and enters who withdrew what and why; the ledger keeps its digest.
 *
 * @throws limits/overtaken when there is no draft, or another than the one that was seen;
 * usage/argument without a reason; ledger/*, storage/*.
 */
export function withdrawDraft(
  { root, ledger, by, now }: Omit<Saving, 'effective'>,
  { file, id, why, seen }: Omit<SavedDraft, 'text' | 'seen'> & { readonly seen: string },
): Entry {
  refuseWithout(why);
  return ledger.append(
    () => {
      const from = readDraft(root, file)?.digest ?? '';
      if (from === '' || from !== seen) {
        throw new StallmarkError([overtaken(`The draft of ${basename(file)}`, seen, from)]);
      }
      const body = { what: WHAT, id, file: basename(file), from, to: null, why };
      return { kind: 'changed', serial: '', attempt: 0, by, body };
    },
    now,
    () => {
      onDisk(draftFile(root, file), (path) => {
        rmSync(path);
      });
    },
  );
}

/** Who saved the draft of this digest, as entries tell; undefined when none does. */
export function draftEntry(
  entries: readonly Entry[],
  digest: string,
): { readonly by: string; readonly at: string; readonly why: string } | undefined {
  const entry = entries.findLast(
    ({ kind, body }) => kind === 'changed' && body['what'] === WHAT && body['to'] === digest,
  );
  if (entry === undefined) return undefined;
  const why = entry.body['why'];
  return { by: entry.by, at: entry.at, why: typeof why === 'string' ? why : '' };
}

function refuseWithout(why: string): void {
  if (why.trim() !== '') return;
  const what = 'A draft of limits is saved or withdrawn only with a reason.';
  throw refused('usage/argument', what, 'Say why.');
}

function refuseUnfit({ why, text }: SavedDraft): void {
  refuseWithout(why);
  if (text.length > MOST_CHARACTERS) {
    const what = `The draft has ${text.length} characters, at most ${MOST_CHARACTERS} are read.`;
    throw refused('usage/argument', what, 'Shorten the text.');
  }
}

function refuseOvertaken({ root, effective }: Saving, { file, seen }: SavedDraft): void {
  const now = { effective: textDigest(effective), draft: readDraft(root, file)?.digest ?? '' };
  const problems: Problem[] = [];
  if (now.effective !== seen.effective)
    problems.push(
      overtaken(`The limits in force, ${basename(file)},`, seen.effective, now.effective),
    );
  if (now.draft !== seen.draft)
    problems.push(overtaken(`The draft of ${basename(file)}`, seen.draft, now.draft));
  const [first, ...rest] = problems;
  if (first !== undefined) throw new StallmarkError([first, ...rest]);
}

function overtaken(subject: string, seen: string, now: string): Problem {
  const name = (digest: string): string => (digest === '' ? 'nothing' : digest.slice(0, 12));
  return {
    code: 'limits/overtaken',
    what: `${subject} changed meanwhile: you saw ${name(seen)}, there is ${name(now)} now.`,
    fix: 'Compare both texts, take over what you want to keep, then save again.',
  };
}

function write(root: string, { file, text }: SavedDraft): void {
  onDisk(draftFile(root, file), (path) => {
    mkdirSync(join(root, DRAFTS), { recursive: true });
    const handle = openSync(`${path}.new`, 'w');
    try {
      writeSync(handle, text);
      fsyncSync(handle);
    } finally {
      closeSync(handle);
    }
    renameSync(`${path}.new`, path);
  });
}

function onDisk(path: string, change: (path: string) => void): void {
  try {
    change(path);
  } catch (cause) {
    const what = `The draft ${path} could not be changed: ${String(cause)}.`;
    const fix = 'Make room or give the folder of records rights to be written to.';
    throw new StallmarkError([{ code: 'storage/unwritable', what, fix }], { cause });
  }
}

const refused = (code: Problem['code'], what: string, fix: string): StallmarkError =>
  new StallmarkError([{ code, what, fix }]);
