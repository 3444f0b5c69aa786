import { throwIfAny } from '../base/error.js';
import type { Entry, Ledger } from '../ledger/ledger.js';
import {
  ITEM_EVENTS,
  ITEM_STATES,
  moveProblems,
  TRANSITIONS,
  type Actor,
  type ItemEvent,
  type ItemState,
  type Statement,
} from './disposition.js';
import { textIn } from './past-attempts.js';
import { componentProblems } from './rework-scope.js';

/** An item moved by a person, as it is entered. */
export interface Move {
  readonly event: ItemEvent;
  readonly from: ItemState;
  readonly to: ItemState;
  readonly why: string;
}

/** What a person wants done with an item. */
export interface Wish extends Statement {
  readonly serial: string;
  readonly event: ItemEvent;
  readonly actor: Actor;
}

/** Entries of a move belong to the item, not to an attempt. */
const NO_ATTEMPT = 0;

/**
 * Enters that a person moves an item, if the table allows it from the state in which the item is at
 * that moment: the state is read while no other program can append.
 *
 * @param stateOf - State of the item by the entries of its serial.
 * @param now - ms since the Unix epoch.
 * @throws serial/state, people/role, usage/argument with everything that is missing; as `Ledger.append`.
 */
export function moveItem(
  ledger: Ledger,
  wish: Wish,
  stateOf: (history: readonly Entry[]) => ItemState,
  now: number,
): Entry {
  const { event, actor, why, rework, signature } = wish;
  const serial = wish.serial.normalize('NFC');
  return ledger.append(() => {
    const from = stateOf(ledger.of(serial));
    throwIfAny([
      ...moveProblems({ serial, state: from }, event, actor, wish),
      ...componentProblems(rework?.replaced ?? []),
      ...(event === 'begin' ? [notByHand(serial)] : []),
    ]);
    const transition = TRANSITIONS[from][event];
    if (transition === undefined) throw new Error(`${event} was let through from ${from}`);
    const role = transition.by.find((one) => actor.roles.includes(one)) ?? '';
    const body = {
      ...{ event, from, to: transition.to, why: why.trim(), role },
      ...(rework === undefined ? {} : { replaced: rework.replaced, reworkedBy: rework.by }),
      ...(signature === undefined ? {} : { signature }),
    };
    return { kind: 'item-moved', serial, attempt: NO_ATTEMPT, by: actor.by, body };
  }, now);
}

const notByHand = (serial: string) => ({
  code: 'serial/state' as const,
  what: `An attempt of item ${serial} begins on a bench, not by an entry.`,
  fix: 'Test it: stallmark run.',
});

/** Reads a move back; undefined when the entry is none, or is one that the table does not know. */
export function readMove({ kind, body }: Entry): Move | undefined {
  if (kind !== 'item-moved') return undefined;
  const event = ITEM_EVENTS.find((known) => known === body['event']);
  const from = ITEM_STATES.find((known) => known === body['from']);
  const to = ITEM_STATES.find((known) => known === body['to']);
  if (event === undefined || from === undefined || to === undefined) return undefined;
  if (TRANSITIONS[from][event]?.to !== to) return undefined;
  return { event, from, to, why: textIn(body, 'why') };
}
