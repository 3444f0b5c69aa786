import { readFileSync, writeFileSync } from 'node:fs';
import { fileURLToPath } from 'node:url';
import { _ } from 'ajv';
import { Ajv2020 } from 'ajv/dist/2020.js';
import standalone from 'ajv/dist/standalone/index.js';
import { FORMATS } from './quantities.js';

const root = new URL('../../', import.meta.url);
const SCHEMAS = {
  procedure: 'procedures/procedure.schema.json',
  limits: 'limits/limits.schema.json',
  bench: 'procedures/benches/bench.schema.json',
  references: 'procedures/benches/reference-items.schema.json',
  routes: 'procedures/routes.schema.json',
  dialect: 'procedures/links/dialect.schema.json',
} as const;

/** Where `npm run build` writes what this file makes; git does not keep it. */
export const VALIDATORS = fileURLToPath(new URL('src/procedure/validators.ts', root));

/**
 * Compiles the schema files into a module that needs no schema library when it runs: loading
 * the library and compiling at every start would cost more than reading the documents.
 */
export function compiledSchemas(): string {
  const names = Object.fromEntries(Object.keys(SCHEMAS).map((kind) => [kind, kind]));
  const code = standalone
    .default(schemaCompiler(), names)
    .replace('"use strict";', '')
    .replace('require("ajv/dist/runtime/ucs2length").default', 'lengthOf');
  return [
    '// @ts-nocheck -- made by compile-schemas.ts from the schema files; do not edit',
    "import { FORMATS } from './quantities.js';",
    code,
    'function lengthOf(text) { return [...text].length; }',
    '',
  ].join('\n');
}

/** The compiler with the options of this project and all schema files loaded. */
export function schemaCompiler(): Ajv2020 {
  const ajv = new Ajv2020({
    allErrors: true,
    discriminator: true,
    strict: true,
    strictRequired: false, // refers to properties of the schema around, which the draft allows
    verbose: true,
    messages: false,
    inlineRefs: false,
    formats: FORMATS,
    code: { source: true, esm: true, lines: true, formats: _`FORMATS` },
  });
  ajv.addKeyword('patternTitle'); // words for a pattern, read by structure.ts
  for (const [kind, file] of Object.entries(SCHEMAS)) {
    const text = readFileSync(new URL(file, root), 'utf8');
    ajv.addSchema(JSON.parse(text, withoutAnnotations) as object, kind);
  }
  return ajv;
}

/** Titles and descriptions are for editors; compiled, they would only be weight. */
function withoutAnnotations(_key: string, value: unknown): unknown {
  if (typeof value !== 'object' || value === null || Array.isArray(value)) return value;
  const kept = Object.entries(value).filter(
    ([key, member]) =>
      !(typeof member === 'string' && (key === 'title' || key === 'description')) &&
      key !== 'examples',
  );
  return Object.fromEntries(kept);
}

if (process.argv[1] === fileURLToPath(import.meta.url))
  writeFileSync(VALIDATORS, compiledSchemas());
