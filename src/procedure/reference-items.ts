import { isDay } from '../base/calendar.js';
import type { Place } from '../base/error.js';
import { isNonEmpty, type NonEmpty } from '../base/numbers.js';
import type { Unit } from '../base/units.js';
import { checkDate, checkUnique } from './meaning.js';
import type { Approval } from './procedure.js';
import { readChecked } from './checked.js';
import { commonOf } from './schema.js';
import { subjectOf } from './structure.js';
import type { Values } from './values.js';

/** A value of a stage of the reference procedure. */
export interface ReferenceRow {
  readonly stage: string;
  readonly characteristic: string;
  readonly where: Place;
}

/** What a good bench finds on the item; all in the base unit. */
export interface AssignedValue extends ReferenceRow {
  readonly value: number;
  /** Expanded uncertainty of the assigned value, k = 2. */
  readonly expanded: number;
  /** Largest difference from the assigned value that a check may find, ≥ `expanded`. */
  readonly allowed: number;
  /** Unit in which it was written and is shown. */
  readonly unit: Unit;
}

interface Kept {
  readonly serial: string;
  readonly what: string;
  /** Code of its model. */
  readonly model: string;
  readonly assigned: {
    /** Days, ISO 8601; the values count to the end of the last. */
    readonly date: string;
    readonly expires: string;
    readonly by: string;
    readonly certificate?: string;
  };
  readonly values: readonly AssignedValue[];
  /** Faults that it carries on a simulated bench, by name. */
  readonly simulate: readonly string[];
  readonly where: Place;
}

/** An item kept to prove a bench: its values must be found again, or it must be rejected. */
export type ReferenceItem = Kept &
  (
    | { readonly kind: 'good' }
    | {
        readonly kind: 'known-bad';
        /** Where the product limits must reject it. */
        readonly rejectedOn: NonEmpty<ReferenceRow>;
      }
  );

/** The reference items of a works, as people write them. */
export interface ReferenceRegister {
  readonly id: string;
  readonly title: string;
  readonly issue: number;
  /** Date of issue, ISO 8601. */
  readonly date: string;
  readonly file: string;
  /** SHA-256 of the canonical content without its approval. */
  readonly digest: string;
  readonly approval?: Approval;
  readonly items: NonEmpty<ReferenceItem>;
}

/** A row as people write it, e.g. `static.static-gain`. */
export const rowName = (row: Pick<ReferenceRow, 'stage' | 'characteristic'>): string =>
  `${row.stage}.${row.characteristic}`;

/**
 * Reads a register of reference items. What it says of procedures, limits and faults is held against
 * them by `run/plan-references.ts`.
 *
 * @throws yaml/…, document/…, quantity/unreadable, procedure/unit-mismatch, procedure/duplicate and
 * reference/item: every problem at its place.
 */
export function readReferences(text: string, file: string): ReferenceRegister {
  const values = readChecked('references', text, file, checkReferenceItems);
  const items = values.items('/items').map((at) => buildItem(values, at));
  if (!isNonEmpty(items)) throw new Error('the schema let a register without items through');
  return { id: values.text('/references'), ...commonOf(values), items };
}

function checkReferenceItems(values: Values): void {
  checkDate(values, '/date');
  checkDate(values, '/approved/date');
  const items = values.items('/items');
  checkUnique(values, items, '/serial');
  for (const item of items) {
    checkKind(values, item);
    checkDays(values, `${item}/assigned`);
    for (const [, value] of values.members(`${item}/values`)) checkValue(values, value);
  }
}

/** A good item has values, a known-bad one names on what it is rejected; either alone proves something. */
function checkKind(values: Values, item: string): void {
  const kind = values.textAt(`${item}/kind`);
  const name = subject(values, item);
  const add = (what: string, fix: string): void => {
    const where = values.place(`${item}/kind`);
    values.problems.push({ code: 'reference/item', where, what, fix });
  };
  if (kind === 'known-bad' && !values.has(`${item}/rejected-on`)) {
    add(
      `${name} is known-bad, but names no characteristic on which it must be rejected.`,
      'Write rejected-on: with at least one stage.characteristic.',
    );
  }
  if (kind !== 'good') return;
  if (!values.has(`${item}/values`)) {
    add(
      `${name} is good, but has no assigned values, so that a check of it proves nothing.`,
      'Write values: with at least one stage.characteristic.',
    );
  }
  if (values.has(`${item}/rejected-on`)) {
    add(
      `${name} is good, but names characteristics on which it must be rejected.`,
      'Write kind: known-bad, or delete rejected-on.',
    );
  }
}

function checkDays(values: Values, assigned: string): void {
  checkDate(values, `${assigned}/date`);
  checkDate(values, `${assigned}/expires`);
  const from = values.textAt(`${assigned}/date`) ?? '';
  const to = values.textAt(`${assigned}/expires`) ?? '';
  if (!isDay(from) || !isDay(to) || from < to) return;
  const what = `${subject(values, assigned.replace(/\/assigned$/u, ''))} has values of ${from} that expire on ${to}.`;
  values.add('reference/item', `${assigned}/expires`, what, 'Correct one of the two dates.');
}

/** A difference smaller than U of the assigned value tells nothing about the bench. */
function checkValue(values: Values, at: string): void {
  const [value, expanded, allowed] = ['value', 'U', 'allowed'].map((key) =>
    values.measureAt(`${at}/${key}`),
  );
  const name = subject(values, at);
  for (const [key, measure] of [
    ['U', expanded],
    ['allowed', allowed],
  ] as const) {
    if (value === undefined || measure === undefined) continue;
    if (measure.unit.dimension !== value.unit.dimension) {
      const what = `${name} is a ${value.unit.dimension}, but its ${key} is ${values.text(`${at}/${key}`)}, a ${measure.unit.dimension}.`;
      const fix = `Write it in ${value.unit.symbol}.`;
      values.add('procedure/unit-mismatch', `${at}/${key}`, what, fix);
    } else if (!(measure.value > 0)) {
      const what = `${key} of ${name} is ${values.text(`${at}/${key}`)}, but must be above 0.`;
      values.add('document/value', `${at}/${key}`, what, 'Give a value above 0.');
    }
  }
  if (expanded === undefined || allowed === undefined || allowed.value >= expanded.value) return;
  if (expanded.unit.dimension !== allowed.unit.dimension) return;
  const what = `${name} allows ${values.text(`${at}/allowed`)}, but is itself known to ${values.text(`${at}/U`)} only.`;
  const fix = 'Have it assigned with a smaller U, or allow at least U.';
  values.add('reference/item', `${at}/allowed`, what, fix);
}

const subject = (values: Values, pointer: string): string =>
  subjectOf(pointer, values.located.value);

function buildItem(values: Values, at: string): ReferenceItem {
  const certificate = values.textAt(`${at}/assigned/certificate`);
  const kept: Kept = {
    serial: values.text(`${at}/serial`),
    what: values.text(`${at}/what`),
    model: values.text(`${at}/model`),
    assigned: {
      date: values.text(`${at}/assigned/date`),
      expires: values.text(`${at}/assigned/expires`),
      by: values.text(`${at}/assigned/by`),
      ...(certificate === undefined ? {} : { certificate }),
    },
    values: values.members(`${at}/values`).map(([name, value]) => buildValue(values, name, value)),
    simulate: values.items(`${at}/simulate`).map((fault) => values.text(fault)),
    where: values.place(`${at}/serial`),
  };
  if (values.text(`${at}/kind`) === 'good') return { ...kept, kind: 'good' };
  const rejectedOn = values
    .items(`${at}/rejected-on`)
    .map((row) => buildRow(values.text(row), values.located.placeOf(row)));
  if (!isNonEmpty(rejectedOn)) throw new Error('a known-bad item without a name was let through');
  return { ...kept, kind: 'known-bad', rejectedOn };
}

function buildValue(values: Values, name: string, at: string): AssignedValue {
  const unit = values.measureAt(`${at}/value`)?.unit;
  if (unit === undefined) throw new Error(`the schema let the value ${name} through`);
  return {
    ...buildRow(name, values.place(at)),
    value: values.base(`${at}/value`),
    expanded: values.base(`${at}/U`),
    allowed: values.base(`${at}/allowed`),
    unit,
  };
}

function buildRow(name: string, where: Place): ReferenceRow {
  const [stage = '', characteristic = ''] = name.split('.');
  return { stage, characteristic, where };
}
