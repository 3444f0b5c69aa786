import type { Json } from '../base/canonical.js';
import { throwIfAny, type Problem } from '../base/error.js';
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
import { componentProblems, type ReleasedScope } from './rework-scope.js';

/** An item moved by a person, as it is entered. */
export interface Move {
  readonly event: ItemEvent;
  readonly from: ItemState;
  readonly to: ItemState;
  readonly why: string;
  /** Of rework: what was replaced; empty when the entry does not say. */
  readonly replaced: readonly string[];
  /** Of a release: what the retest is for; full when the entry does not say. */
  readonly scope: ReleasedScope;
}

/** What a person wants done with an item. */
export interface Wish extends Statement {
  readonly serial: string;
  readonly event: ItemEvent;
  readonly actor: Actor;
  /** Of a release after rework; full when left out. */
  readonly scope?: ReleasedScope;
  /** What stands against that scope as far as documents and records go; told with everything else. */
  readonly hindrances?: readonly Problem[];
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
      ...partialProblems(wish),
      ...(event === 'begin' ? [notByHand(serial)] : []),
    ]);
    const transition = TRANSITIONS[from][event];
    if (transition === undefined) throw new Error(`${event} was let through from ${from}`);
    const role = transition.by.find((one) => actor.roles.includes(one)) ?? '';
    const body = {
      ...{ event, from, to: transition.to, why: why.trim(), role },
      ...(rework === undefined ? {} : { replaced: rework.replaced, reworkedBy: rework.by }),
      ...(signature === undefined ? {} : { signature }),
      ...(transition.to === 'released for retest' ? scopeBody(wish.scope) : {}),
    };
    return { kind: 'item-moved', serial, attempt: NO_ATTEMPT, by: actor.by, body };
  }, now);
}

function scopeBody(scope: ReleasedScope = { kind: 'full' }): Readonly<Record<string, Json>> {
  if (scope.kind === 'full') return { scope: 'full' };
  return { scope: scope.stages, carriedFrom: scope.record };
}

/** A part of the test is enough only after rework that is on record, and only an engineer says so. */
function partialProblems({ event, actor, scope, hindrances = [] }: Wish): readonly Problem[] {
  if (scope?.kind !== 'stages') return hindrances;
  const problems: Problem[] = [];
  if (event !== 'reworked') {
    const what = `Stages were given with "${event}", but only an item that was reworked is tested in part.`;
    const fix = 'Leave the stages out, or enter the rework: reworked.';
    problems.push({ code: 'usage/argument', what, fix });
  }
  if (scope.stages.length === 0) {
    const what = 'A partial retest was asked for without a stage.';
    problems.push({ code: 'usage/argument', what, fix: 'Name a stage, or test in full.' });
  }
  if (!actor.roles.includes('quality engineer')) {
    const what = `A partial retest takes a quality engineer, but ${actor.by} is: ${actor.roles.join(', ')}.`;
    const fix = 'Have it entered by a quality engineer, or leave the stages out.';
    problems.push({ code: 'people/role', what, fix });
  }
  return [...problems, ...hindrances];
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
  const replaced = textsIn(body['replaced']) ?? [];
  return { event, from, to, why: textIn(body, 'why'), replaced, scope: scopeIn(body) };
}

/** What cannot be read as stages with their record is a full test: that is never too little. */
function scopeIn(body: Entry['body']): ReleasedScope {
  const stages = textsIn(body['scope']);
  const record = textIn(body, 'carriedFrom');
  if (stages === undefined || record === '') return { kind: 'full' };
  return { kind: 'stages', stages, record };
}

function textsIn(value: Json | undefined): readonly string[] | undefined {
  if (!Array.isArray(value)) return undefined;
  const texts = (value as readonly Json[]).filter((member) => typeof member === 'string');
  return texts.length === value.length ? texts : undefined;
}
