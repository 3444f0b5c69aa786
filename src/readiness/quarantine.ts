import { isoInstant, readInstant } from '../base/clock.js';
import { throwIfAny, unreachable, type Problem } from '../base/error.js';
import { writeInstead } from '../base/report.js';
import { COMPONENT_KINDS, type Component } from '../bench/bench.js';
import { fits } from '../identity/serial.js';
import type { LabelledModel } from '../identity/identity.js';
import type { Entry, Ledger } from '../ledger/ledger.js';
import type { Actor } from './disposition.js';
import { textIn, type PastAttempt } from './past-attempts.js';

/** Which items a quarantine holds back. */
export type Held =
  /** Serials of one length from one to another, both included. */
  | { readonly kind: 'serials'; readonly from: string; readonly to: string }
  /** A lot (GS1 AI 10) of a model. */
  | { readonly kind: 'lot'; readonly lot: string; readonly model: string }
  /** Items of a model in which a component of this serial is built. */
  | {
      readonly kind: 'component';
      readonly component: string;
      readonly serial: string;
      readonly model: string;
    }
  /** Items of which an attempt began at a bench in this time: both instants in ms since the Unix epoch. */
  | { readonly kind: 'bench'; readonly bench: string; readonly from: number; readonly to: number };

/** A quarantine as it is entered. */
export interface Quarantine {
  /** Number of the entry that set it; it is lifted by this number. */
  readonly entry: number;
  readonly held: Held;
  readonly why: string;
  /** Whom to ask. */
  readonly contact: string;
  readonly by: string;
  /** ISO 8601 UTC. */
  readonly at: string;
}

const SET = 'quarantine';
const LIFTED = 'quarantine lifted';

/**
 * Lists the quarantines in force.
 *
 * @param general - Entries without a serial, oldest first.
 */
export function quarantines(general: Iterable<Entry>): readonly Quarantine[] {
  const live = new Map<number, Quarantine>();
  for (const entry of general) {
    const { kind, body } = entry;
    if (kind !== 'changed') continue;
    if (body['what'] === SET) live.set(entry.number, readQuarantine(entry));
    const lifted = body['quarantine'];
    if (body['what'] === LIFTED && typeof lifted === 'number') live.delete(lifted);
  }
  return [...live.values()];
}

function readQuarantine({ number, at, by, body }: Entry): Quarantine {
  const why = textIn(body, 'why');
  const contact = textIn(body, 'contact');
  return { entry: number, held: readHeld(body), why, contact, by, at };
}

/** What cannot be read holds nothing it names, and so every serial back: nobody can tell which. */
function readHeld(body: Entry['body']): Held {
  const text = (name: string): string => textIn(body, name);
  const model = text('model');
  switch (text('kind')) {
    case 'serials':
      return { kind: 'serials', from: text('from'), to: text('to') };
    case 'lot':
      return { kind: 'lot', lot: text('lot'), model };
    case 'component':
      return { kind: 'component', component: text('component'), serial: text('serial'), model };
    case 'bench': {
      const [from, to] = [readInstant(text('from')), readInstant(text('to'))];
      return { kind: 'bench', bench: text('bench'), from, to };
    }
    default:
      return { kind: 'bench', bench: '', from: NaN, to: NaN };
  }
}

/** What is known of an item when quarantines are looked through. */
export interface Examined {
  readonly serial: string;
  /** Code of its model. */
  readonly model: string;
  /** Undefined when its label names none. */
  readonly lot: string | undefined;
  readonly attempts: readonly Pick<PastAttempt, 'bench' | 'begun'>[];
  /** Its components, as it tells them; left out as long as the item was not asked. */
  readonly components?: readonly Component[];
}

/**
 * Says which quarantines hold an item back, with reason and whom to ask. An item that does not tell
 * its lot or component is held back, too, where one of its model is in quarantine: a typed serial must
 * not be a way around it.
 *
 * @param general - Entries without a serial, oldest first.
 */
export function quarantineProblems(item: Examined, general: Iterable<Entry>): readonly Problem[] {
  return quarantines(general).flatMap((one) => heldBack(item.serial, one, holdOf(item, one.held)));
}

/**
 * Says which quarantines hold an item back for a component that is built into it. Asked for every use of
 * power once the item was asked what is built in, so that also the stand is not measured with it.
 *
 * @param item - With the components that it told; none for an item that tells none.
 * @param general - Entries without a serial, oldest first.
 */
export function builtInProblems(
  item: Required<Pick<Examined, 'serial' | 'model' | 'components'>>,
  general: Iterable<Entry>,
): readonly Problem[] {
  return quarantines(general).flatMap((one) =>
    one.held.kind === 'component' ? heldBack(item.serial, one, componentHold(item, one.held)) : [],
  );
}

function heldBack(
  serial: string,
  { entry, why, contact, at }: Quarantine,
  hold: string | undefined,
): readonly Problem[] {
  if (hold === undefined) return [];
  const what = `Item ${serial} is in quarantine ${entry} of ${at.slice(0, 10)}: ${hold}. ${why}`;
  const fix = `Set it aside and ask ${contact}.`;
  return [{ code: 'serial/quarantined' as const, what, fix }];
}

/** Why an item is held back, in words; undefined when it is not. */
function holdOf(item: Examined, held: Held): string | undefined {
  switch (held.kind) {
    case 'serials':
      return isBetween(item.serial, held.from, held.to)
        ? `serials ${held.from} to ${held.to} are`
        : undefined;
    case 'lot':
      if (item.model !== held.model) return undefined;
      if (item.lot === undefined) return `its label names no lot, and lot ${held.lot} is`;
      return item.lot === held.lot ? `lot ${held.lot} is` : undefined;
    case 'component':
      return componentHold(item, held);
    case 'bench':
      return benchHold(item, held);
    default:
      return unreachable(held);
  }
}

function componentHold(
  item: Pick<Examined, 'model' | 'components'>,
  held: Extract<Held, { kind: 'component' }>,
): string | undefined {
  if (item.model !== held.model || item.components === undefined) return undefined;
  const name = `${held.component} ${held.serial}`;
  const alike = item.components.filter(({ kind }) => kind === held.component);
  if (alike.length === 0) return `it does not tell its ${held.component}, and ${name} is`;
  return alike.some(({ serial }) => serial === held.serial) ? `its ${name} is` : undefined;
}

function benchHold(item: Examined, held: Extract<Held, { kind: 'bench' }>): string | undefined {
  const { bench, from, to } = held;
  if (Number.isNaN(from) || Number.isNaN(to)) return 'which items it means cannot be read';
  const inside = item.attempts.some((attempt) => {
    const begun = readInstant(attempt.begun);
    return attempt.bench === bench && begun >= from && begun <= to;
  });
  if (!inside) return undefined;
  return `what was tested at ${bench} from ${isoInstant(from)} to ${isoInstant(to)} is`;
}

/** Of one length, so that "H12-26-00100" does not lie between "H12-26-001" and "H12-26-002". */
function isBetween(serial: string, from: string, to: string): boolean {
  const isAlike = serial.length === from.length && serial.length === to.length;
  return isAlike && from <= serial && serial <= to;
}

/** What a quality engineer orders. */
export interface QuarantineOrder {
  readonly held: Held;
  readonly why: string;
  readonly contact: string;
  readonly actor: Actor;
}

/**
 * Enters a quarantine.
 *
 * @param models - Models whose serials a range may name.
 * @param now - ms since the Unix epoch.
 * @throws people/role, usage/argument with everything that is wrong; as `Ledger.append`.
 */
export function setQuarantine(
  ledger: Ledger,
  order: QuarantineOrder,
  models: readonly LabelledModel[],
  now: number,
): Entry {
  const { held, why, contact, actor } = order;
  throwIfAny([
    ...roleProblems(actor, 'A quarantine is set'),
    ...blank('a reason', why),
    ...blank('a contact', contact),
    ...heldProblems(held, models),
  ]);
  const body = { what: SET, ...written(held), why: why.trim(), contact: contact.trim() };
  return ledger.append({ kind: 'changed', serial: '', attempt: 0, by: actor.by, body }, now);
}

function written(held: Held): Entry['body'] {
  if (held.kind !== 'bench') return { ...held };
  return { ...held, from: isoInstant(held.from), to: isoInstant(held.to) };
}

/**
 * Enters that a quarantine is lifted.
 *
 * @param number - Of the entry that set it.
 * @param now - ms since the Unix epoch.
 * @throws people/role, usage/argument when there is none of this number or no reason; as `Ledger.append`.
 */
export function liftQuarantine(
  ledger: Ledger,
  order: { readonly number: number; readonly why: string; readonly actor: Actor },
  now: number,
): Entry {
  const { number, why, actor } = order;
  return ledger.append(() => {
    const live = quarantines(ledger.of('')).map(({ entry }) => entry);
    const there = live.length === 0 ? 'none is in force' : `in force: ${live.join(', ')}`;
    const what = `There is no quarantine ${number} in force; ${there}.`;
    const fix = 'Give the number of the entry that set it: stallmark item quarantines.';
    throwIfAny([
      ...roleProblems(actor, 'A quarantine is lifted'),
      ...blank('a reason', why),
      ...(live.includes(number) ? [] : [{ code: 'usage/argument' as const, what, fix }]),
    ]);
    const body = { what: LIFTED, quarantine: number, why: why.trim() };
    return { kind: 'changed', serial: '', attempt: 0, by: actor.by, body };
  }, now);
}

function roleProblems({ by, roles }: Actor, act: string): readonly Problem[] {
  if (roles.includes('quality engineer')) return [];
  const what = `${act} by a quality engineer, but ${by} is: ${roles.join(', ') || 'none'}.`;
  return [{ code: 'people/role', what, fix: 'Have it done by a quality engineer.' }];
}

function blank(name: string, text: string): readonly Problem[] {
  if (text.trim() !== '') return [];
  return [{ code: 'usage/argument', what: `A quarantine needs ${name}.`, fix: `Give ${name}.` }];
}

function heldProblems(held: Held, models: readonly LabelledModel[]): readonly Problem[] {
  const wrong = (what: string, fix: string): readonly Problem[] => [
    { code: 'usage/argument', what, fix },
  ];
  switch (held.kind) {
    case 'serials':
      return rangeProblems(held, models);
    case 'lot':
      return modelProblems(held.model, models);
    case 'component':
      return [...modelProblems(held.model, models), ...kindProblems(held.component)];
    case 'bench':
      if (held.from <= held.to) return [];
      return wrong(
        `The time at ${held.bench} does not run from an instant to a later one.`,
        'Give --from and --to as instants such as 2026-11-25T06:00:00Z.',
      );
    default:
      return unreachable(held);
  }
}

function modelProblems(model: string, models: readonly LabelledModel[]): readonly Problem[] {
  if (models.some(({ code }) => code === model)) return [];
  const codes = [...new Set(models.map(({ code }) => code))].join(', ');
  const what = `There is no model "${model}"; there are: ${codes}.`;
  return [{ code: 'usage/argument', what, fix: 'Give one of them.' }];
}

/** A component that no item tells would hold back every item of the model. */
function kindProblems(name: string): readonly Problem[] {
  if (COMPONENT_KINDS.some((kind) => kind === name)) return [];
  const what = `Items do not tell the serial of their ${name || 'component'}; they tell: ${COMPONENT_KINDS.join(', ')}.`;
  const otherwise = 'Name one of them, or hold the items back by their own serials.';
  return [{ code: 'usage/argument', what, fix: writeInstead(name, COMPONENT_KINDS, otherwise) }];
}

function rangeProblems(
  { from, to }: Extract<Held, { kind: 'serials' }>,
  models: readonly LabelledModel[],
): readonly Problem[] {
  const isOne = models.some((model) => fits(from, model) && fits(to, model));
  if (isOne && from.length === to.length && from <= to) return [];
  const what = `"${from}" to "${to}" is no range of serials of one model and one length.`;
  const fix = 'Give two serials of one model, the lower one first.';
  return [{ code: 'usage/argument', what, fix }];
}

/** A quarantine in one line. */
export function quarantineLine({ entry, held, why, contact, by, at }: Quarantine): string {
  return `${String(entry).padStart(6)}  ${at.slice(0, 16)}Z  ${heldWords(held)}: ${why} (set by ${by}; ask ${contact})`;
}

function heldWords(held: Held): string {
  switch (held.kind) {
    case 'serials':
      return `serials ${held.from} to ${held.to}`;
    case 'lot':
      return `lot ${held.lot} of ${held.model}`;
    case 'component':
      return `${held.component} ${held.serial} of ${held.model}`;
    case 'bench':
      if (Number.isNaN(held.from) || Number.isNaN(held.to)) return 'unreadable';
      return `tested at ${held.bench} from ${isoInstant(held.from)} to ${isoInstant(held.to)}`;
    default:
      return unreachable(held);
  }
}
