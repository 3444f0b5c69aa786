import { dayAt } from '../base/calendar.js';
import type { Problem } from '../base/error.js';
import { nameOf, type Session, type Training } from './people.js';

/** The procedure that is to be run, as training names it. */
export interface Trained {
  readonly id: string;
  readonly issue: number;
}

/**
 * Says why a person may not run a procedure now; looking at it needs no training. A newer issue needs
 * new training unless the entry names a range of issues, and training counts through its last day.
 *
 * @param now - ms since the Unix epoch, the start of the attempt.
 * @returns Empty when one entry fits, and for a name that was only stated.
 *
 * Check: tests/unit/training.test.ts.
 */
export function trainingProblems(
  session: Session,
  procedure: Trained,
  now: number,
): readonly Problem[] {
  if (session.means === 'stated') return [];
  const today = dayAt(now, session.zone);
  const about = session.training.filter((t) => t.procedure === procedure.id);
  if (about.some((t) => isFor(t, procedure.issue) && t.on <= today && today <= t.until)) return [];
  const found = about.length === 0 ? 'no training on it' : about.map(words).join('; ');
  const what = `${nameOf(session)} may view but not run ${procedure.id} issue ${procedure.issue} on ${today}: ${found}.`;
  const fix = `Train the person and enter it: stallmark people train ${session.id}.`;
  return [{ code: 'people/training', what, fix }];
}

const isFor = ({ issue, toIssue }: Training, wanted: number): boolean =>
  issue <= wanted && wanted <= toIssue;

function words({ issue, toIssue, on, until }: Training): string {
  const issues = issue === toIssue ? `issue ${issue}` : `issues ${issue} to ${toIssue}`;
  return `trained on ${issues} from ${on} until ${until}`;
}
