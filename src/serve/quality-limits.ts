import { systemClock } from '../base/clock.js';
import { StallmarkError } from '../base/error.js';
import { cloudGeometry } from '../certificate/strip.js';
import { nameOf } from '../people/people.js';
import { previewLimits, type PreviewedRow } from '../readiness/limits-preview.js';
import { DEFAULT_FOLDERS, one, readDocuments, type Documents } from '../run/documents.js';
import { documentReader } from '../run/kept-documents.js';
import { checkLimitsText, differenceOf, textDigest } from '../run/limits-check.js';
import { draftEntry, readDraft, saveDraft } from '../run/limits-draft.js';
import { limitsFiles, type LimitsFile } from '../run/limits-files.js';
import { limitsVocabulary } from '../run/limits-vocabulary.js';
import { recentRecords, type KnownRecords } from '../run/recent-records.js';
import { withLedger } from '../run/stored-record.js';
import type { Change } from './change.js';
import type {
  CheckedLimits,
  DraftSaving,
  EditedLimits,
  ListedLimits,
  MarginRow,
} from './quality-views.js';
import { textIn, wholeIn, type Reading } from './reading.js';
import type { Site } from './site.js';

const QUALITY = ['quality engineer'] as const;

/** Files that a site names, which come first, and the folders of the shipped ones. */
export const pathsOf = ({ bench, procedure, limits }: Site): readonly string[] => [
  ...[bench, procedure, limits].filter((path) => path !== undefined),
  ...DEFAULT_FOLDERS,
];

const keptDocuments = documentReader();

/** The documents of a site, read again only when a file changed. */
export const siteDocuments = (site: Site): Documents => keptDocuments(pathsOf(site));

/** Limits of the site with their text, draft and what may be written in them. */
export const limitsReading: Reading<{ readonly file: string }, EditedLimits> = {
  roles: QUALITY,
  args: (given) => ({ file: given['file'] ?? '' }),
  read: ({ file }, site) => {
    const documents = siteDocuments(site);
    const files = limitsFiles(documents, site.limits, systemClock.now());
    const chosen = chosenFile(files, file);
    const { limits, text } = chosen;
    const procedure = documents.procedures.find(({ id }) => id === limits.procedure);
    const draft = readDraft(site.root, limits.file);
    return {
      files: files.map(listed),
      ...{ file: limits.file, text, digest: textDigest(text) },
      ...(draft === undefined ? {} : { draft: { ...draft, ...savedOf(site, draft.digest) } }),
      vocabulary:
        procedure === undefined
          ? { rows: [], keys: { document: [], procedure: [], limit: [], process: [] }, rules: [] }
          : limitsVocabulary(procedure),
    };
  },
};

function listed({ limits, isInForce }: LimitsFile): ListedLimits {
  const { file, id, title, issue, date } = limits;
  return { file, id, title, issue, date, isInForce };
}

function chosenFile(files: readonly LimitsFile[], file: string): LimitsFile {
  if (file === '') return one(files.slice(0, 1).map(asOne), 'document/mismatch', 'limits').of;
  return one(
    files.filter(({ limits }) => limits.file === file).map(asOne),
    'document/mismatch',
    `file of limits "${file}"`,
  ).of;
}

const asOne = (of: LimitsFile): { readonly file: string; readonly of: LimitsFile } => ({
  file: of.limits.file,
  of,
});

function savedOf(site: Site, digest: string): Pick<NonNullable<EditedLimits['draft']>, 'saved'> {
  const saved = withLedger(site.root, (ledger) => draftEntry(ledger.of(''), digest));
  return saved === undefined ? {} : { saved };
}

export interface Typed {
  readonly file: string;
  readonly text: string;
  readonly last: number;
}

const MOST_ITEMS = 1000;
const known: KnownRecords = new Map();

/** Checks a text as it is typed, says what it changes, and what that does to the last items. */
export const checkLimitsReading: Reading<Typed, CheckedLimits> = {
  roles: QUALITY,
  args: (given) => ({
    file: textIn(given, 'file'),
    text: textIn(given, 'text'),
    last: wholeIn(given, 'last', { least: 1, most: MOST_ITEMS, otherwise: 200 }),
  }),
  read: ({ file, text, last }, site) => {
    const documents = siteDocuments(site);
    const effective = chosenFile(limitsFiles(documents, site.limits, systemClock.now()), file);
    const { problems, limits, unread: rowsUnread } = checkLimitsText(text, file, documents);
    if (limits === undefined) return { problems };
    const lost = new Set(rowsUnread.map(({ row }) => row));
    const changes = differenceOf(effective.limits, limits).filter(
      ({ row }) => row === undefined || !lost.has(row),
    );
    const touched = new Set(changes.flatMap(({ row }) => row ?? []));
    const unchanged = limits.rows.filter(
      ({ stage, characteristic }) => !touched.has(`${stage}.${characteristic}`),
    ).length;
    const serial = documents.procedures.find(({ id }) => id === limits.procedure)?.model.serial;
    const isWanted = (text: string): boolean =>
      serial !== undefined && new RegExp(serial, 'u').test(text);
    const { records, unread } = recentRecords(site.root, last, isWanted, known);
    const { items, changed, rows } = previewLimits(records, effective.limits, limits);
    const preview = { items, unread: unread.length, changed, rows: rows.map(marginRow) };
    return { problems, issue: limits.issue, changes, unread: rowsUnread, unchanged, preview };
  },
};

function marginRow({ row, limit, values, expanded, lost, won }: PreviewedRow): MarginRow {
  const { frame, at } = cloudGeometry(limit, values, expanded);
  return { row, lost, won, frame, at, line: limit.where.line };
}

/** Saves a text of limits as a draft; it decides nothing. */
export const saveLimitsDraft: Change<DraftSaving, { readonly digest: string }> = {
  roles: QUALITY,
  act: 'save a draft of limits',
  fromAfar: true,
  args: draftIn,
  make: ({ file, text, why, seen }, { site, session, ledger, clock }) => {
    const documents = readDocuments(pathsOf(site)); // not what was kept: it may be too old to compare
    const effective = chosenFile(limitsFiles(documents, site.limits, clock.now()), file);
    saveDraft(
      {
        ...{ root: site.root, ledger, by: nameOf(session) },
        ...{ now: clock.now(), effective: effective.text },
      },
      { file, id: effective.limits.id, text, why, seen },
    );
    return { digest: textDigest(text) };
  },
};

function draftIn(given: unknown): DraftSaving {
  const of = (value: unknown, name: string): unknown =>
    typeof value === 'object' && value !== null
      ? (value as Readonly<Record<string, unknown>>)[name]
      : undefined;
  const text = (value: unknown, name: string): string => {
    const found = of(value, name);
    if (typeof found === 'string') return found;
    const what = `The argument "${name}" is missing.`;
    throw new StallmarkError([{ code: 'usage/argument', what, fix: `Give ${name} as a text.` }]);
  };
  const seen = of(given, 'seen');
  return {
    file: text(given, 'file'),
    text: text(given, 'text'),
    why: text(given, 'why'),
    seen: { effective: text(seen, 'effective'), draft: text(seen, 'draft') },
  };
}
