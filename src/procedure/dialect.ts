import type { ErrorCode } from '../base/codes.js';
import { digestOf } from '../base/canonical.js';
import { isNonEmpty, type NonEmpty } from '../base/numbers.js';
import { writeInstead } from '../base/report.js';
import { readMeasure } from '../base/units.js';
import { readChecked } from './checked.js';
import { REPLY_VALUES, vocabularyOf, type Vocabulary } from './dialect-vocabulary.js';
import type { Dialect } from './links.js';
import type { Values } from './values.js';
import { pointerToken } from './yaml.js';

/**
 * Reads a dialect: what an instrument after IEEE 488.2 and SCPI-1999 wants to be sent and asked.
 *
 * Quantities among the facts come in base units, lists as one text with a space between the members.
 *
 * @throws yaml/…, document/…, quantity/… and procedure/…: every problem at its place.
 */
export function readDialect(text: string, file: string): Dialect {
  const values = readChecked('dialect', text, file, checkDialect);
  const role = roleOf(values) ?? neverLet('a role');
  const { facts } = vocabularyOf(role);
  return {
    id: values.text('/dialect'),
    file,
    digest: digestOf(values.located.value),
    role,
    acts: new Map(values.members('/acts').map(([name, at]) => [name, textsAt(values, at)])),
    questions: new Map(values.members('/questions').map(([name, at]) => [name, values.text(at)])),
    facts: new Map(
      values.members('/facts').map(([name, at]) => [name, factAt(values, at, facts[name]?.kind)]),
    ),
  };
}

function neverLet(what: string): never {
  throw new Error(`the schema let a dialect with ${what} amiss through`);
}

function roleOf(values: Values): Dialect['role'] | undefined {
  const role = values.textAt('/role');
  return role === 'digitizer' || role === 'drive' ? role : undefined;
}

function textsAt(values: Values, at: string): NonEmpty<string> {
  const texts = values.list(at).map((one) => values.text(one));
  return isNonEmpty(texts) ? texts : neverLet('an act');
}

type FactKind = Vocabulary['facts'][string]['kind'];

function factAt(values: Values, at: string, kind: FactKind | undefined): string | number {
  switch (kind) {
    case 'quantity':
      return values.base(at);
    case 'number':
      return values.number(at);
    case 'word':
      return values.text(at);
    case 'quantities':
      return values
        .items(at)
        .map((item) => String(values.base(item)))
        .join(' ');
    case 'numbers':
      return values
        .items(at)
        .map((item) => String(values.number(item)))
        .join(' ');
    case 'words':
      return values
        .items(at)
        .map((item) => values.text(item))
        .join(' ');
    case undefined:
    default:
      return neverLet('a fact');
  }
}

/** Checks what the schema cannot say; adds every problem to `values`. */
function checkDialect(values: Values): void {
  const role = roleOf(values);
  if (role === undefined) return; // the schema says so, and nothing else can be judged
  const vocabulary = vocabularyOf(role);
  for (const list of ['acts', 'questions', 'facts'] as const) {
    checkNames(values, role, list, vocabulary[list]);
  }
  checkNeeds(values, vocabulary);
  for (const [name, at] of values.members('/acts')) checkAct(values, at, vocabulary.acts[name]);
  for (const [name, at] of values.members('/questions')) {
    checkQuestion(values, name, at, vocabulary.questions[name]?.braces ?? []);
  }
  checkReplies(values, vocabulary);
  checkNumbers(values);
}

const SINGULAR = { acts: 'act', questions: 'question', facts: 'fact' } as const;

function addAtKey(
  values: Values,
  pointer: string,
  [code, what, fix]: readonly [code: ErrorCode, what: string, fix: string],
): void {
  values.problems.push({ code, where: values.place(pointer), what, fix });
}

/** Names that the role does not know, and those it cannot do without. */
function checkNames(
  values: Values,
  role: Dialect['role'],
  list: keyof Vocabulary,
  known: Readonly<Record<string, { readonly needed?: true }>>,
): void {
  const word = SINGULAR[list];
  const names = Object.keys(known);
  for (const [name, at] of values.members(`/${list}`)) {
    if (Object.hasOwn(known, name)) continue;
    const what = `A ${role} has no ${word} "${name}".`;
    const fix = writeInstead(name, names, `Delete it; a ${role} has ${names.join(', ')}.`);
    addAtKey(values, at, ['document/key', what, fix]);
  }
  if (!values.has(`/${list}`)) return;
  const missing = names.filter(
    (name) => known[name]?.needed === true && !values.has(`/${list}/${name}`),
  );
  if (missing.length === 0) return;
  const many = missing.length > 1 ? `${word}s` : word;
  const what = `A dialect of a ${role} needs the ${many} ${missing.join(', ')}.`;
  addAtKey(values, `/${list}`, ['document/key', what, `Write the ${many} under "${list}".`]);
}

/** What one word makes necessary. */
function checkNeeds(values: Values, vocabulary: Vocabulary): void {
  const plural = { act: 'acts', question: 'questions', fact: 'facts' } as const;
  for (const list of ['acts', 'questions'] as const) {
    for (const [name, at] of values.members(`/${list}`)) {
      const missing = (vocabulary[list][name]?.needs ?? []).filter((need) => {
        const [word, wanted] = need.split(' ') as ['act' | 'question' | 'fact', string]; // as typed
        return !values.has(`/${plural[word]}/${wanted}`);
      });
      if (missing.length === 0) continue;
      const listed = missing.join(', ');
      const what = `The ${SINGULAR[list]} "${name}" is of no use without the ${listed}.`;
      addAtKey(values, at, ['document/key', what, `Write the ${listed}, or delete "${name}".`]);
    }
  }
  if (values.textAt('/facts/format') === 'i16' && !values.has('/facts/volts-per-count')) {
    const what = 'Blocks are of counts, and nothing says how many volts one is.';
    values.add('document/key', '/facts/format', what, 'Write the fact "volts-per-count".');
  }
  if (roleOf(values) === 'digitizer' && !(has(values, 'question') || has(values, 'fact'))) {
    const what = 'Nothing says how many inputs a block has.';
    addAtKey(values, '/facts', ['document/key', what, 'Write the question or the fact "inputs".']);
  }
}

function has(values: Values, where: 'question' | 'fact'): boolean {
  return values.has(`/${where}s/inputs`);
}

function checkAct(values: Values, at: string, act: Vocabulary['acts'][string] | undefined): void {
  if (act === undefined) return;
  const texts = values.list(at);
  const sent = texts.flatMap((one) => checkBraces(values, one, act.braces));
  const lost = act.braces.filter((name) => !sent.includes(name));
  if (lost.length > 0) {
    const named = lost.map((name) => `{${name}}`).join(' and ');
    values.add('document/value', at, `The act sends no ${named}.`, `Write ${named} where it goes.`);
  }
  for (const one of texts) {
    const text = values.textAt(one) ?? '';
    if (unquoted(text).includes('?')) {
      const what = `The act asks "${text}", but nobody reads the answer.`;
      values.add('document/value', one, what, 'Write it as a question, or leave out the ?.');
    }
    if (text.includes('{block}') && !text.endsWith('{block}')) {
      const what = `Something follows the block in "${text}".`;
      values.add('document/value', one, what, 'Let {block} end the text.');
    }
  }
}

/**
 * A question is one query: replies of several would be joined by ;, which is how the session knows a
 * reply to its marker (link/scpi-session.ts).
 */
function checkQuestion(values: Values, name: string, at: string, braces: readonly string[]): void {
  const text = values.textAt(at);
  if (text === undefined) return;
  const sent = checkBraces(values, at, braces);
  const lost = braces.filter((brace) => !sent.includes(brace));
  if (lost.length > 0) {
    const named = lost.map((brace) => `{${brace}}`).join(' and ');
    const what = `The question "${name}" sends no ${named}.`;
    values.add('document/value', at, what, `Write ${named} where it goes.`);
  }
  const plain = unquoted(text);
  if (!/^\S+\?(?: |$)/u.test(plain)) {
    const what = `The question "${name}" is "${text}", which asks nothing.`;
    values.add('document/value', at, what, 'Write the ? after the last keyword.');
  } else if (plain.includes(';') || plain.split('?').length > 2) {
    const what = `The question "${name}" is "${text}", which is more than one query.`;
    values.add('document/value', at, what, 'Ask one thing; leave out the ;.');
  }
}

/** @returns The names in braces, those that there are not among them. */
function checkBraces(values: Values, at: string, known: readonly string[]): readonly string[] {
  const text = values.textAt(at) ?? '';
  const names = [...text.matchAll(/\{([^{}]*)\}/gu)].map((match) => match[1] ?? '');
  for (const name of names.filter((one) => !known.includes(one))) {
    const what = `{${name}} stands for nothing here.`;
    const listed = known.map((one) => `{${one}}`).join(' and ');
    const otherwise = known.length === 0 ? 'Write the value itself.' : `Write ${listed}.`;
    values.add('document/value', at, what, otherwise);
  }
  if (/[{}]/u.test(text.replace(/\{[^{}]*\}/gu, ''))) {
    const what = `A brace in "${text}" has no other to close it.`;
    values.add('document/value', at, what, 'Write names as {name}.');
  }
  return names;
}

/** A message without its strings and names in braces. */
function unquoted(text: string): string {
  return text.replace(/"(?:[^"]|"")*"|'(?:[^']|'')*'|\{[^{}]*\}/gu, '');
}

/** The order of values in a reply: those that are needed, none twice. */
function checkReplies(values: Values, vocabulary: Vocabulary): void {
  for (const fact of ['report', 'item'] as const) {
    const at = `/facts/${fact}`;
    if (vocabulary.facts[fact] === undefined || !values.has(at)) continue;
    const names = values.items(at).map((item) => values.textAt(item) ?? '');
    const missing = REPLY_VALUES[fact].filter((name) => !names.includes(name));
    if (missing.length > 0) {
      const what = `The reply to "${fact}" tells no ${missing.join(', ')}.`;
      addAtKey(values, at, ['document/value', what, `Name ${missing.join(', ')} in the list.`]);
    }
    for (const [i, name] of names.entries()) {
      if (name === '-' || names.indexOf(name) === i) continue;
      const what = `The reply to "${fact}" tells ${name} twice.`;
      values.add('document/value', `${at}/${pointerToken(String(i))}`, what, 'Write - for one.');
    }
  }
}

function checkNumbers(values: Values): void {
  const perVolt = values.measureAt('/facts/torque-per-volt');
  if (perVolt?.value === 0) {
    const what = 'The output gives 0 N·m for 1 V, so no waveform can be sent.';
    values.add('document/value', '/facts/torque-per-volt', what, 'Give the torque for 1 V.');
  }
  const [from, to] = ['from', 'to'].map((end) => {
    const measure = readMeasure(values.textAt(`/facts/dead-man-${end}`) ?? '');
    return 'reason' in measure ? undefined : measure.value;
  });
  if (from !== undefined && to !== undefined && from > to) {
    const what = `The dead-man can be set from ${from} s to ${to} s.`;
    values.add('document/value', '/facts/dead-man-to', what, 'Give the longer time as the second.');
  }
}
