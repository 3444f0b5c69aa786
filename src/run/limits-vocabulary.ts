import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { UNITS } from '../base/units.js';
import { RULES } from '../decision/rules.js';
import { DECISION_RULES } from '../procedure/limits.js';
import type { LimitsVocabulary, RowWord, Word } from '../procedure/limits-completions.js';
import type { Procedure } from '../procedure/procedure.js';
import { characteristic } from '../scoring/catalogue.js';
import { PACKAGE_ROOT } from './documents.js';

/** Everything an editor may offer for limits of a procedure: from it, the catalogue and the schema. */
export function limitsVocabulary(procedure: Procedure): LimitsVocabulary {
  return {
    rows: procedure.stages.flatMap((stage) =>
      stage.reads.flatMap((reading) => rowWord(stage.id, reading.characteristic)),
    ),
    keys: schemaKeys(),
    rules: DECISION_RULES.map((rule) => ({ word: rule, meaning: RULES[rule].meaning })),
  };
}

function rowWord(stage: string, id: string): readonly RowWord[] {
  const known = characteristic(id);
  if (known === undefined) return [];
  const others = [...UNITS.values()]
    .filter(({ dimension, symbol }) => dimension === known.dimension && symbol !== known.unit)
    .map(({ symbol }) => symbol);
  const word = `${stage}.${id}`;
  return [{ word, meaning: known.definition, units: [known.unit, ...others] }];
}

const SCHEMA = join(PACKAGE_ROOT, 'limits', 'limits.schema.json');

function schemaKeys(): LimitsVocabulary['keys'] {
  const schema: unknown = JSON.parse(readFileSync(SCHEMA, 'utf8'));
  const keysAt = (...path: readonly string[]): readonly Word[] =>
    Object.entries(membersOf(path.reduce(member, schema))).map(([word, value]) => ({
      word,
      meaning: describe(value, schema),
    }));
  return {
    document: keysAt('properties').filter(({ word }) => word !== 'approved'),
    procedure: keysAt('properties', 'procedure', 'properties'),
    limit: keysAt('$defs', 'limit', 'properties'),
    process: keysAt('$defs', 'process', 'properties'),
  };
}

const membersOf = (value: unknown): object =>
  typeof value === 'object' && value !== null ? value : {};

const member = (value: unknown, key: string): unknown =>
  (membersOf(value) as Readonly<Record<string, unknown>>)[key];

/** Its own description, or that of the definition it refers to. */
function describe(value: unknown, schema: unknown): string {
  const reference = member(value, '$ref');
  const target =
    typeof reference === 'string'
      ? member(member(schema, '$defs'), reference.split('/').at(-1) ?? '')
      : undefined;
  const told = member(value, 'description') ?? member(target, 'description');
  return typeof told === 'string' ? told : '';
}
