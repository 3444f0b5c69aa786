import { personNamed } from '../people/register.js';
import { TRAIL_KINDS, type TrailKind, type TrailWish } from '../people/trail.js';
import { searchBriefly } from '../run/search-records.js';
import { AUDITING, dayIn, trustOf } from './auditor-find.js';
import { trailPage } from './auditor-trail-page.js';
import type { Searching, TrailPage } from './auditor-views.js';
import { wholeIn, type Given, type Reading } from './reading.js';

export interface TrailArgs {
  readonly wish: Omit<TrailWish, 'person'>;
  /** Id or name. */
  readonly person: string;
  readonly before: number;
}

const LATEST = Number.MAX_SAFE_INTEGER;

/** A part of the audit trail, newest first. */
export const trailReading: Reading<TrailArgs, Searching<TrailPage>> = {
  roles: AUDITING,
  args: (given) => ({
    wish: wishIn(given),
    person: given['person'] ?? '',
    before: wholeIn(given, 'before', { least: 1, most: LATEST, otherwise: LATEST }),
  }),
  read: ({ wish, person, before }, site) => {
    const named = person.trim() === '' ? {} : { person: personNamed(person.trim(), site.keys) };
    return searchBriefly(site.root, (lookup) =>
      trailPage(site.root, { ...wish, ...named }, before, lookup, trustOf(site)),
    );
  },
};

function wishIn(given: Given): Omit<TrailWish, 'person'> {
  const [from, to] = [dayIn(given, 'from'), dayIn(given, 'to')];
  const kind: TrailKind | undefined = TRAIL_KINDS.find((known) => known === given['kind']);
  const serial = given['serial'] ?? '';
  return {
    ...(from === undefined || from === '' ? {} : { from }),
    ...(to === undefined || to === '' ? {} : { to }),
    ...(kind === undefined ? {} : { kind }),
    ...(serial === '' ? {} : { serial }),
  };
}
