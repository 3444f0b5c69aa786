import { createHash } from 'node:crypto';
import { createReadStream, existsSync } from 'node:fs';
import { join } from 'node:path';
import { StallmarkError } from '../base/error.js';
import type { Capture } from '../capture/capture.js';
import { readCapture } from '../capture/parquet.js';
import { recordText, recordValue, type CertificateTable } from '../certificate/csv-table.js';
import type { FigureSources } from '../certificate/figures.js';
import { verdictPrinted } from '../certificate/printed-verdict.js';
import { RECORD_FILES } from '../certificate/verify.js';
import type { Result, Verdict } from '../decision/decision.js';
import type { Procedure } from '../procedure/procedure.js';
import type { Station } from '../procedure/station.js';
import type { TracedRow } from '../readiness/trace.js';
import { characteristic } from '../scoring/catalogue.js';
import { tellsLater } from '../scoring/context.js';
import type { Score } from '../scoring/scoring.js';
import type { Documents } from './documents.js';
import { stageJudge } from './open-scorer.js';
import type { PlottedRecord } from './plots.js';
import type { StoredRecord } from './stored-record.js';

/** A record whose stored samples were scored again, so that its figures can be drawn. */
export interface Rescored {
  readonly certificate: PlottedRecord;
  readonly sources: FigureSources;
  /** Rows that are not drawn, with the reason: their value did not come out as on the record. */
  readonly withheld: readonly { readonly row: string; readonly sentence: string }[];
  /** What a reader must know of the documents that were used; empty when they are those of the record. */
  readonly notes: readonly string[];
}

/** The documents a record is scored again with. */
export type ScoredWith = Pick<Documents, 'procedures' | 'stations'>;

/**
 * Scores the stored samples of a record again, after the digest of the capture file was compared with
 * the sealed table. Decides nothing anew: limits, U and verdicts are those of the record. A row whose
 * value does not come out again as it stands on the record is withheld, so that no figure shows
 * anything but what the record says.
 *
 * @param only - Stages that are wanted; those that tell later ones something are scored besides. All
 * stages if left out.
 * @throws storage/unreadable when the capture is missing or is not the one of the record;
 * document/mismatch when no procedure or bench of the record is among the documents.
 */
export async function rescored(
  stored: StoredRecord,
  documents: ScoredWith,
  only: (stage: string) => boolean = () => true,
): Promise<Rescored> {
  const { table, record } = stored;
  const { procedure, station, notes } = documentsOf(table, documents);
  const wanted = new Set(
    procedure.stages.filter((stage) => only(stage.id) || tellsLater(stage)).map(({ id }) => id),
  );
  const captures = await capturesOf(stored, (stage) => wanted.has(stage));
  const scores = scoresOf(captures, {
    procedure,
    station,
    ambient: recordValue(table, 'ambient temperature'),
  });
  const rows = record.rows.filter(({ stage }) => only(stage));
  const { results, withheld } = resultsOf(rows, scores);
  const limited = new Set(rows.map(nameOf));
  const others = scores.filter((score) => only(score.stage) && !limited.has(nameOf(score)));
  const { number, revision, serial, attempt, simulated, issued } = table;
  return {
    certificate: { number, revision, serial, attempt, simulated, issued },
    sources: {
      results,
      // Without a limit nothing on the record says what the value was.
      scores: notes.length === 0 ? others : [],
      stages: procedure.stages,
    },
    withheld,
    notes,
  };
}

const nameOf = (place: { readonly stage: string; readonly characteristic: string }): string =>
  `${place.stage}.${place.characteristic}`;

interface Used {
  readonly procedure: Procedure;
  readonly station: Station;
  readonly notes: readonly string[];
}

/** The documents of the record, or those of the same name with a note. */
function documentsOf(table: CertificateTable, { procedures, stations }: ScoredWith): Used {
  const id = recordText(table, 'procedure');
  const digest = recordText(table, 'procedure digest');
  const named = procedures.filter((one) => one.id === id);
  const procedure = named.find((one) => one.digest === digest) ?? named.at(-1);
  const station = stations.find((one) => one.id === table.bench);
  if (procedure === undefined || station === undefined) {
    const missing = procedure === undefined ? `procedure "${id}"` : `bench "${table.bench}"`;
    const what = `${table.number} cannot be drawn: its ${missing} is not among the documents here.`;
    const fix = 'Put the document of the record into the folder of procedures, or name it.';
    throw new StallmarkError([{ code: 'document/mismatch', what, fix }]);
  }
  const other = 'values that come out otherwise than on the record are not drawn';
  return {
    procedure,
    station,
    notes: [
      ...(procedure.digest === digest
        ? []
        : [
            `Scored again with issue ${procedure.issue} of ${id}, which is not the text of the record: ${other}.`,
          ]),
      ...(station.digest === recordText(table, 'bench description digest')
        ? []
        : [`The description of bench ${station.id} was changed since: ${other}.`]),
    ],
  };
}

/** Reads the capture after its digest was compared with the table. @throws storage/unreadable. */
export async function capturesOf(
  { folder, table, record }: StoredRecord,
  only: (stage: string) => boolean,
): Promise<readonly Capture[]> {
  const file = join(folder, RECORD_FILES.capture);
  const refuse = (found: string): StallmarkError => {
    const what = `${table.number} cannot be drawn: ${found}`;
    const fix = `Take ${RECORD_FILES.capture} of ${record.folder} from the backup of the records.`;
    return new StallmarkError([{ code: 'storage/unreadable', what, fix }]);
  };
  if (!existsSync(file)) throw refuse(`${RECORD_FILES.capture} is not there.`);
  if ((await digestOfFile(file)) !== table.captureDigest) {
    throw refuse(`${RECORD_FILES.capture} is not the file that the record was scored from.`);
  }
  return (await readCapture(file, only)).captures;
}

async function digestOfFile(file: string): Promise<string> {
  const hash = createHash('sha256');
  for await (const chunk of createReadStream(file, { highWaterMark: 1 << 20 })) {
    hash.update(chunk as Uint8Array);
  }
  return hash.digest('hex');
}

function scoresOf(
  captures: readonly Capture[],
  setup: {
    readonly procedure: Procedure;
    readonly station: Station;
    readonly ambient: number | undefined;
  },
): readonly Score[] {
  const { procedure, station, ambient } = setup;
  const judge = stageJudge({
    ...{ procedure, station },
    ...(ambient === undefined ? {} : { ambient }),
  });
  return captures.flatMap((capture) => judge.judge(capture).scores);
}

/** Rows of the record with the curves they were read from, where the value came out again. */
function resultsOf(
  rows: readonly TracedRow[],
  scores: readonly Score[],
): Pick<FigureSources, 'results'> & Pick<Rescored, 'withheld'> {
  const byRow = new Map(scores.map((score) => [nameOf(score), score]));
  const results: Result[] = [];
  const withheld: { row: string; sentence: string }[] = [];
  for (const row of rows) {
    const outcome = byRow.get(nameOf(row))?.outcome;
    if (row.value === undefined || outcome?.kind !== 'measured') continue;
    if (!isSame(outcome.value, row.value)) {
      const sentence = `${nameOf(row)} came out as ${outcome.value}, but the record says ${row.value}: not drawn.`;
      withheld.push({ row: nameOf(row), sentence });
      continue;
    }
    results.push(resultOf(row, { ...outcome, value: row.value }));
  }
  return { results, withheld };
}

/** Far below the last digit anybody is shown, far above what another order of sums leaves. */
const SAME = 1e-9;

const isSame = (again: number, stored: number): boolean =>
  Math.abs(again - stored) <= SAME * Math.max(Math.abs(stored), 1e-6);

function resultOf(row: TracedRow, outcome: Result['outcome']): Result {
  const { stage, tolerance, unit, rule, label, side, expanded } = row;
  const where = { file: '', line: 1, column: 1, length: 0 };
  return {
    limit: {
      ...{ stage, characteristic: row.characteristic },
      ...{ tolerance, unit, rule, label, where },
    },
    name: label,
    side: characteristic(row.characteristic)?.side ?? side,
    outcome,
    expanded,
    verdict: verdictOf(row),
  };
}

/** What the record concluded. */
function verdictOf({ verdict, invalid }: TracedRow): Verdict {
  const validity = { 'not-run': 'not run', invalid: 'invalid', valid: 'valid' }[invalid ?? 'valid'];
  return verdictPrinted(validity, verdict, verdict) ?? { outcome: 'invalid', reasons: [verdict] };
}
