import { readdirSync, readFileSync } from 'node:fs';
import { dirname, join, relative, resolve } from 'node:path';
import { fileURLToPath } from 'node:url';
import { expect, test } from 'vitest';
import { CODES } from '../../src/base/codes.js';

const root = fileURLToPath(new URL('../..', import.meta.url));
const sources = [...filesBelow(join(root, 'src'), '.ts'), ...filesBelow(join(root, 'src'), '.tsx')];
const tests = filesBelow(join(root, 'tests'), '.ts');

/** Data flows downwards: a folder imports only from the folders after its name. */
const MAY_IMPORT: Readonly<Record<string, readonly string[]>> = {
  kernel: [],
  base: ['kernel'],
  procedure: ['base'],
  pattern: ['base', 'procedure'],
  bench: ['base', 'procedure', 'pattern'],
  link: ['base', 'procedure'],
  rig: ['base', 'procedure', 'pattern', 'bench', 'link'],
  emulator: ['base', 'procedure', 'pattern', 'bench', 'link'],
  capture: ['base', 'procedure', 'pattern', 'bench'],
  scoring: ['kernel', 'base', 'procedure', 'pattern', 'capture'],
  decision: ['base', 'procedure', 'capture', 'scoring'],
  identity: ['base', 'procedure'],
  ledger: ['base'],
  certificate: ['base', 'procedure', 'bench', 'scoring', 'decision', 'ledger'],
  people: ['base', 'ledger', 'certificate'],
  readiness: ['base', 'procedure', 'bench', 'scoring', 'decision', 'identity', 'ledger', 'people'],
  run: [
    'base',
    'procedure',
    'pattern',
    'bench',
    'rig',
    'capture',
    'scoring',
    'decision',
    'ledger',
    'certificate',
    'people',
    'identity',
    'readiness',
  ],
  cli: [
    'base',
    'procedure',
    'bench',
    'link',
    'emulator',
    'scoring',
    'decision',
    'identity',
    'ledger',
    'certificate',
    'people',
    'readiness',
    'run',
    'serve',
  ],
  serve: [
    'base',
    'procedure',
    'pattern',
    'bench',
    'capture',
    'scoring',
    'decision',
    'identity',
    'ledger',
    'certificate',
    'people',
    'readiness',
    'run',
  ],
  // Of serve only types: what a page asks for and is told.
  page: ['base', 'procedure', 'bench', 'decision', 'certificate', 'people', 'readiness', 'serve'],
};

function filesBelow(folder: string, ending: string): readonly string[] {
  return readdirSync(folder, { recursive: true, encoding: 'utf8' })
    .filter((name) => name.endsWith(ending))
    .map((name) => join(folder, name));
}

function importsOf(file: string): readonly string[] {
  const text = readFileSync(file, 'utf8');
  const matches = text.matchAll(/(?:from|import)\s*\(?\s*'(\.[^']+)'/gu);
  return [...matches].map((m) => resolve(dirname(file), m[1] ?? ''));
}

const folderOf = (file: string): string => relative(join(root, 'src'), file).split('/')[0] ?? '';

test('every folder of src stands in the table of import directions', () => {
  expect([...new Set(sources.map(folderOf))].sort()).toEqual(Object.keys(MAY_IMPORT).sort());
});

for (const file of sources) {
  test(`${relative(root, file)} imports only what lies above it`, () => {
    const folder = folderOf(file);
    const allowed = [folder, ...(MAY_IMPORT[folder] ?? [])];
    const other = importsOf(file).filter((target) => !allowed.includes(folderOf(target)));
    expect(other.map((target) => relative(root, target))).toEqual([]);
  });
}

test('no file is named for being a heap', () => {
  const heaps = /\/(?:index|utils?|helpers?|common|misc|types)\.tsx?$/u;
  expect([...sources, ...tests].filter((file) => heaps.test(file))).toEqual([]);
});

test('every suppressed rule states its reason on the same line', () => {
  const bare = [...sources, ...tests].flatMap((file) =>
    readFileSync(file, 'utf8')
      .split('\n')
      .filter((line) => /eslint-disable|@ts-ignore/u.test(line) && !/ -- \S/u.test(line))
      .filter((line) => !line.includes('/eslint-disable|@ts-ignore/'))
      .map((line) => `${relative(root, file)}: ${line.trim()}`),
  );
  expect(bare).toEqual([]);
});

test('words of the trade: no other name for item, stage, accept and reject', () => {
  const banned = /\b(?:dut|uut|playback)\b|\b(?:PASS|FAIL|passed|failed) (?:the|item|unit)\b/iu;
  const found = sources.flatMap((file) =>
    readFileSync(file, 'utf8')
      .split('\n')
      .filter((line) => banned.test(line))
      .map((line) => `${relative(root, file)}: ${line.trim()}`),
  );
  expect(found).toEqual([]);
});

test('every error code is raised somewhere, and reads area/problem', () => {
  const text = sources.map((file) => readFileSync(file, 'utf8')).join('\n');
  const unused = Object.keys(CODES).filter((code) => text.split(`'${code}'`).length < 3);
  expect(unused).toEqual([]);
  expect(Object.keys(CODES).filter((code) => !/^[a-z]+\/[a-z-]+$/u.test(code))).toEqual([]);
});

test('the top level holds what the project agreed on and nothing else', () => {
  const agreed = new Set([
    'README.md',
    'DEVELOPERS.md',
    'LICENSE',
    'package.json',
    'package-lock.json',
    'tsconfig.json',
    'src',
    'procedures',
    'limits',
    'tests',
    'reports',
    'node_modules',
    'dist',
  ]);
  const extra = readdirSync(root).filter((name) => !name.startsWith('.') && !agreed.has(name));
  expect(extra).toEqual([]);
});
