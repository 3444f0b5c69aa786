import type { Json } from '../base/canonical.js';
import type { ErrorCode } from '../base/codes.js';
import type { Problem } from '../base/error.js';
import { oneOf, writeInstead } from '../base/report.js';
import { quantityFinding } from './quantities.js';
import type { Finding } from './quantities.js';
import * as validators from './validators.js';
import { Values } from './values.js';
import { pointerKeys, pointerToken } from './yaml.js';
import type { Located } from './yaml.js';

/** Kinds of documents that people write. */
export type DocumentKind = 'procedure' | 'limits' | 'bench' | 'references' | 'routes' | 'dialect';

/** What a compiled schema says about one fault. */
interface Fault {
  readonly instancePath: string;
  readonly keyword: string;
  readonly params: Readonly<Record<string, unknown>>;
  readonly propertyName?: string;
  readonly schema: unknown;
  readonly parentSchema: Schema;
}

interface Schema {
  readonly type?: string;
  readonly format?: string;
  readonly patternTitle?: string;
  readonly properties?: Readonly<Record<string, unknown>>;
  readonly oneOf?: readonly { readonly $ref: string }[];
}

type Validate = ((value: unknown) => boolean) & { readonly errors?: readonly Fault[] | null };

const VALIDATE = validators as unknown as Readonly<Record<DocumentKind, Validate>>;

/**
 * Holds a document against its JSON Schema: keys, kinds of values, ranges, units.
 *
 * The schemas were compiled ahead; tests/unit/schema.test.ts keeps the compiled form in step.
 */
export function checkStructure(kind: DocumentKind, located: Located): readonly Problem[] {
  const validate = VALIDATE[kind];
  if (validate(located.value)) return [];
  const values = new Values(located);
  return (validate.errors ?? []).flatMap((fault) => problemOf(fault, values));
}

function problemOf(fault: Fault, values: Values): readonly Problem[] {
  const { instancePath, keyword, propertyName } = fault;
  // The branch of an "if", and the rule of a key, report what is wrong by themselves.
  if (keyword === 'if' || propertyName !== undefined) return [];
  const { located } = values;
  const key = fault.params['additionalProperty'] ?? fault.params['propertyName'];
  const subject = subjectOf(instancePath, located.value);
  if (typeof key === 'string') {
    const pointer = `${instancePath}/${pointerToken(key)}`;
    return [{ ...keyFinding(fault, key, subject), where: located.placeOfKey(pointer) }];
  }
  if (keyword === 'required' || fault.params['error'] === 'tag') {
    const name = String(fault.params['missingProperty'] ?? fault.params['tag']);
    const what = `${subject} has no "${name}".`;
    const where = located.placeOfKey(instancePath);
    return [{ code: 'document/key', where, what, fix: `Write the key "${name}".` }];
  }
  if (keyword === 'discriminator') {
    const tag = `${instancePath}/${String(fault.params['tag'])}`;
    const names = (fault.parentSchema.oneOf ?? []).map(({ $ref }) => $ref.replace(/^.*\//, ''));
    const tagged = subjectOf(tag, located.value);
    return [{ ...choiceFinding(tagged, values.at(tag), names), where: located.placeOf(tag) }];
  }
  const finding = valueFinding(fault, values.at(instancePath), subject);
  return [{ ...finding, where: located.placeOf(instancePath) }];
}

function keyFinding(fault: Fault, key: string, subject: string): Finding {
  if (fault.keyword === 'propertyNames') {
    const what = `${subject} has the key "${key}", but keys here are lower-case names.`;
    return { code: 'document/key', what, fix: 'Write lower-case letters, digits and hyphens.' };
  }
  const known = Object.keys(fault.parentSchema.properties ?? {});
  const what = `${subject} has an unknown key "${key}".`;
  const otherwise =
    known.length === 0 ? 'Delete the key.' : `Delete it; the keys here are ${known.join(', ')}.`;
  return { code: 'document/key', what, fix: writeInstead(key, known, otherwise) };
}

function valueFinding(fault: Fault, value: Json | undefined, subject: string): Finding {
  const { keyword, params, parentSchema } = fault;
  const limit = String(params['limit']);
  const scalar = typeof value === 'string' || typeof value === 'number';
  switch (keyword) {
    case 'format':
    case 'type':
      return parentSchema.format !== undefined && scalar
        ? quantityFinding(subject, value, parentSchema.format)
        : kindFinding(subject, value, String(params['type']), parentSchema);
    case 'enum':
      return choiceFinding(
        subject,
        value,
        (params['allowedValues'] as readonly unknown[]).map(String),
      );
    case 'pattern':
      return outside(subject, value, parentSchema.patternTitle ?? String(params['pattern']));
    case 'minimum':
      return outside(subject, value, `at least ${limit}`);
    case 'maximum':
      return outside(subject, value, `at most ${limit}`);
    case 'minItems':
    case 'minProperties':
      return counted(subject, value, `at least ${limit}`);
    case 'maxItems':
      return counted(subject, value, `at most ${limit}`);
    case 'minLength':
      return outside(subject, value, 'a text that is not empty');
    case 'maxLength':
      return outside(subject, value, `a text of at most ${limit} characters`);
    default:
      throw new Error(`no words for the schema keyword "${keyword}"`);
  }
}

function outside(subject: string, value: Json | undefined, expected: string): Finding {
  const what = `${subject} is ${shown(value)}, but must be ${expected}.`;
  return { code: 'document/value', what, fix: `Give ${expected}.` };
}

function counted(subject: string, value: Json | undefined, expected: string): Finding {
  const count = Object.keys(value ?? {}).length;
  const what = `${subject} has ${count} members, but must have ${expected}.`;
  return { code: 'document/value', what, fix: `Write ${expected}.` };
}

function choiceFinding(
  subject: string,
  value: Json | undefined,
  names: readonly string[],
): Finding {
  const what = `${subject} is ${shown(value)}, but must be ${oneOf(names)}.`;
  const otherwise = `Write ${names.length > 1 ? 'one of them' : `"${names[0] ?? ''}"`}.`;
  const fix = typeof value === 'string' ? writeInstead(value, names, otherwise) : otherwise;
  return { code: 'document/value', what, fix };
}

const KINDS: Readonly<Record<string, string>> = {
  string: 'a text',
  integer: 'a whole number',
  boolean: 'true or false',
  object: 'a mapping of keys to values',
  array: 'a list',
};

function kindFinding(
  subject: string,
  value: Json | undefined,
  type: string,
  schema: Schema,
): Finding {
  const code: ErrorCode = 'document/value';
  const expected = KINDS[type] ?? type;
  const what = `${subject} is ${shown(value)}, but must be ${expected}.`;
  if (value === null) return { code, what, fix: 'Write the value.' };
  if (type === 'string' && typeof value !== 'object') {
    return { code, what, fix: 'Put the value in quotes.' };
  }
  if (type === 'integer' && typeof value === 'string') {
    return { code, what, fix: 'Write the number alone, without quotes and unit.' };
  }
  const names = Object.keys(schema.properties ?? {});
  const members = names.length > 0 ? ` with the keys ${names.join(', ')}` : '';
  return { code, what, fix: `Write ${expected}${members}.` };
}

function shown(value: Json | undefined): string {
  if (value === null || value === undefined) return 'empty';
  if (typeof value === 'string') return `"${value.length > 60 ? `${value.slice(0, 60)}…` : value}"`;
  if (typeof value === 'object') return Array.isArray(value) ? 'a list' : 'a mapping';
  return `the ${typeof value} ${String(value)}`;
}

/** Lists whose items carry a name of their own: what an item is called, and the key of its name. */
const NAMED: Readonly<Record<string, readonly [noun: string, key: string]>> = {
  stages: ['stage', 'id'],
  warnings: ['warning', 'hazard'],
  instruments: ['instrument', 'id'],
  adapters: ['adapter', 'id'],
  calibrations: ['calibration', 'certificate'],
  items: ['reference item', 'serial'],
  entries: ['route', 'id'], // has no name of its own and so is told by its number
};

/** Mappings whose keys are names people gave. */
const KEYED: Readonly<Record<string, string>> = {
  rows: 'limit',
  values: 'value',
  reads: 'reading',
  gates: 'gate',
  components: 'component',
  groups: 'group',
  budgets: 'budget',
  texts: 'text',
  acts: 'act',
  questions: 'question',
  facts: 'fact',
};

/** Says what stands at a pointer, innermost first: `The level of the pattern of stage "idle"`. */
export function subjectOf(pointer: string, root: Json): string {
  const names: string[] = [];
  let value: Json | undefined = root;
  let around = '';
  for (const key of pointerKeys(pointer)) {
    const inList = Array.isArray(value);
    value = isMembered(value) ? value[key] : undefined;
    if (inList && around === '') names.push(`component ${Number(key) + 1}`);
    else if (inList) names[names.length - 1] = itemName(around, key, value);
    else if (names.length > 0 && KEYED[around] !== undefined) {
      names[names.length - 1] = `${KEYED[around]} "${key}"`;
    } else names.push(`the ${key.replaceAll('-', ' ')}`);
    around = KEYED[around] !== undefined || inList ? '' : key;
  }
  if (names.length === 0) return 'The document';
  const subject = names.reverse().join(' of ');
  return `${subject.charAt(0).toUpperCase()}${subject.slice(1)}`;
}

function isMembered(value: Json | undefined): value is Readonly<Record<string, Json>> {
  return typeof value === 'object' && value !== null;
}

function itemName(list: string, index: string, item: Json | undefined): string {
  const number = Number(index) + 1;
  const named = NAMED[list];
  if (named === undefined) return `item ${number} of the ${list.replaceAll('-', ' ')}`;
  const [noun, key] = named;
  const name = isMembered(item) ? item[key] : undefined;
  return typeof name === 'string' ? `${noun} "${name}"` : `${noun} ${number}`;
}
