import { dayAt } from '../base/calendar.js';
import { StallmarkError, type Place, type Problem } from '../base/error.js';
import { showEnds } from '../base/display.js';
import { writeInstead } from '../base/report.js';
import { readFaults } from '../bench/fault.js';
import { checkApproval } from '../procedure/approval.js';
import type { Limit, Limits } from '../procedure/limits.js';
import type { Procedure } from '../procedure/procedure.js';
import {
  rowName,
  type AssignedValue,
  type ReferenceItem,
  type ReferenceRegister,
  type ReferenceRow,
} from '../procedure/reference-items.js';
import type { Characteristic } from '../scoring/scoring.js';

/** What a register is held against. */
export interface ReferencePartners {
  readonly procedures: readonly Procedure[];
  readonly limits: readonly Limits[];
  readonly characteristics: readonly Characteristic[];
  /** ms since the Unix epoch; expiry is not judged when left out. */
  readonly now?: number | undefined;
}

/**
 * Checks that a check of each item would prove something: its serial is no product's, its values are
 * read and still count, its allowances are tighter than the product limits, and product limits decide
 * what a known-bad item must be rejected on.
 */
export function checkReferences(
  register: ReferenceRegister,
  partners: ReferencePartners,
): readonly Problem[] {
  return register.items.flatMap((item) => [
    ...checkSerial(item, partners.procedures),
    ...checkExpiry(item, partners.now),
    ...checkFaults(item),
    ...checkRows(item, partners),
  ]);
}

/** Checks registers as documents: approval, what they state, and one line for each of them. */
export function checkRegisters(
  found: readonly ReferenceRegister[],
  partners: ReferencePartners,
): { readonly problems: readonly Problem[]; readonly summary: readonly string[] } {
  return {
    problems: found.flatMap((register) => [
      ...checkApproval(register),
      ...checkReferences(register, partners),
    ]),
    summary: found.map(
      ({ file, title, items }) => `${file}  ${title}, ${String(items.length)} items`,
    ),
  };
}

const problem = (where: Place, what: string, fix: string): Problem => ({
  code: 'reference/item',
  where,
  what,
  fix,
});

/** A label that reads as a product would let the reference item be accepted as one. */
function checkSerial(
  { serial, where }: ReferenceItem,
  all: readonly Procedure[],
): readonly Problem[] {
  const models = new Map(all.map(({ model }) => [model.serial, model.code]));
  return [...models]
    .filter(([grammar]) => new RegExp(grammar, 'u').test(serial))
    .map(([grammar, code]) => {
      const what = `The reference item "${serial}" has a serial of model ${code}: it follows ${grammar}.`;
      return problem(where, what, 'Give it a serial that no product can have.');
    });
}

function checkExpiry({ serial, assigned, where }: ReferenceItem, now?: number): readonly Problem[] {
  if (now === undefined) return [];
  const today = dayAt(now, 'UTC');
  if (today <= assigned.expires) return [];
  const what = `The values of reference item "${serial}" counted until ${assigned.expires}; today is ${today}.`;
  return [problem(where, what, 'Have its values assigned anew, or take it out of the register.')];
}

function checkFaults({ simulate, where }: ReferenceItem): readonly Problem[] {
  try {
    readFaults(simulate);
    return [];
  } catch (error) {
    if (!(error instanceof StallmarkError)) throw error;
    return error.problems.map(({ what, fix }) => problem(where, what, fix));
  }
}

function checkRows(item: ReferenceItem, partners: ReferencePartners): readonly Problem[] {
  const { procedures, limits } = partners;
  const of = (purpose: Procedure['purpose']): readonly Procedure[] =>
    procedures.filter((p) => p.purpose === purpose && p.model.code === item.model);
  const reading = of('reference');
  if (reading.length !== 1) {
    const what = `The reference item "${item.serial}" is of model ${item.model}, which has ${reading.length} procedures for checks with reference items; one is needed.`;
    return [problem(item.where, what, 'Write such a procedure, or correct the model.')];
  }
  const products = limits
    .filter((one) => of('acceptance').some(({ id }) => id === one.procedure))
    .flatMap((one) => one.rows);
  const read = reading.flatMap(({ stages }) =>
    stages.flatMap(({ id, reads }) => reads.map((r) => `${id}.${r.characteristic}`)),
  );
  const named = item.kind === 'known-bad' ? item.rejectedOn : [];
  return [
    ...[...item.values, ...named].flatMap((row) => checkRead(item, row, read)),
    ...item.values.flatMap((value) => checkDimension(value, partners.characteristics)),
    ...(item.kind === 'good' ? item.values.flatMap((v) => checkTighter(item, v, products)) : []),
    ...named.flatMap((row) => checkDecided(item, row, products)),
  ];
}

function checkRead(
  { serial }: ReferenceItem,
  row: ReferenceRow,
  read: readonly string[],
): readonly Problem[] {
  const name = rowName(row);
  if (read.includes(name)) return [];
  const what = `The reference item "${serial}" states "${name}", which its procedure does not read.`;
  const fix = writeInstead(name, read, 'Read it in the procedure, or delete it.');
  return [problem(row.where, what, fix)];
}

function checkDimension(
  value: AssignedValue,
  characteristics: readonly Characteristic[],
): readonly Problem[] {
  const known = characteristics.find(({ id }) => id === value.characteristic);
  const { dimension, symbol } = value.unit;
  if (known === undefined || known.dimension === dimension) return [];
  const what = `The value "${rowName(value)}" is in ${symbol}, a ${dimension}, but "${known.id}" is a ${known.dimension}.`;
  const fix = `Write it in ${known.unit}.`;
  return [{ code: 'procedure/unit-mismatch', where: value.where, what, fix }];
}

const limitOf = (row: ReferenceRow, products: readonly Limit[]): Limit | undefined =>
  products.find((limit) => rowName(limit) === rowName(row));

/** A reference item may drift no further than a product may differ. */
function checkTighter(
  { serial }: ReferenceItem,
  value: AssignedValue,
  products: readonly Limit[],
): readonly Problem[] {
  const limit = limitOf(value, products);
  if (limit === undefined || limit.unit.dimension !== value.unit.dimension) return [];
  const { lower, upper }: { readonly lower?: number; readonly upper?: number } = limit.tolerance;
  const from = value.value - value.allowed;
  const to = value.value + value.allowed;
  if (from >= (lower ?? -Infinity) && to <= (upper ?? Infinity)) return [];
  const show = (ends: { readonly lower?: number; readonly upper?: number }): string =>
    `${showEnds(ends, limit.unit)} ${limit.unit.symbol}`;
  const what = `The good item "${serial}" may have ${show({ lower: from, upper: to })} of "${rowName(value)}", but a product only ${show(limit.tolerance)}.`;
  return [problem(value.where, what, 'Allow less, or keep a better item.')];
}

function checkDecided(
  { serial }: ReferenceItem,
  row: ReferenceRow,
  products: readonly Limit[],
): readonly Problem[] {
  if (limitOf(row, products) !== undefined) return [];
  const what = `The known-bad item "${serial}" must be rejected on "${rowName(row)}", but no product limit decides on that.`;
  const fix = writeInstead(
    rowName(row),
    products.map(rowName),
    'Name a row of the product limits that its fault touches.',
  );
  return [problem(row.where, what, fix)];
}
