import { isDay } from '../base/calendar.js';
import { StallmarkError } from '../base/error.js';
import { systemClock } from '../base/clock.js';
import { rootsIn } from '../certificate/trusted-roots.js';
import type { Trust } from '../certificate/verify-seal.js';
import { LINE_STATES, type LineWish } from '../ledger/search-line.js';
import { searchBriefly } from '../run/search-records.js';
import { attemptView } from './auditor-attempt.js';
import type { AttemptView, FoundPage, Searching } from './auditor-views.js';
import { wholeIn, type Given, type Reading } from './reading.js';
import type { Site } from './site.js';

/** Who reads records and trails. */
export const AUDITING = ['auditor', 'quality engineer'] as const;

/** Lines of one page. */
export const PAGE_LINES = 50;

export interface FindArgs {
  readonly wish: LineWish;
  readonly page: number;
}

/** Attempts and refused starts, newest first. */
export const findReading: Reading<FindArgs, Searching<FoundPage>> = {
  roles: AUDITING,
  args: (given) => ({
    wish: wishIn(given),
    page: wholeIn(given, 'page', { least: 1, most: 1e6, otherwise: 1 }),
  }),
  read: ({ wish, page }, site) =>
    searchBriefly(site.root, (lookup) => ({
      ...lookup.find(wish, (page - 1) * PAGE_LINES, PAGE_LINES),
      choices: lookup.choices(),
      entries: lookup.last().number,
    })),
};

function wishIn(given: Given): LineWish {
  const { text, model, verdict, operator } = given;
  const state = LINE_STATES.find((known) => known === given['state']);
  return {
    ...some('text', text),
    ...some('from', dayIn(given, 'from')),
    ...some('to', dayIn(given, 'to')),
    ...some('model', model),
    ...some('verdict', verdict),
    ...some('operator', operator),
    ...(state === undefined ? {} : { state }),
  };
}

function some<K extends string>(name: K, value: string | undefined): Partial<Record<K, string>> {
  return value === undefined || value === '' ? {} : ({ [name]: value } as Record<K, string>); // one key
}

/** A day, where one is given. @throws usage/argument. */
export function dayIn(given: Given, name: string): string | undefined {
  const text = given[name];
  if (text === undefined || text === '' || isDay(text)) return text;
  const what = `"${name}" is "${text}", which is no day.`;
  throw new StallmarkError([{ code: 'usage/argument', what, fix: 'Write a day: 2026-11-25.' }]);
}

/** One attempt, its record verified anew. */
export const attemptReading: Reading<{ readonly entry: number }, Searching<AttemptView>> = {
  roles: AUDITING,
  args: (given) => ({ entry: wholeIn(given, 'entry', { least: 1, most: 1e12, otherwise: 0 }) }),
  read: ({ entry }, site) => {
    return searchBriefly(site.root, (lookup) =>
      attemptView(site.root, entry, lookup, trustOf(site)),
    );
  },
};

/** Roots beside the keys, and the instant of the question. */
export function trustOf({ keys }: Pick<Site, 'keys'>): Trust {
  return { roots: rootsIn(keys), now: systemClock.now() };
}
