import type { Ratings } from '../bench/bench.js';
import type { Stage } from '../procedure/procedure.js';
import { characteristic } from '../scoring/catalogue.js';

/**
 * Says why a stage cannot be played for want of a channel that a bench may lack. Such a stage is not
 * run, so its rows are never accepted.
 *
 * What a bench must have is another matter: without it readiness refuses the whole run.
 */
export function whyNotPlayed(stage: Stage, ratings: Ratings): string | undefined {
  const isSound = ({ characteristic: id }: Stage['reads'][number]): boolean =>
    characteristic(id)?.side === 'acoustic';
  if (stage.reads.length === 0 || !stage.reads.every(isSound)) return undefined;
  return ratings.channels.includes('sound') ? undefined : 'the bench has no microphone';
}
