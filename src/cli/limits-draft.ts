import { readFileSync } from 'node:fs';
import { systemClock } from '../base/clock.js';
import { EXIT } from '../base/codes.js';
import { StallmarkError, throwIfAny, type Problem } from '../base/error.js';
import { isNote, problemsAsText } from '../base/report.js';
import { openLedger, type LedgerFile } from '../ledger/sqlite.js';
import { roleProblems } from '../people/session.js';
import { decodeText } from '../procedure/yaml.js';
import { DEFAULT_FOLDERS, displayName, readDocuments, type Documents } from '../run/documents.js';
import { checkLimitsText, textDigest } from '../run/limits-check.js';
import { draftFile, readDraft, saveDraft, withdrawDraft } from '../run/limits-draft.js';
import { effectiveLimits, limitsFiles, type LimitsFile } from '../run/limits-files.js';
import { ledgerFile } from '../run/places.js';
import type { Terminal } from './terminal.js';
import { actorFor, type ActorOptions } from './who.js';

/** Options of `limits draft` and `limits withdraw`. */
export interface DraftOptions extends ActorOptions {
  readonly data: string;
  readonly why: string;
  /** File of the limits in force; those of the same id by default. */
  readonly against?: string;
  /** Digest, or its first twelve characters, of the draft that is known and given up. */
  readonly over?: string;
  readonly json?: true;
}

/** What is in force, and what else may be written about. */
interface Effective {
  readonly documents: Documents;
  readonly of: (id: string) => LimitsFile;
}

/**
 * Saves a file as the draft of limits, as the page does: byte by byte, with a reason, entered. It
 * decides nothing, and may have problems; they are told.
 *
 * @throws limits/overtaken when there is a draft already that --over does not name; usage/argument,
 * people/*, storage/*, yaml/unreadable.
 */
export async function draftLimits(
  file: string,
  options: DraftOptions,
  to: Terminal,
): Promise<number> {
  const text = textOf(file);
  const { documents, of } = effectiveOf(options);
  const { limits, problems } = checkLimitsText(text, displayName(file), documents);
  const { limits: before, text: effective } = of(limits?.id ?? idIn(text));
  const { data: root, why, over = '' } = options;
  await asEngineer(options, 'save a draft of limits', to, (ledger, by) => {
    const seen = { effective: textDigest(effective), draft: meant(over, root, before.file) };
    const saved = { file: before.file, id: before.id, text, why, seen };
    saveDraft({ root, ledger, by, now: systemClock.now(), effective }, saved);
  });
  const path = draftFile(root, before.file);
  const digest = textDigest(text);
  const grave = problems.filter((problem) => !isNote(problem));
  if (options.json === true) {
    to.out(JSON.stringify({ id: before.id, draft: path, digest, problems }, null, 2));
    return EXIT.conforming;
  }
  to.out(`Draft of ${before.id} saved as ${path}, SHA-256 ${digest}.`);
  for (const line of toldOf(grave, text)) to.out(line);
  to.out('A draft decides nothing: items are tested to the limits in force.');
  return EXIT.conforming;
}

/** Takes the draft of limits away; the ledger tells who did so, and why. */
export async function withdrawLimits(
  id: string,
  options: DraftOptions,
  to: Terminal,
): Promise<number> {
  const { limits } = effectiveOf(options).of(id);
  const { data: root, why } = options;
  const seen = readDraft(root, limits.file)?.digest;
  if (seen === undefined) {
    const what = `There is no draft of ${id} in ${root}.`;
    const fix = 'Name the folder of records where it was saved with --data.';
    throw new StallmarkError([{ code: 'usage/argument', what, fix }]);
  }
  await asEngineer(options, 'withdraw a draft of limits', to, (ledger, by) => {
    const now = systemClock.now();
    withdrawDraft({ root, ledger, by, now }, { file: limits.file, id: limits.id, why, seen });
  });
  if (options.json === true) to.out(JSON.stringify({ id: limits.id, digest: seen }, null, 2));
  else to.out(`The draft of ${limits.id} is withdrawn; it had SHA-256 ${seen}.`);
  return EXIT.conforming;
}

async function asEngineer(
  options: DraftOptions,
  act: string,
  to: Terminal,
  change: (ledger: LedgerFile, by: string) => void,
): Promise<void> {
  const ledger = openLedger(ledgerFile(options.data));
  try {
    const actor = await actorFor({ role: 'quality engineer', ...options }, ledger, to);
    throwIfAny(roleProblems(actor, ['quality engineer'], act));
    change(ledger, actor.by);
  } finally {
    ledger.close();
  }
}

function textOf(file: string): string {
  try {
    return decodeText(readFileSync(file), displayName(file));
  } catch (cause) {
    if (cause instanceof StallmarkError) throw cause;
    const what = `"${file}" cannot be read: ${String(cause)}.`;
    const fix = 'Check the name and the rights of the file.';
    throw new StallmarkError([{ code: 'storage/unreadable', what, fix }], { cause });
  }
}

function effectiveOf({ against }: DraftOptions): Effective {
  const named = against === undefined ? [] : [against];
  const documents = readDocuments([...named, ...DEFAULT_FOLDERS]);
  throwIfAny(documents.problems);
  const files = limitsFiles(documents, against, systemClock.now());
  return { documents, of: (id) => effectiveLimits(files, id) };
}

/** The id of a text that cannot be read as limits; empty when it says none. */
const idIn = (text: string): string => /^limits:\s*["']?([^\s"'#]+)/mu.exec(text)?.[1] ?? '';

/** Characters of a digest that name a draft. */
const SHORT = 12;

/** The whole digest of the draft that a person means. */
function meant(over: string, root: string, file: string): string {
  const there = readDraft(root, file)?.digest ?? '';
  return over.length >= SHORT && there.startsWith(over) ? there : over;
}

function toldOf(grave: readonly Problem[], text: string): readonly string[] {
  if (grave.length === 0) return [];
  return [`To be corrected before an approval:`, problemsAsText(grave, () => text)];
}
