import { expect, test } from 'vitest';
import {
  followRoute,
  routeFor,
  routeLines,
  routesProblems,
  type RoutedItem,
} from '../../src/identity/routing.js';
import { dayStart } from '../../src/base/calendar.js';
import type { Limits } from '../../src/procedure/limits.js';
import type { Procedure } from '../../src/procedure/procedure.js';
import type { Route, Sampling } from '../../src/procedure/routes.js';
import { shippedDocuments } from '../support/simulated-run.js';

const at = (text: string): number => Date.parse(text);
const WHERE = { file: 'routes.yaml', line: 9, column: 5, length: 4 };

const route = (over: Partial<Route> = {}): Route => ({
  model: 'H12',
  gtin: '09520123401207',
  revision: 'C3',
  procedure: { id: 'h12-acceptance', issue: 4 },
  limits: { id: 'AS-H12', issue: 10 },
  from: at('2026-01-12T00:00:00Z'),
  where: WHERE,
  ...over,
});

const ITEM: RoutedItem = { model: 'H12', gtin: '9520123401207', revision: 'C3' };
const NOW = at('2026-11-28T10:00:00Z');

const BERLIN = 'Europe/Berlin';
const [AUTUMN, SPRING] = [dayStart('2026-10-25', BERLIN), dayStart('2026-03-29', BERLIN)];
const switched = (instant: number): readonly Route[] => [
  route({ procedure: { id: 'h12-acceptance', issue: 3 }, until: instant }),
  route({ from: instant }),
];

// Issue in force around the local midnights of the days on which clocks are changed.
const switches: readonly (readonly [routes: readonly Route[], when: string, issue: number])[] = [
  [switched(AUTUMN), '2026-10-24T21:59:59.999Z', 3],
  [switched(AUTUMN), '2026-10-24T22:00:00.000Z', 4],
  [switched(AUTUMN), '2026-10-25T00:30:00Z', 4], // half past two, the first time
  [switched(AUTUMN), '2026-10-25T01:30:00Z', 4], // half past two, again
  [switched(AUTUMN), '2026-10-25T23:00:00Z', 4],
  [switched(SPRING), '2026-03-28T22:59:59.999Z', 3],
  [switched(SPRING), '2026-03-28T23:00:00.000Z', 4],
  [switched(SPRING), '2026-03-29T01:00:00Z', 4],
  [switched(SPRING), '2026-03-29T22:00:00Z', 4],
];

for (const [routes, when, issue] of switches) {
  test(`issue ${issue} counts at ${when}`, () => {
    const found = routeFor(routes, ITEM, at(when));
    if (found.kind === 'refused') throw new Error(found.problem.what);
    expect(found.route.procedure.issue).toBe(issue);
  });
}

const refusals: readonly {
  readonly name: string;
  readonly routes: readonly Route[];
  readonly item?: RoutedItem;
  readonly when?: number;
  readonly code: string;
  readonly says: string;
}[] = [
  {
    name: 'an unknown model',
    routes: [route()],
    item: { model: 'H15' },
    code: 'serial/unknown-model',
    says: 'No route is written for model H15; there are routes for: H12 C3.',
  },
  {
    name: 'no route at all',
    routes: [],
    code: 'serial/unknown-model',
    says: 'No route is written for model H12 with GTIN 9520123401207; there are routes for: none at all.',
  },
  {
    name: 'another GTIN than that of the route',
    routes: [route()],
    item: { ...ITEM, gtin: '09520123400682' },
    code: 'serial/unknown-model',
    says: 'No route is written for model H12 with GTIN 09520123400682; there are routes for: H12 C3.',
  },
  {
    name: 'an unknown hardware revision',
    routes: [route()],
    item: { ...ITEM, revision: 'D1' },
    code: 'serial/unknown-model',
    says: 'No route is written for hardware revision D1 of model H12; there are routes for: H12 C3.',
  },
  {
    name: 'two valid at the same instant',
    routes: [route(), route({ limits: { id: 'AS-H12', issue: 11 } })],
    code: 'route/overlap',
    says: 'Routes for H12 C3 count twice at 2026-11-28T10:00:00Z: h12-acceptance issue 4 with AS-H12 issue 10, and h12-acceptance issue 4 with AS-H12 issue 11.',
  },
  {
    name: 'two revisions and a serial that names none',
    routes: [route(), route({ revision: 'D1' })],
    item: { model: 'H12' },
    code: 'serial/unknown-model',
    says: 'Routes for H12 C3, H12 D1 count at 2026-11-28T10:00:00Z, and the serial names no hardware revision.',
  },
  {
    name: 'a gap between two',
    routes: [
      route({ until: at('2026-11-28T09:00:00Z') }),
      route({ from: at('2026-11-30T00:00:00Z') }),
    ],
    code: 'route/gap',
    says: 'No route of H12 C3 counts at 2026-11-28T10:00:00Z: the last one counted until 2026-11-28T09:00:00Z; the next one counts from 2026-11-30T00:00:00Z.',
  },
  {
    name: 'approved, but not yet effective',
    routes: [route({ from: NOW + 1000 })],
    code: 'route/gap',
    says: 'No route of H12 C3 counts at 2026-11-28T10:00:00Z: the next one counts from 2026-11-28T10:00:01Z.',
  },
  {
    name: 'the instant of the end itself',
    routes: [route({ until: NOW })],
    code: 'route/gap',
    says: 'No route of H12 C3 counts at 2026-11-28T10:00:00Z: the last one counted until 2026-11-28T10:00:00Z.',
  },
];

for (const { name, routes, item = ITEM, when = NOW, code, says } of refusals) {
  test(`${name}: ${code}`, () => {
    const found = routeFor(routes, item, when);
    if (found.kind === 'route') throw new Error('it found a route');
    expect(found.problem.code).toBe(code);
    expect(found.problem.what).toBe(says);
  });
}

test('a route by model and GTIN is found by a plain serial, which knows no GTIN', () => {
  expect(routeFor([route()], { model: 'H12' }, NOW).kind).toBe('route');
});

const { procedure, limits } = shippedDocuments();
const own = route({
  procedure: { id: procedure.id, issue: procedure.issue },
  limits: { id: limits.id, issue: limits.issue },
});
const all = { procedures: [procedure], limits: [limits] };
const older: Procedure = { ...procedure, issue: 3, file: 'older.yaml' };
const otherLimits: Limits = { ...limits, procedureIssue: 3, issue: 98, file: 'other.yaml' };

const extended: Procedure = { ...procedure, id: 'h12-extended', issue: 1, file: 'extended.yaml' };
const wider: Limits = {
  ...{ ...limits, id: 'AS-H12X', issue: 2, file: 'wider.yaml' },
  ...{ procedure: 'h12-extended', procedureIssue: 1 },
};
const sampled = (over: Partial<Sampling> = {}): Sampling => ({
  ...{ every: 25, random: 40, where: { ...WHERE, line: 12 } },
  ...{ procedure: { id: 'h12-extended', issue: 1 }, limits: { id: 'AS-H12X', issue: 2 } },
  ...over,
});

test('a route with samples leads to both pairs of documents, and its line tells both', () => {
  const both = route({ ...own, sampling: sampled() });
  const among = { procedures: [procedure, extended], limits: [limits, wider] };
  const followed = followRoute(both, among);
  if (followed.kind === 'refused') throw new Error(followed.problems[0].what);
  expect([followed.procedure.id, followed.limits.id]).toEqual(['h12-acceptance', 'AS-H12']);
  const { rule, procedure: picked, limits: held } = followed.sampling ?? {};
  expect([rule?.every, rule?.random, picked?.id, held?.id]).toEqual([
    ...[25, 40, 'h12-extended', 'AS-H12X'],
  ]);
  expect(routeLines({ routes: [both] })[0]).toMatch(
    /Z; samples, every 25th, 1 in 40 at random: h12-extended issue 1, AS-H12X issue 2$/u,
  );
  expect(
    routesProblems({ routes: [both] }, all).map(({ code, where }) => [code, where?.line]),
  ).toEqual([
    ['route/missing', 12],
    ['route/missing', 12],
  ]);
});

const OWN = `issue ${String(procedure.issue)}`;

const follows: readonly {
  readonly name: string;
  readonly route: Route;
  readonly among?: typeof all;
  readonly code: string;
  readonly says: string;
}[] = [
  {
    name: 'an issue of the procedure that is not among the files',
    route: route({ ...own, procedure: { id: 'h12-acceptance', issue: 99 } }),
    code: 'route/missing',
    says: `The route names procedure h12-acceptance issue 99, which is not among the files; there are ${OWN}.`,
  },
  {
    name: 'limits that nobody wrote',
    route: route({ ...own, limits: { id: 'AS-H99', issue: 1 } }),
    code: 'route/missing',
    says: 'The route names limits AS-H99 issue 1, which is not among the files; there is none of that name.',
  },
  {
    name: 'an issue in two files',
    route: own,
    among: { ...all, procedures: [procedure, { ...procedure, file: 'copy.yaml' }] },
    code: 'route/missing',
    says: `The route names procedure h12-acceptance ${OWN}, which is in 2 files: ${procedure.file}, copy.yaml.`,
  },
  {
    name: 'a procedure that is not approved',
    route: own,
    among: { ...all, procedures: [unapproved(procedure)] },
    code: 'document/not-approved',
    says: `"${procedure.file}" is not approved, but items are tested to approved documents only.`,
  },
  {
    name: 'a hardware revision that the procedure is not for',
    route: route({ ...own, revision: 'D1' }),
    code: 'route/missing',
    says: `The route of H12 D1 names procedure h12-acceptance ${OWN}, which is for H12, GTIN 09520123401207, hardware revision C3.`,
  },
  {
    name: 'a procedure that measures the stand',
    route: own,
    among: { ...all, procedures: [{ ...procedure, purpose: 'stand' }] },
    code: 'route/missing',
    says: `The route names procedure h12-acceptance ${OWN}, whose purpose is "stand".`,
  },
  {
    name: 'an extended procedure that is not among the files',
    route: route({ ...own, sampling: sampled() }),
    among: { ...all, limits: [limits, wider] },
    code: 'route/missing',
    says: 'The route names procedure h12-extended issue 1, which is not among the files; there is none of that name.',
  },
  {
    name: 'extended limits that belong to the procedure of the route',
    route: route({ ...own, sampling: sampled({ limits: own.limits }) }),
    among: { ...all, procedures: [procedure, extended] },
    code: 'route/missing',
    says: `The route names limits AS-H12 issue ${String(limits.issue)}, which belong to procedure h12-acceptance issue ${String(procedure.issue)}, not to h12-extended issue 1.`,
  },
  {
    name: 'limits of another issue of the procedure',
    route: route({ ...own, limits: { id: limits.id, issue: otherLimits.issue } }),
    among: { ...all, limits: [otherLimits] },
    code: 'route/missing',
    says: `The route names limits AS-H12 issue ${String(otherLimits.issue)}, which belong to procedure h12-acceptance issue 3, not to h12-acceptance ${OWN}.`,
  },
];

function unapproved({ approval, ...rest }: Procedure): Procedure {
  expect(approval).toBeDefined();
  return rest;
}

for (const { name, route: followed, among = all, code, says } of follows) {
  test(`${name}: ${code}`, () => {
    const found = followRoute(followed, among);
    if (found.kind === 'documents') throw new Error('it led to documents');
    expect(found.problems.map((p) => [p.code, p.what])).toEqual([[code, says]]);
  });
}

test('a route leads to the issue it names, also when others lie beside it', () => {
  const found = followRoute(own, { procedures: [older, procedure], limits: [otherLimits, limits] });
  if (found.kind === 'refused') throw new Error(found.problems[0].what);
  expect([found.procedure.issue, found.limits.issue]).toEqual([procedure.issue, limits.issue]);
});

test('a route that has ended need not find its documents any more; one still to come must', () => {
  const gone = route({ ...own, procedure: { id: 'h12-acceptance', issue: 1 }, until: NOW });
  expect(routesProblems({ routes: [gone, own] }, all, NOW)).toEqual([]);
  expect(routesProblems({ routes: [gone, own] }, all)).toHaveLength(1);
  const coming = route({ ...own, procedure: { id: 'h12-acceptance', issue: 99 }, from: NOW + 1 });
  expect(routesProblems({ routes: [coming] }, all, NOW).map((p) => p.code)).toEqual([
    'route/missing',
  ]);
});

test('a gap shows in the list of routes', () => {
  const routes = [
    route({ from: at('2026-11-30T00:00:00Z') }),
    route({ until: at('2026-11-28T09:00:00Z') }),
  ] as const;
  expect(routeLines({ routes })).toEqual([
    '  H12 C3: h12-acceptance issue 4, AS-H12 issue 10, from 2026-01-12T00:00:00Z until 2026-11-28T09:00:00Z; then none until 2026-11-30T00:00:00Z',
    '  H12 C3: h12-acceptance issue 4, AS-H12 issue 10, from 2026-11-30T00:00:00Z',
  ]);
});
