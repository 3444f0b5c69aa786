import { oneOf, writeInstead } from '../base/report.js';
import {
  componentsNamed,
  dimensionOf,
  readSensitivity,
  sensitivityPlace,
  STAND_VALUES,
  takenBy,
  usedName,
} from './budget.js';
import { checkDate } from './meaning.js';
import { subjectOf } from './structure.js';
import type { Values } from './values.js';

const SHARED = '/uncertainty/components';
const GROUPS = '/uncertainty/groups';
const BUDGETS = '/uncertainty/budgets';

/** Checks of the budgets of a bench that its schema cannot express. Adds every problem to `values`. */
export function checkBudgets(values: Values): void {
  checkDate(values, '/uncertainty/date');
  const shared = values.members(SHARED);
  const names = shared.map(([name]) => name);
  for (const [, at] of shared) checkComponent(values, at);
  for (const [group, at] of values.members(GROUPS)) {
    if (names.includes(group)) {
      const what = `A group and a component are both called "${group}", but names stand once.`;
      values.add('budget/component', at, what, 'Give the group a name of its own.');
    }
    for (const item of values.items(at)) checkName(values, item, names);
  }
  const known = [...names, ...values.members(GROUPS).map(([name]) => name)];
  for (const [id, at] of values.members(BUDGETS)) {
    for (const entry of values.items(at)) {
      if (usedName(values, entry) === undefined) checkComponent(values, entry);
      else checkName(values, values.has(`${entry}/use`) ? `${entry}/use` : entry, known);
    }
    checkTwice(values, id, at);
    for (const taken of takenBy(values, at)) checkSensitivity(values, taken);
  }
}

const subject = (values: Values, at: string): string => subjectOf(at, values.located.value);

function checkName(values: Values, at: string, known: readonly string[]): void {
  const name = values.textAt(at);
  if (name === undefined || known.includes(name)) return;
  const what = `There is no component "${name}" among those of ${values.file}.`;
  values.add('budget/unknown', at, what, writeInstead(name, known, 'Write the component first.'));
}

/** A component taken twice, by itself or in groups, would count twice. */
function checkTwice(values: Values, id: string, at: string): void {
  const seen = new Set<string>();
  for (const entry of values.items(at)) {
    const used = usedName(values, entry);
    const names =
      used === undefined
        ? [values.textAt(`${entry}/what`) ?? '']
        : componentsNamed(values, used).map(({ name }) => name);
    const again = names.filter((name) => seen.has(name));
    for (const name of again) {
      const what = `The budget of "${id}" has the component "${name}" twice, so that it would count twice.`;
      values.add('budget/component', entry, what, 'Delete one of them.');
    }
    for (const name of names) seen.add(name);
  }
}

function checkComponent(values: Values, at: string): void {
  checkOrigin(values, at);
  const from = values.textAt(`${at}/from`);
  if (from === 'stand') checkTakenSize(values, at);
  else if (from !== undefined) checkOwnSize(values, at);
}

function checkOrigin(values: Values, at: string): void {
  const from = values.textAt(`${at}/from`);
  const of = values.textAt(`${at}/of`);
  if (from === 'judgement' && !values.has(`${at}/why`)) {
    const what = `${subject(values, at)} is a judgement without its reason.`;
    values.add('budget/component', at, what, 'Write the reason under "why".');
  }
  if (from === 'instrument' || from === 'stand') {
    const known = from === 'stand' ? STAND_VALUES : instrumentsOf(values);
    if (of === undefined) {
      const what = `${subject(values, at)} comes from ${from === 'stand' ? 'the stand model' : 'an instrument'}, but says not from which.`;
      values.add('budget/component', at, what, `Write of: with ${oneOf(known)}.`);
    } else if (!known.some((name) => name === of)) {
      const where = from === 'stand' ? 'value in the stand model' : 'instrument in the register';
      const what = `${subject(values, at)} comes from "${of}", but there is no such ${where}.`;
      values.add('budget/unknown', `${at}/of`, what, `Write ${oneOf(known)}.`);
    }
  } else if (of !== undefined && from !== undefined) {
    const what = `${subject(values, at)} comes from ${from}, but names "${of}".`;
    values.add('budget/component', `${at}/of`, what, 'Delete it, or write from: instrument.');
  }
}

const instrumentsOf = (values: Values): readonly string[] =>
  values.items('/instruments').flatMap((one) => values.textAt(`${one}/id`) ?? []);

/** What comes from the stand model has its size there. */
function checkTakenSize(values: Values, at: string): void {
  for (const key of ['relative', 'absolute', 'distribution', 'k', 'freedom']) {
    if (!values.has(`${at}/${key}`)) continue;
    const what = `${subject(values, at)} takes its size from the stand model, but has "${key}" too.`;
    values.add('budget/component', `${at}/${key}`, what, 'Delete it.');
  }
}

function checkOwnSize(values: Values, at: string): void {
  if (!values.has(`${at}/relative`) && !values.has(`${at}/absolute`)) {
    const what = `${subject(values, at)} has no size.`;
    values.add('budget/component', at, what, 'Write relative, absolute or both.');
  }
  const absolute = values.measureAt(`${at}/absolute`);
  if (absolute !== undefined && !(absolute.value > 0)) {
    const what = `${subject(values, `${at}/absolute`)} is ${values.text(`${at}/absolute`)}, but must be above 0.`;
    values.add('document/value', `${at}/absolute`, what, 'Give a size above 0, or delete it.');
  }
  const distribution = values.textAt(`${at}/distribution`);
  if (!values.has(`${at}/distribution`)) {
    const what = `${subject(values, at)} has no "distribution".`;
    values.add('document/key', at, what, 'Write the key "distribution".');
  } else if (distribution === 'normal' && !values.has(`${at}/k`)) {
    const what = `${subject(values, at)} is normal, but does not say how many standard uncertainties its size is.`;
    values.add('budget/component', at, what, 'Write k: 1 for a standard uncertainty, k: 2 for U.');
  } else if (distribution !== undefined && distribution !== 'normal' && values.has(`${at}/k`)) {
    const what = `${subject(values, at)} is ${distribution}, so that its size is half its width, but has a k.`;
    values.add('budget/component', `${at}/k`, what, 'Delete k, or write distribution: normal.');
  }
}

/** A sensitivity with a unit divides by what the component is, and a share of the value has none. */
function checkSensitivity(
  values: Values,
  taken: { readonly at: string; readonly entry: string },
): void {
  const place = sensitivityPlace(values, taken);
  const text = values.textAt(place);
  if (text === undefined) return;
  const read = readSensitivity(text);
  const name = subject(values, place);
  if (read === undefined) {
    const what = `${name} is "${text}", but must be a quantity per a unit.`;
    values.add('quantity/unreadable', place, what, 'Write it as in 8.75 % per N·m.');
    return;
  }
  const dimension = dimensionOf(values, taken.at);
  if (values.has(`${taken.at}/relative`)) {
    const what = `${name} has a unit, but its component has a part that is a share of the value.`;
    values.add('budget/component', place, what, 'Write a plain number, or two components.');
  } else if (dimension !== undefined && dimension !== read.per.dimension) {
    const what = `${name} is per ${read.per.dimension}, but its component is a ${dimension}.`;
    values.add('procedure/unit-mismatch', place, what, `Write it per ${dimension}.`);
  }
}
