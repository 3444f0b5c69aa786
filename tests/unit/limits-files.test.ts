import { expect, test } from 'vitest';
import { StallmarkError } from '../../src/base/error.js';
import { DEFAULT_FOLDERS, readDocuments } from '../../src/run/documents.js';
import { effectiveLimits, limitsFiles } from '../../src/run/limits-files.js';

const documents = readDocuments(DEFAULT_FOLDERS);
const [shipped] = documents.limits;
if (shipped === undefined) throw new Error('no shipped limits');
const route = documents.routes
  .flatMap(({ routes }) => routes)
  .find(({ limits }) => limits.id === shipped.id && limits.issue === shipped.issue);
if (route === undefined) throw new Error('no route to the shipped limits');
const old = { ...shipped, issue: shipped.issue - 1, file: 'limits/as-h12-old.yaml' };
const both = { ...documents, limits: [old, shipped] };

const CASES: readonly {
  readonly name: string;
  readonly at: number;
  readonly named?: string;
  readonly want: readonly (readonly [string, boolean])[];
}[] = [
  {
    name: 'the issue that a route leads to comes first and is in force',
    at: route.from,
    want: [
      [shipped.file, true],
      [old.file, false],
    ],
  },
  {
    name: 'before the first instant of the route none is in force',
    at: route.from - 1,
    want: [
      [old.file, false],
      [shipped.file, false],
    ],
  },
  {
    name: 'a named file is the only one',
    at: route.from,
    named: old.file,
    want: [[old.file, true]],
  },
];

for (const { name, at, named, want } of CASES) {
  test(name, () => {
    const files = limitsFiles(both, named, at);
    expect(files.map(({ limits, isInForce }) => [limits.file, isInForce])).toEqual(want);
  });
}

test('limits of a name that nobody knows are told with those that are there', () => {
  const files = limitsFiles(documents, undefined, route.from);
  expect(effectiveLimits(files, shipped.id).limits.file).toBe(shipped.file);
  expect(() => effectiveLimits(files, 'AS-X')).toThrow(StallmarkError);
  expect(() => effectiveLimits(files, 'AS-X')).toThrow(shipped.id);
});
