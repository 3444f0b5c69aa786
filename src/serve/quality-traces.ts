import { StallmarkError } from '../base/error.js';
import { SIMULATED_MARK } from '../certificate/certificate.js';
import { plotsOf } from '../certificate/figures.js';
import { openRuler, writeSvg } from '../certificate/svg.js';
import { instant } from '../certificate/words.js';
import type { FoundAttempt, StoredTrace, TraceWish } from '../readiness/stored-attempt.js';
import type { FoundLine, Searching } from '../ledger/search-line.js';
import { rescored, type Rescored } from '../run/rescored.js';
import { searchBriefly } from '../run/search-records.js';
import { smoothingPoints } from '../run/smoothing-points.js';
import { storedRecord, type StoredRecord } from '../run/stored-record.js';
import { storedTrace } from '../run/stored-trace.js';
import { siteDocuments } from './quality-limits.js';
import type { RecordRows, RowFigure, SmoothingOf, Which } from './quality-views.js';
import { textIn, wholeIn, type Given, type Reading } from './reading.js';

const READERS = ['quality engineer', 'maintenance', 'auditor'] as const;

/** Attempts that are listed at most. */
const MOST_ATTEMPTS = 100;

/** The last attempts that ended, or those whose serial or number has a text in it. */
export const attemptsReading: Reading<
  { readonly find: string },
  Searching<readonly FoundAttempt[]>
> = {
  roles: READERS,
  args: (given) => ({ find: (given['find'] ?? '').trim() }),
  read: ({ find }, site) =>
    searchBriefly(site.root, (lookup) =>
      lookup
        .find(find === '' ? {} : { text: find }, 0, MOST_ATTEMPTS)
        .lines.flatMap((line) => attemptIn(line)),
    ),
};

function attemptIn(line: FoundLine): readonly FoundAttempt[] {
  const { kind, serial, attempt, certificate: number, by, reason, word, ended } = line;
  if (kind === 'refused' || ended === undefined) return [];
  const common = { serial, attempt, number, at: ended, by, reason };
  return [WORDS.has(word) ? { ...common, verdict: word } : common];
}

/** What an attempt with a record is called; one that was broken off left none. */
const WORDS: ReadonlySet<string> = new Set(['ACCEPT', 'REJECT', 'HOLD']);

const which = (given: Given): Which => ({
  serial: textIn(given, 'serial'),
  number: textIn(given, 'number'),
});

/** Rows of a record. Its samples are not touched. */
export const rowsReading: Reading<Which, RecordRows> = {
  roles: READERS,
  args: which,
  read: (wanted, site) => {
    const { record } = storedRecord(site.root, wanted);
    const { serial, number, attempt, verdict } = record;
    const rows = record.rows.map(({ stage, characteristic, label, unit, verdict: word }) => ({
      ...{ stage, characteristic, label },
      ...{ unit: unit.symbol, verdict: word },
    }));
    return { serial, number, attempt, verdict, rows };
  },
};

/** Draws a row of a record from its stored samples, with its construction lines. */
export const figureReading: Reading<Which & { readonly row: string }, RowFigure> = {
  roles: READERS,
  args: (given) => ({ ...which(given), row: textIn(given, 'row') }),
  read: async ({ row, ...wanted }, site) => {
    const stored = storedRecord(site.root, wanted);
    const [stage = '', characteristic = ''] = row.split('.');
    const again = await rescored(stored, siteDocuments(site), (id) => id === stage);
    return figureOf(again, stage, characteristic);
  },
};

async function figureOf(
  { sources, withheld, notes, certificate }: Rescored,
  stage: string,
  characteristic: string,
): Promise<RowFigure> {
  const plot = plotsOf(sources).find(
    (one) => one.stage === stage && one.characteristic === characteristic,
  );
  const held = withheld.find(({ row }) => row === `${stage}.${characteristic}`);
  if (plot === undefined) {
    const words =
      held?.sentence ?? 'This value was read without a curve: there is nothing to draw.';
    return { alternative: words, words, notes };
  }
  const { number, revision, serial, attempt, issued, simulated } = certificate;
  const item = `Item ${serial}, attempt ${attempt}, record ${number} rev ${revision}, ${instant(issued)}. The sealed record counts, not this plot.`;
  const mark = simulated ? SIMULATED_MARK : undefined;
  const svg = writeSvg(plot.figure, { lines: [plot.words, item], mark }, await openRuler());
  return { svg, alternative: plot.figure.alternative, words: plot.words, notes };
}

/** A stage of a record as it was stored, for laying several over each other. */
export const traceReading: Reading<Which & TraceWish, StoredTrace> = {
  roles: READERS,
  args: (given) => ({
    ...which(given),
    stage: textIn(given, 'stage'),
    take: wholeIn(given, 'take', { least: 0, most: 1000, otherwise: 0 }),
    ...secondsIn(given, 'from'),
    ...secondsIn(given, 'to'),
  }),
  read: ({ serial, number, ...wish }, site) =>
    storedTrace(storedRecord(site.root, { serial, number }), wish),
};

function secondsIn(given: Given, name: 'from' | 'to'): Partial<Record<'from' | 'to', number>> {
  const text = given[name];
  if (text === undefined || text === '') return {};
  const value = Number(text);
  if (Number.isFinite(value) && value >= 0) return { [name]: value };
  const what = `The argument "${name}" is "${text}".`;
  const fix = 'Give seconds since the start of the take.';
  throw new StallmarkError([{ code: 'usage/argument', what, fix }]);
}

/** Scored once for each record: records never change. */
const sweeps = new Map<string, SmoothingOf>();
const MOST_SWEEPS = 200;

/** Lag against grain, setting by setting. */
export const smoothingReading: Reading<Which, SmoothingOf> = {
  roles: READERS,
  args: which,
  read: async (wanted, site) => {
    const stored = storedRecord(site.root, wanted);
    const before = sweeps.get(keyOf(stored));
    if (before !== undefined) return before;
    const sweep = await smoothingPoints(stored, siteDocuments(site));
    const { verdict } = stored.record;
    const found = { ...wanted, verdict, ...(sweep === undefined ? {} : { sweep }) };
    if (sweeps.size >= MOST_SWEEPS) sweeps.clear();
    sweeps.set(keyOf(stored), found);
    return found;
  },
};

const keyOf = ({ folder, table }: StoredRecord): string => `${folder} ${table.captureDigest}`;
