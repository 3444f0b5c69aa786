import type { Problem } from '../base/error.js';
import type { Role } from '../people/people.js';
import { inRoles, roleProblems, sessionProblems } from '../people/session.js';
import { trainingProblems } from '../people/training.js';
import type { Procedure } from '../procedure/procedure.js';
import type { Asking, Parts } from './brief.js';

/** Who may apply power, by what it is for. */
const MAY_RUN: Readonly<Record<Procedure['purpose'], readonly Role[]>> = {
  acceptance: ['operator', 'quality engineer'],
  reference: ['operator', 'maintenance', 'quality engineer'],
  stop: ['operator', 'maintenance'],
  stand: ['maintenance', 'quality engineer'],
};

/** What each purpose is called in a sentence about a person. */
const ACTS: Readonly<Record<Procedure['purpose'], string>> = {
  acceptance: 'test items',
  reference: 'check the bench on a reference item',
  stop: 'prove the stop',
  stand: 'measure the stand',
};

/**
 * Says why the person of an order may not apply power now. Where there is a register of people, and on
 * every real bench, only somebody who logged in may, in a role for it, trained on this issue of the
 * procedure, and whose session goes on at this bench alone.
 *
 * @param now - ms since the Unix epoch.
 */
export function operatorProblems(order: Asking, parts: Parts, now: number): readonly Problem[] {
  const { session, documents } = order;
  const { procedure, station } = documents;
  if (session?.means !== 'authenticated') {
    if (parts.register === undefined && parts.seal.purpose === 'simulation') return [];
    const what = `"${order.operator}" is only a name; on this bench people are known by their secret.`;
    const fix =
      'Give your id with --as and answer for it, or have a register made: stallmark people init.';
    return [{ code: 'people/stated', what, fix }];
  }
  return [
    ...roleProblems(inRoles(session), MAY_RUN[procedure.purpose], ACTS[procedure.purpose]),
    ...trainingProblems(session, procedure, now),
    ...sessionProblems(parts.ledger.of(''), session, station.id, now),
  ];
}
