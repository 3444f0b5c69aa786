import { StallmarkError, type Problem } from '../base/error.js';
import type { Phase } from './nest-view.js';

/** What a page asked for at a time when it means nothing. */
export function notNow(command: string): Problem {
  const what = `"${command}" is not possible at this moment.`;
  return { code: 'page/not-now', what, fix: 'Look at the page: it shows what can be done now.' };
}

/** The item on its way belongs to somebody else. */
export function another(person: string): Problem {
  const what = `The item in the nest is being tested by ${person}.`;
  return { code: 'page/held', what, fix: 'Let that person finish, or stop the test.' };
}

/** Somebody stopped the run. */
export const stopped = (who: string): Problem => ({
  code: 'run/stopped',
  what: `${who} stopped the run.`,
  fix: 'Begin a new attempt when ready.',
});

/** @param silence - ms since the last sign of life. */
export const pageLost = (silence: number): Problem => ({
  code: 'run/page-lost',
  what: `The page that held the nest gave no sign of life for ${(silence / 1000).toFixed(1)} s, so torque was taken away.`,
  fix: 'Look at the stand, then scan the item again.',
});

/** What is known of an attempt when it ended. */
export interface Left {
  /** Whether it counts. */
  readonly isBegun: boolean;
  /** Index of the stage that was being played; absent before the first. */
  readonly stage: number | undefined;
  /** ms since the Unix epoch. */
  readonly at: number;
}

/** How an attempt ended that gave no record. */
export function endedBy(error: unknown, { isBegun, stage, at }: Left): Phase {
  const left = { kind: 'ended', at, ...(stage === undefined ? {} : { stage }) } as const;
  if (!(error instanceof StallmarkError)) {
    const fix = 'Report this to the makers of Stallmark; the bench was made safe.';
    const defect: Problem = { code: 'run/defect', what: String(error), fix };
    return { ...left, how: 'broken off', problems: [defect] };
  }
  const { problems } = error;
  return { ...left, how: howOf(problems[0].code, isBegun), problems };
}

function howOf(
  code: Problem['code'],
  isBegun: boolean,
): Extract<Phase, { readonly kind: 'ended' }>['how'] {
  if (code === 'run/stopped') return 'stopped';
  if (code === 'run/page-lost') return 'page lost';
  return isBegun ? 'broken off' : 'refused';
}
