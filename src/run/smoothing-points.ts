import type { SmoothingPoints } from '../readiness/stored-attempt.js';
import type { FigureSources } from '../certificate/figures.js';
import { rescored, type ScoredWith } from './rescored.js';
import type { StoredRecord } from './stored-record.js';

/**
 * Scores the sweep of the smoothing settings of a record again.
 *
 * @returns Undefined when the record has no value that was read from such a sweep, or none that comes
 * out again.
 * @throws as `rescored`.
 */
export async function smoothingPoints(
  stored: StoredRecord,
  documents: ScoredWith,
): Promise<SmoothingPoints | undefined> {
  const stage = sweepOf(stored, documents);
  if (stage === undefined) return undefined;
  const { sources } = await rescored(stored, documents, (id) => id === stage);
  return pointsIn(sources, stage);
}

function pointsIn(
  { results, stages = [] }: FigureSources,
  stage: string,
): SmoothingPoints | undefined {
  const evidences = results.flatMap(({ outcome }) =>
    outcome.kind === 'measured' && outcome.evidence?.kind === 'smoothing' ? outcome.evidence : [],
  );
  const [first] = evidences;
  if (first === undefined) return undefined;
  const setting = stages
    .find(({ id }) => id === stage)
    ?.reads.find(({ characteristic }) => characteristic === 'lag')?.options['smoothing'];
  return {
    stage,
    points: [...first.points].sort((a, b) => a.setting - b.setting),
    curve: evidences.find(({ curve }) => curve !== undefined)?.curve ?? [],
    ...limitOf(results, 'lag'),
    ...limitOf(results, 'grain'),
    ...(setting === undefined ? {} : { setting }),
  };
}

function limitOf(
  results: FigureSources['results'],
  name: 'lag' | 'grain',
): Pick<SmoothingPoints, 'lag' | 'grain'> {
  const found = results.find(({ limit }) => limit.characteristic === name);
  return found === undefined ? {} : { [name]: found.limit.tolerance };
}

/** The stage with several smoothing settings that reads lag or grain. */
function sweepOf({ record }: StoredRecord, { procedures }: ScoredWith): string | undefined {
  const sweeps = procedures
    .flatMap(({ stages }) => stages)
    .filter(({ takes }) => new Set(takes.map(({ smoothing }) => smoothing)).size > 1)
    .map(({ id }) => id);
  return record.rows.find(({ stage }) => sweeps.includes(stage))?.stage;
}
