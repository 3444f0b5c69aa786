import { isNonEmpty } from '../base/numbers.js';
import type { Problem } from '../base/error.js';
import { isNote } from '../base/report.js';
import type { PartialTest } from '../certificate/certificate.js';
import { recordText } from '../certificate/csv-table.js';
import type { Result } from '../decision/decision.js';
import type { Entry, Ledger } from '../ledger/ledger.js';
import type { Procedure, Stage } from '../procedure/procedure.js';
import { calibrationAt } from '../readiness/equipment.js';
import { stagesPlayed } from '../readiness/partial-stages.js';
import { isOfBench } from '../readiness/reference.js';
import { readReferenceEntry } from '../readiness/reference-entry.js';
import { reworkSince } from '../readiness/release.js';
import { scopeProblems, type ReleasedScope } from '../readiness/rework-scope.js';
import { carriedRows } from './carried.js';
import { CATALOGUE, type Chosen } from './documents.js';
import { earlierRecord, TEST_IN_FULL, type EarlierRecord, type Records } from './earlier-record.js';
import { checkStages } from './plan.js';
import { SOFTWARE } from './software.js';

/** A retest of some stages that nothing stands against. */
export interface PartialRetest extends PartialTest {
  readonly carried: readonly Result[];
  /** SHA-256 of the firmware that the earlier record was made with. */
  readonly firmwareDigest: string;
}

/** A partial retest that somebody asks for or that a release names. */
export interface PartialAsk {
  readonly serial: string;
  readonly scope: Extract<ReleasedScope, { readonly kind: 'stages' }>;
  /** Entries of the serial, oldest first, up to and with the release when it is entered. */
  readonly history: readonly Entry[];
  /** Components of the rework that is about to be entered; none when it is. */
  readonly replaced: readonly string[];
}

/** What a partial retest is judged with. */
export interface Judging extends Records {
  readonly documents: Pick<Chosen, 'procedure' | 'limits' | 'station'>;
  readonly ledger: Pick<Ledger, 'entries'>;
  readonly simulated: boolean;
}

export type Judged =
  | { readonly kind: 'partial'; readonly retest: PartialRetest }
  | { readonly kind: 'refused'; readonly problems: readonly Problem[] };

/**
 * Judges a retest of some stages: what the rework may have touched is played, the stages fit together,
 * and every other row stands on a sealed record of the same procedure, limits, bench and program.
 *
 * Asked before the release is entered and again before each attempt under it: documents, records and
 * reference checks may have changed meanwhile.
 *
 * @returns What to play and what is carried over, or every reason against it.
 */
export async function judgePartial(ask: PartialAsk, given: Judging): Promise<Judged> {
  const { scope, history } = ask;
  const { procedure, limits } = given.documents;
  const played = stagesPlayed(scope.stages, procedure.stages);
  const found = await earlierRecord(scope.record, history, given);
  const since = found.kind === 'found' ? found.record.entry : 0;
  const rework = reworkSince(history, since);
  const replaced = [...new Set([...rework.replaced, ...ask.replaced])];
  const problems = [
    ...scopeProblems(scope, replaced, procedure),
    ...(replaced.length === 0 ? [refuse('Nothing was replaced since that record.')] : []),
    ...rework.untold.map(untold),
    ...planProblems(played, given.documents),
  ];
  if (found.kind === 'refused') {
    return { kind: 'refused', problems: [...problems, ...found.problems] };
  }
  const { record } = found;
  const carried = carriedRows(record, limits, played);
  problems.push(
    ...sameProblems(record, ask.serial, given),
    ...suspectProblems(record, given),
    ...carried.problems,
  );
  if (problems.length > 0) return { kind: 'refused', problems };
  const { number, digest } = record;
  const firmwareDigest = recordText(record.table, 'item firmware digest');
  const test = { stages: scope.stages, played, replaced, record: number, digest };
  return { kind: 'partial', retest: { ...test, carried: carried.results, firmwareDigest } };
}

/** A procedure with only the stages of a partial retest. */
export function partOf(procedure: Procedure, played: readonly string[]): Procedure {
  const stages: readonly Stage[] = procedure.stages.filter(({ id }) => played.includes(id));
  if (!isNonEmpty(stages)) throw new Error('a partial retest of no stage was let through');
  return { ...procedure, stages };
}

/** One sentence for the certificate. */
export function partialSentence(retest: PartialRetest): string {
  const { stages, played, replaced, carried } = retest;
  const records = [...new Set(carried.map(({ carriedFrom }) => carriedFrom))].join(', ');
  const others = records === '' ? 'no other rows' : `other rows from record ${records}`;
  const added = played.filter((id) => !stages.includes(id));
  const besides = added.length === 0 ? '' : ` (with ${added.join(', ')}, on which they depend)`;
  return `Partial retest after rework (replaced: ${replaced.join(', ')}): stages ${stages.join(', ')}${besides}; ${others}.`;
}

/** Firmware that nobody entered as replaced leaves no row as it was. */
export function firmwareProblems(
  { record, firmwareDigest }: Pick<PartialRetest, 'record' | 'firmwareDigest'>,
  found: string,
): readonly Problem[] {
  if (found === firmwareDigest) return [];
  const what = `The device has other firmware (${found.slice(0, 8)}…) than in record ${record} (${firmwareDigest.slice(0, 8)}…), though no rework says so.`;
  return [refuse(what)];
}

const refuse = (what: string): Problem => ({ code: 'serial/state', what, fix: TEST_IN_FULL });

const untold = (entry: number): Problem =>
  refuse(`Entry ${String(entry)} ended a rework without saying what was replaced.`);

/** Some stages alone may heat the winding more than all of them. */
function planProblems(
  played: readonly string[],
  { procedure, station }: Judging['documents'],
): readonly Problem[] {
  if (played.length === 0) return [];
  const part = { procedure: partOf(procedure, played), station };
  return checkStages(part, CATALOGUE).filter((problem) => !isNote(problem));
}

/** Everything that must be the same in both records, so that one page can speak for all rows. */
function sameProblems(record: EarlierRecord, serial: string, given: Judging): readonly Problem[] {
  const { procedure, limits, station } = given.documents;
  const { table, number } = record;
  const same: readonly (readonly [name: string, then: string, now: string])[] = [
    ['procedure', recordText(record.table, 'procedure digest'), procedure.digest],
    ['limits', recordText(record.table, 'limits digest'), limits.digest],
    ['bench description', recordText(record.table, 'bench description digest'), station.digest],
    ['scoring', recordText(record.table, 'scoring version'), SOFTWARE.scoring],
  ];
  const changed = same
    .filter(([, then, now]) => then !== now)
    .map(([name, then, now]) => otherThan(number, name, then, now));
  const isOther = table.serial !== serial || table.simulated !== given.simulated;
  return [
    ...changed,
    ...(isOther ? [refuse(`Record ${number} is of ${table.serial}, not of this item here.`)] : []),
    ...equipmentProblems(record, given),
  ];
}

function otherThan(record: string, name: string, then: string, now: string): Problem {
  const what = `Record ${record} was made with another ${name} (${then.slice(0, 8)}) than counts now (${now.slice(0, 8)}): its rows do not stand beside new ones.`;
  return { code: 'document/mismatch', what, fix: TEST_IN_FULL };
}

/** The page names one calibration for each instrument. Whether there is one at all, readiness judges. */
function equipmentProblems(
  { table, number }: EarlierRecord,
  { documents, now }: Judging,
): readonly Problem[] {
  const used = table.rows
    .filter(({ section, item }) => section === 'equipment' && item === 'calibration certificate')
    .map(({ text }) => text ?? '');
  const { register, zone } = documents.station;
  return register.flatMap((instrument): readonly Problem[] => {
    const inForce = calibrationAt(instrument, now, zone);
    if (inForce.kind !== 'one' || used.includes(inForce.calibration.certificate)) return [];
    const what = `${instrument.id} has calibration ${inForce.calibration.certificate} now, which record ${number} does not name.`;
    return [{ code: 'document/mismatch', what, fix: TEST_IN_FULL }];
  });
}

/** A reference item that was found off next after the record makes what was measured then suspect. */
function suspectProblems(record: EarlierRecord, given: Judging): readonly Problem[] {
  const judged = new Set<string>();
  const problems: Problem[] = [];
  for (const entry of given.ledger.entries()) {
    if (entry.number < record.table.anchor.entry) continue;
    const checked = readReferenceEntry(entry);
    if (checked === undefined || !isOfBench(checked, given.documents.station)) continue;
    if (judged.has(checked.item)) continue;
    judged.add(checked.item);
    if (checked.ok) continue;
    const what = `Record ${record.number} is suspect: reference item ${checked.item} was found off next after it (entry ${String(entry.number)}).`;
    problems.push(refuse(what));
  }
  return problems;
}
