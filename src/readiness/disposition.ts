import type { Problem } from '../base/error.js';
import type { Role } from '../people/people.js';

/** Where an item can be. "to be repeated": its measurement was invalid or broken off, and attempts are left. */
export const ITEM_STATES = [
  'awaiting',
  'in test',
  'accepted',
  'rejected',
  'held',
  'to be repeated',
  'in rework',
  'released for retest',
  'quarantined',
  'scrapped',
  'accepted by concession',
] as const;
export type ItemState = (typeof ITEM_STATES)[number];

/** What people do with an item. How an attempt ends, the program decides: see `stateAfter`. */
export const ITEM_EVENTS = [
  'begin',
  'rework',
  'reworked',
  'release',
  'audit',
  'quarantine',
  'scrap',
  'concede',
] as const;
export type ItemEvent = (typeof ITEM_EVENTS)[number];

/** What must be stated: a reason, what was replaced and by whom, a personal signature. */
export type Need = 'why' | 'rework record' | 'signature';

export interface Transition {
  readonly to: ItemState;
  readonly by: readonly Role[];
  readonly needs: readonly Need[];
}

type Row = Partial<Readonly<Record<ItemEvent, Transition>>>;

const ENGINEER: readonly Role[] = ['quality engineer'];
const MENDERS: readonly Role[] = ['maintenance', 'quality engineer'];
/** Whoever sees damage sets the item aside; an auditor changes nothing. */
const HANDS: readonly Role[] = ['operator', 'maintenance', 'quality engineer'];
/** Who may test items. */
export const TESTERS: readonly Role[] = ['operator', 'quality engineer'];

const begin: Transition = { to: 'in test', by: TESTERS, needs: [] };
const rework: Transition = { to: 'in rework', by: ENGINEER, needs: ['why'] };
const reworked: Transition = {
  to: 'released for retest',
  by: MENDERS,
  needs: ['why', 'rework record'],
};
const release: Transition = { to: 'released for retest', by: ENGINEER, needs: ['why'] };
/** A sample from stock: tested once more though nothing speaks against it. */
const audit: Transition = { to: 'released for retest', by: ENGINEER, needs: ['why'] };
const quarantine: Transition = { to: 'quarantined', by: HANDS, needs: ['why'] };
const scrap: Transition = { to: 'scrapped', by: ENGINEER, needs: ['why'] };
const concede: Transition = {
  to: 'accepted by concession',
  by: ENGINEER,
  needs: ['why', 'signature'],
};

/**
 * Every change of state that a person may bring about, from where, in which role, and what must be
 * stated with it. What does not stand here does not happen.
 *
 * Only a decided measurement can be conceded: from rejected or held. A scrapped item stays scrapped.
 *
 * Source: common practice, no source.
 * Check: tests/unit/disposition.test.ts, cell by cell.
 */
export const TRANSITIONS: Readonly<Record<ItemState, Row>> = {
  awaiting: { begin, quarantine },
  'in test': {},
  accepted: { release, audit, quarantine },
  rejected: { rework, release, quarantine, scrap, concede },
  held: { rework, release, quarantine, scrap, concede },
  'to be repeated': { begin, rework, release, quarantine, scrap },
  'in rework': { reworked, quarantine, scrap },
  'released for retest': { begin, rework, release, quarantine, scrap },
  quarantined: { rework, release, scrap },
  scrapped: {},
  'accepted by concession': { release, quarantine },
};

/** How an attempt ended, as far as the state of its item goes. */
export type AttemptEnd = 'accepted' | 'rejected' | 'undecided' | 'no measurement';

/**
 * Returns the state after an attempt.
 *
 * @param isLast - Whether it was the last attempt that is allowed without a disposition.
 */
export function stateAfter(end: AttemptEnd, isLast: boolean): ItemState {
  if (end === 'accepted' || end === 'rejected') return end;
  if (end === 'undecided') return 'held';
  return isLast ? 'quarantined' : 'to be repeated';
}

/** Who does something, in which role. */
export interface Actor {
  /** As entries name the person. */
  readonly by: string;
  readonly roles: readonly Role[];
}

/** What is stated with a change of state. */
export interface Statement {
  readonly why: string;
  /** Of rework: what was replaced, by the names of `COMPONENTS`, and by whom. */
  readonly rework?: { readonly replaced: readonly string[]; readonly by: string };
  /** Of a concession: where the personal signature is to be found, e.g. the entry that holds it. */
  readonly signature?: string;
}

/** An item as sentences name it. */
export interface Placed {
  readonly serial: string;
  readonly state: ItemState;
}

/** Everything that stands against a change of state; none when the table allows it. */
export function moveProblems(
  { serial, state }: Placed,
  event: ItemEvent,
  actor: Actor,
  statement: Statement,
): readonly Problem[] {
  const transition = TRANSITIONS[state][event];
  if (transition === undefined) {
    const what = `Item ${serial} is ${state}: "${event}" does not lead on from there.`;
    return [{ code: 'serial/state', what, fix: possibleFrom(state) }];
  }
  const isAllowed = transition.by.some((role) => actor.roles.includes(role));
  const roles = actor.roles.length === 0 ? 'none' : actor.roles.join(', ');
  const what = `"${event}" of an item that is ${state} takes a ${transition.by.join(' or ')}, but ${actor.by} is: ${roles}.`;
  const fix = `Have it done by a ${transition.by.join(' or ')}.`;
  return [
    ...(isAllowed ? [] : [{ code: 'people/role' as const, what, fix }]),
    ...transition.needs.flatMap((need) => missing(need, event, statement)),
  ];
}

function possibleFrom(state: ItemState): string {
  const events = Object.entries(TRANSITIONS[state]).map(
    ([event, { by }]) => `${event} (${by.join(', ')})`,
  );
  if (events.length > 0) return `Do one of: ${events.join('; ')}.`;
  return state === 'in test'
    ? 'Let the attempt end; when its bench has lost power, start a test there, which ends it.'
    : `Leave it: nothing leads on from ${state}.`;
}

function missing(need: Need, event: ItemEvent, statement: Statement): readonly Problem[] {
  const absent = (what: string, fix: string): readonly Problem[] => [
    { code: 'usage/argument', what: `"${event}" needs ${what}, but none is stated.`, fix },
  ];
  const isBlank = (text: string | undefined): boolean => (text ?? '').trim() === '';
  switch (need) {
    case 'why':
      return isBlank(statement.why) ? absent('a reason', 'State why.') : [];
    case 'rework record':
      if (statement.rework !== undefined && !isBlank(statement.rework.by)) {
        if (statement.rework.replaced.length > 0) return [];
      }
      return absent('a rework record', 'State what was replaced and by whom.');
    case 'signature':
      return isBlank(statement.signature)
        ? absent('a personal signature', 'Have it signed by a quality engineer.')
        : [];
  }
}
