import { StallmarkError, type Problem } from '../base/error.js';
import { sha256 } from '../base/canonical.js';
import { RULES } from '../decision/rules.js';
import {
  limitsDifference,
  type LimitChange,
  type UnreadRow,
} from '../procedure/limits-difference.js';
import type { Limits } from '../procedure/limits.js';
import type { Procedure } from '../procedure/procedure.js';
import { readLimits } from '../procedure/schema.js';
import type { Station } from '../procedure/station.js';
import { CATALOGUE, type Documents } from './documents.js';
import { checkPlan } from './plan.js';

/** What a text of limits was found to be. */
export interface LimitsFinding {
  /** As `stallmark check` tells them, but for the approval, which a draft cannot have. */
  readonly problems: readonly Problem[];
  /** Absent when the text cannot be read as limits; without the rows that cannot be read. */
  readonly limits?: Limits;
  /** Rows that were left out because they cannot be read. */
  readonly unread: readonly UnreadRow[];
  readonly procedure?: Procedure;
}

/** The documents a text of limits is held against. */
export type HeldAgainst = Pick<Documents, 'procedures' | 'stations'>;

/**
 * Checks a text of limits that lies in no file yet, or not as it lies there: the same problems at the
 * same places as `stallmark check` finds in the file.
 *
 * @param file - Name that places carry.
 */
export function checkLimitsText(
  text: string,
  file: string,
  { procedures, stations }: HeldAgainst,
): LimitsFinding {
  const limits = readOrProblems(text, file);
  if (!('id' in limits)) return limits;
  const own = procedures.filter(({ id }) => id === limits.procedure);
  const procedure = own.find(({ issue }) => issue === limits.procedureIssue) ?? own[0];
  const [station] = stations;
  if (procedure === undefined || station === undefined) {
    return { problems: [noPartner(limits, procedure, station)], limits, unread: [] };
  }
  const problems = checkPlan({ procedure, limits, station }, CATALOGUE);
  return { problems, limits, procedure, unread: [] };
}

function readOrProblems(text: string, file: string): Limits | LimitsFinding {
  try {
    return readLimits(text, file);
  } catch (error) {
    if (!(error instanceof StallmarkError)) throw error;
    return withoutRows(text, file, error.problems);
  }
}

const ROW = /^ {1,3}([a-z][a-z0-9-]*\.[a-z][a-z0-9-]*):/u;

/** Reads the rest when every problem stands in a row: one wrong row hides no other. */
function withoutRows(text: string, file: string, problems: readonly Problem[]): LimitsFinding {
  const wrong = new Set(problems.map(({ where }) => where?.line ?? 0));
  const lines = text.split('\n');
  const unread = [...wrong].flatMap((line): readonly UnreadRow[] => {
    const row = ROW.exec(lines[line - 1] ?? '')?.[1];
    return row === undefined ? [] : [{ row, line }];
  });
  if (unread.length < wrong.size) return { problems, unread: [] };
  const rest = lines.map((line, i) => (wrong.has(i + 1) ? '' : line)).join('\n');
  try {
    return { problems, unread, limits: readLimits(rest, file) };
  } catch (error) {
    if (!(error instanceof StallmarkError)) throw error;
    return { problems, unread: [] }; // the problems of the whole text are told
  }
}

function noPartner(
  limits: Limits,
  procedure: Procedure | undefined,
  station: Station | undefined,
): Problem {
  const where = { file: limits.file, line: 1, column: 1, length: 0 };
  const missing =
    procedure === undefined
      ? `procedure "${limits.procedure}" that they belong to`
      : station === undefined
        ? 'bench description'
        : 'partner';
  const what = `The limits cannot be held against anything: there is no ${missing}.`;
  return { code: 'document/mismatch', where, what, fix: 'Name a procedure that is there.' };
}

/** Changes between two issues of limits, the strictness of rules after their table. */
export const differenceOf = (before: Limits, after: Limits): readonly LimitChange[] =>
  limitsDifference(before, after, (rule) => RULES[rule].accept);

/** Tells one text of a file from another. */
export const textDigest = (text: string): string => sha256(new TextEncoder().encode(text));
