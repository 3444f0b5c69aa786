import { expect, test } from 'vitest';
import { StallmarkError } from '../../src/base/error.js';
import type { Route, Routes } from '../../src/procedure/routes.js';
import { checkDocuments } from '../../src/run/check-documents.js';
import { prepare, type Choice } from '../../src/run/documents.js';
import { refusePicked, routed, routedPair } from '../../src/run/on-route.js';
import { temporaryFolder } from '../support/folder.js';
import { documentOptions, shortDocuments } from '../support/short-documents.js';
import { shippedDocuments } from '../support/simulated-run.js';

const SERIAL = 'H12-26-04711';
const NOW = Date.parse('2026-11-28T10:00:00Z');
const { procedure, limits } = shippedDocuments();

const route = (over: Partial<Route> = {}): Route => ({
  ...{ model: 'H12', revision: 'C3', from: Date.parse('2026-01-12T00:00:00Z') },
  procedure: { id: procedure.id, issue: procedure.issue },
  limits: { id: limits.id, issue: limits.issue },
  where: { file: 'routes.yaml', line: 9, column: 5, length: 4 },
  ...over,
});
const DIGEST = 'd'.repeat(64);
const routes = (first: Route, ...more: readonly Route[]): Routes => ({
  ...{ id: 'works', title: 'Routes', issue: 1, date: '2026-11-28', file: 'routes.yaml' },
  digest: DIGEST,
  approval: { by: 'Q. Engineer', role: 'quality engineer', on: '2026-11-28', digest: DIGEST },
  routes: [first, ...more],
});
const all = (...documents: readonly Routes[]) => ({
  procedures: [procedure],
  limits: [limits],
  routes: documents,
});

function codesOf(work: () => unknown): readonly string[] {
  try {
    work();
    return [];
  } catch (error) {
    if (error instanceof StallmarkError) return error.problems.map(({ code }) => code);
    throw error;
  }
}

test('the serial leads to the shipped documents by the shipped routes, and to nothing before them', () => {
  const chosen = prepare({ serial: SERIAL, revision: 'C3', at: NOW });
  expect([chosen.procedure.id, chosen.limits.id]).toEqual(['h12-acceptance', 'AS-H12']);
  const early: Choice = { serial: SERIAL, at: Date.parse('2026-11-27T23:59:59.999Z') };
  expect(codesOf(() => prepare(early))).toEqual(['route/gap']);
  expect(codesOf(() => prepare({ ...early, at: NOW, revision: 'D1' }))).toEqual([
    'serial/unknown-model',
  ]);
});

const refusals: readonly (readonly [string, ReturnType<typeof all>, Partial<Choice>, string])[] = [
  [
    'a serial of no model',
    all(routes(route())),
    { serial: 'H99-26-04711' },
    'serial/unknown-model',
  ],
  ['no routes at all', all(), {}, 'serial/unknown-model'],
  ['routes that nobody approved', all(unapproved(routes(route()))), {}, 'document/not-approved'],
  [
    'routes that were changed since',
    all({ ...routes(route()), digest: 'e'.repeat(64) }),
    {},
    'document/changed',
  ],
  [
    'two documents of routes that both count',
    all(routes(route()), { ...routes(route()), file: 'more.yaml' }),
    {},
    'route/overlap',
  ],
  ['a gap', all(routes(route({ until: NOW }))), {}, 'route/gap'],
  [
    'an issue that is not there',
    all(routes(route({ limits: { id: limits.id, issue: limits.issue + 1 } }))),
    {},
    'route/missing',
  ],
];

function unapproved({ approval, ...rest }: Routes): Routes {
  expect(approval).toBeDefined();
  return rest;
}

for (const [name, documents, over, code] of refusals) {
  test(`${name}: ${code}`, () => {
    const asked = { serial: SERIAL, at: NOW, ...over };
    expect(codesOf(() => routedPair(documents, asked))).toEqual([code]);
    expect(routed(documents, asked).kind).toBe('refused');
  });
}

test('a document of routes that was read twice counts once', () => {
  const twice = routes(route());
  expect(routed(all(twice, twice), { serial: SERIAL, at: NOW }).kind).toBe('documents');
});

test('what was chosen before a switch stays; what is chosen at the switch is new', () => {
  const [older, newer] = [limits, { ...limits, issue: limits.issue + 1, file: 'new.yaml' }];
  const [before, after] = [
    route({ until: NOW }),
    route({ from: NOW, limits: { id: newer.id, issue: newer.issue } }),
  ];
  const documents = { ...all(routes(before, after)), limits: [older, newer] };
  const begun = routedPair(documents, { serial: SERIAL, at: NOW - 1 });
  const next = routedPair(documents, { serial: SERIAL, at: NOW });
  expect([begun.limits.issue, next.limits.issue]).toEqual([older.issue, newer.issue]);
});

test('files that are named explicitly need no route', () => {
  const { procedure: file, limits: limitsFile, bench } = shortDocuments(temporaryFolder());
  const named = { procedure: file, limits: limitsFile, bench };
  const chosen = prepare({ serial: SERIAL, at: 0, ...named });
  expect(chosen.procedure.file).toBe(file);
  expect(documentOptions(named)).toHaveLength(6);
});

test('a real bench takes no document from a command line; a simulated one does', () => {
  const picked = { procedure: 'a.yaml', limits: 'b.yaml' };
  expect(
    codesOf(() => {
      refusePicked(picked, false);
    }),
  ).toEqual(['usage/argument', 'usage/argument']);
  expect(
    codesOf(() => {
      refusePicked({}, false);
    }),
  ).toEqual([]);
  expect(
    codesOf(() => {
      refusePicked(picked, true);
    }),
  ).toEqual([]);
});

test('the shipped routes check clean and are listed', () => {
  const found = checkDocuments(['procedures/routes.yaml'], NOW);
  expect(found.problems).toEqual([]);
  expect(found.summary).toEqual([
    'procedures/routes.yaml  Which procedure and limits count for which unit at Tarnwick, issue 2',
    `  H12 C3: h12-acceptance issue ${String(procedure.issue)}, AS-H12 issue ${String(limits.issue)}, from 2026-11-28T00:00:00Z`,
  ]);
});
