import { isoInstant } from '../base/clock.js';
import type { Place, Problem } from '../base/error.js';
import { isNonEmpty, type NonEmpty } from '../base/numbers.js';
import { checkApproval, type Approvable } from '../procedure/approval.js';
import type { Limits } from '../procedure/limits.js';
import type { Procedure } from '../procedure/procedure.js';
import {
  routeName,
  samplingWords,
  type Issue,
  type Route,
  type Routes,
  type Sampling,
} from '../procedure/routes.js';

/** What is known of an item that is to be tested. */
export interface RoutedItem {
  /** Code of its model. */
  readonly model: string;
  readonly gtin?: string;
  /** Hardware revision, where the label names one. */
  readonly revision?: string;
}

/** The one route that counts, or why there is none. */
export type Routing =
  | { readonly kind: 'route'; readonly route: Route }
  | { readonly kind: 'refused'; readonly problem: Problem };

/**
 * Finds the route of an item at an instant: one, or the reason why there is none. Nobody chooses.
 *
 * An attempt takes its route at the instant at which it is asked for and keeps the documents: one that
 * was begun before a switch finishes on the old ones.
 *
 * @param at - ms since the Unix epoch.
 *
 * Check: tests/unit/routing.test.ts.
 */
export function routeFor(routes: readonly Route[], item: RoutedItem, at: number): Routing {
  const ofModel = routes.filter((route) => isOfModel(route, item));
  if (ofModel.length === 0) return unknownModel(routes, item);
  const { revision } = item;
  const known = ofModel.filter((route) => revision === undefined || route.revision === revision);
  if (!isNonEmpty(known)) return unknownRevision(ofModel, item);
  const now = known.filter((route) => route.from <= at && at < (route.until ?? Infinity));
  const [route, ...others] = now;
  if (route === undefined) return gap(known, item, at);
  if (others.length === 0) return { kind: 'route', route };
  return several(now, at);
}

const pad = (gtin: string): string => gtin.padStart(14, '0');

function isOfModel(route: Route, { model, gtin }: RoutedItem): boolean {
  if (route.model !== undefined && route.model !== model) return false;
  if (route.gtin === undefined) return true;
  return gtin === undefined ? route.model !== undefined : pad(gtin) === pad(route.gtin);
}

const namesOf = (routes: readonly Route[]): string =>
  [...new Set(routes.map(routeName))].join(', ');

const refusal = (code: Problem['code'], what: string, fix: string): Routing => ({
  kind: 'refused',
  problem: { code, what, fix },
});

function unknownModel(routes: readonly Route[], { model, gtin }: RoutedItem): Routing {
  const there = routes.length === 0 ? 'none at all' : namesOf(routes);
  const ofGtin = gtin === undefined ? '' : ` with GTIN ${gtin}`;
  const what = `No route is written for model ${model}${ofGtin}; there are routes for: ${there}.`;
  return refusal(
    'serial/unknown-model',
    what,
    'Scan the label of the item, or have a route for its model approved.',
  );
}

function unknownRevision(ofModel: readonly Route[], { model, revision = '' }: RoutedItem): Routing {
  const what = `No route is written for hardware revision ${revision} of model ${model}; there are routes for: ${namesOf(ofModel)}.`;
  const fix = 'Set the item aside until a route for its revision is approved.';
  return refusal('serial/unknown-model', what, fix);
}

function gap(known: NonEmpty<Route>, item: RoutedItem, at: number): Routing {
  const ends = known.flatMap(({ until }) => (until !== undefined && until <= at ? [until] : []));
  const begins = known.flatMap(({ from }) => (from > at ? [from] : []));
  const told = [
    ...(ends.length === 0 ? [] : [`the last one counted until ${isoInstant(Math.max(...ends))}`]),
    ...(begins.length === 0 ? [] : [`the next one counts from ${isoInstant(Math.min(...begins))}`]),
  ];
  const name =
    item.revision === undefined ? `model ${item.model}` : `${item.model} ${item.revision}`;
  const what = `No route of ${name} counts at ${isoInstant(at)}: ${told.join('; ')}.`;
  return refusal('route/gap', what, 'Have the routes corrected and approved, or wait until then.');
}

function several(now: readonly Route[], at: number): Routing {
  const revisions = new Set(now.map(({ revision }) => revision));
  if (revisions.size > 1) {
    const what = `Routes for ${namesOf(now)} count at ${isoInstant(at)}, and the serial names no hardware revision.`;
    const fix = 'Scan the GS1 code of the item, which names its revision as (240).';
    return refusal('serial/unknown-model', what, fix);
  }
  const named = now.map(({ procedure, limits }) => `${shown(procedure)} with ${shown(limits)}`);
  const what = `Routes for ${namesOf(now)} count twice at ${isoInstant(at)}: ${named.join(', and ')}.`;
  return refusal('route/overlap', what, 'Have the older one ended and the routes approved anew.');
}

const shown = ({ id, issue }: Issue): string => `${id} issue ${String(issue)}`;

/** Documents that routes may lead to. */
export interface Reachable {
  readonly procedures: readonly Procedure[];
  readonly limits: readonly Limits[];
}

/** When an item is a sample, and what it is tested to then. */
export interface SamplingPlan {
  readonly rule: Pick<Sampling, 'every' | 'random'>;
  readonly procedure: Procedure;
  readonly limits: Limits;
}

/** What a route leads to, or every reason why it leads nowhere. */
export type Followed =
  | {
      readonly kind: 'documents';
      readonly procedure: Procedure;
      readonly limits: Limits;
      /** Absent: no item is a sample. */
      readonly sampling?: SamplingPlan;
    }
  | { readonly kind: 'refused'; readonly problems: NonEmpty<Problem> };

/**
 * Follows a route to its documents: both must be among the files in the issue named, approved and
 * unchanged, belong to each other, and be for the model and revision of the route. Those of its samples
 * are held to the same.
 */
export function followRoute(route: Route, all: Reachable): Followed {
  const { sampling: rule, ...own } = route;
  const followed = followPair(own, all);
  if (rule === undefined) return followed;
  const { procedure, limits, where } = rule;
  const extended = followPair({ ...own, procedure, limits, where }, all);
  if (followed.kind === 'refused' && extended.kind === 'refused') {
    return { kind: 'refused', problems: [...followed.problems, ...extended.problems] };
  }
  if (followed.kind === 'refused') return followed;
  if (extended.kind === 'refused') return extended;
  return {
    ...followed,
    sampling: { rule, procedure: extended.procedure, limits: extended.limits },
  };
}

function followPair(route: Omit<Route, 'sampling'>, all: Reachable): Followed {
  const procedure = found(route.procedure, all.procedures, 'procedure', route.where);
  const limits = found(route.limits, all.limits, 'limits', route.where);
  const missing = [procedure, limits].filter((one) => one.kind === 'missing');
  if (procedure.kind === 'missing' || limits.kind === 'missing') {
    const [first, ...more] = missing.map(({ problem }) => problem);
    if (first === undefined) throw new Error('a document is missing for no reason');
    return { kind: 'refused', problems: [first, ...more] };
  }
  const pair = { procedure: procedure.document, limits: limits.document };
  const problems = [
    ...checkApproval(pair.procedure),
    ...checkApproval(pair.limits),
    ...belongingProblems(route, pair.procedure, pair.limits),
  ];
  return isNonEmpty(problems) ? { kind: 'refused', problems } : { kind: 'documents', ...pair };
}

type Found<T> =
  | { readonly kind: 'found'; readonly document: T }
  | { readonly kind: 'missing'; readonly problem: Problem };

function found<T extends Approvable & Issue>(
  wanted: Issue,
  among: readonly T[],
  noun: string,
  where: Place,
): Found<T> {
  const same = among.filter(({ id, issue }) => id === wanted.id && issue === wanted.issue);
  const byFile = [...new Map(same.map((one) => [one.file, one])).values()];
  const [document, ...others] = byFile;
  if (document !== undefined && others.length === 0) return { kind: 'found', document };
  const issues = among.filter(({ id }) => id === wanted.id).map(({ issue }) => issue);
  const there = issues.length === 0 ? 'there is none of that name' : `there are ${listed(issues)}`;
  const what =
    document === undefined
      ? `The route names ${noun} ${shown(wanted)}, which is not among the files; ${there}.`
      : `The route names ${noun} ${shown(wanted)}, which is in ${String(byFile.length)} files: ${byFile.map(({ file }) => file).join(', ')}.`;
  const fix = 'Put that issue there, or have the route corrected and approved anew.';
  return { kind: 'missing', problem: { code: 'route/missing', where, what, fix } };
}

const listed = (issues: readonly number[]): string =>
  [...new Set(issues)].map((issue) => `issue ${String(issue)}`).join(', ');

function belongingProblems(route: Route, procedure: Procedure, limits: Limits): readonly Problem[] {
  const { where } = route;
  const { model } = procedure;
  const problems: Problem[] = [];
  const add = (what: string): void => {
    const fix = 'Correct the route and have it approved anew.';
    problems.push({ code: 'route/missing', where, what, fix });
  };
  const isModel =
    (route.model ?? model.code) === model.code &&
    pad(route.gtin ?? model.gtin) === pad(model.gtin) &&
    route.revision === model.revision;
  if (!isModel) {
    const of = `${model.code}, GTIN ${model.gtin}, hardware revision ${model.revision}`;
    add(
      `The route of ${routeName(route)} names procedure ${shown(procedure)}, which is for ${of}.`,
    );
  }
  if (procedure.purpose !== 'acceptance') {
    add(`The route names procedure ${shown(procedure)}, whose purpose is "${procedure.purpose}".`);
  }
  if (limits.procedure !== procedure.id || limits.procedureIssue !== procedure.issue) {
    const own = shown({ id: limits.procedure, issue: limits.procedureIssue });
    add(
      `The route names limits ${shown(limits)}, which belong to procedure ${own}, not to ${shown(procedure)}.`,
    );
  }
  return problems;
}

/**
 * Holds every route that counts now or later against the documents it names.
 *
 * @param now - ms since the Unix epoch; routes that ended by then are history. None is if left out.
 */
export function routesProblems(
  { routes }: Pick<Routes, 'routes'>,
  all: Reachable,
  now = -Infinity,
): readonly Problem[] {
  return routes
    .filter(({ until }) => until === undefined || until > now)
    .flatMap((route) => {
      const followed = followRoute(route, all);
      return followed.kind === 'refused' ? followed.problems : [];
    });
}

/** One line for each route, oldest first, and one for each time between two in which none counts. */
export function routeLines({ routes }: Pick<Routes, 'routes'>): readonly string[] {
  const ordered = [...routes].sort((a, b) => a.from - b.from);
  return ordered.map((route, i) => {
    const { from, until, procedure, limits, sampling } = route;
    const end = until === undefined ? '' : ` until ${isoInstant(until)}`;
    const next = ordered.slice(i + 1).find((other) => routeName(other) === routeName(route));
    const isGap = next !== undefined && until !== undefined && next.from > until;
    const after = isGap ? `; then none until ${isoInstant(next.from)}` : '';
    const sample =
      sampling === undefined
        ? ''
        : `; samples, ${samplingWords(sampling)}: ${shown(sampling.procedure)}, ${shown(sampling.limits)}`;
    return `  ${routeName(route)}: ${shown(procedure)}, ${shown(limits)}, from ${isoInstant(from)}${end}${after}${sample}`;
  });
}
