import { systemClock } from '../base/clock.js';
import { StallmarkError, throwIfAny, type Problem } from '../base/error.js';
import { isNonEmpty } from '../base/numbers.js';
import {
  followRoute,
  routeFor,
  routeLines,
  routesProblems,
  type Followed,
} from '../identity/routing.js';
import { checkApproval } from '../procedure/approval.js';
import type { Procedure } from '../procedure/procedure.js';
import type { Routes } from '../procedure/routes.js';
import type { Checked } from './check-documents.js';
import type { Choice, Documents } from './documents.js';

/** What routes are followed with. */
type Reachable = Pick<Documents, 'procedures' | 'limits' | 'routes'>;

/** The item that is asked for. */
type Asked = Pick<Choice, 'serial' | 'revision' | 'at'>;

/**
 * Chooses procedure and limits of a serial by the routes that count now.
 *
 * @throws serial/unknown-model, route/gap, route/overlap, route/missing, document/not-approved,
 * document/changed: each with its own sentence.
 */
export function routedPair(
  all: Reachable,
  asked: Asked,
): Pick<Extract<Followed, { kind: 'documents' }>, 'procedure' | 'limits' | 'sampling'> {
  const followed = routed(all, asked);
  if (followed.kind === 'refused') throw new StallmarkError(followed.problems);
  return followed;
}

/** As `routedPair`, with the reasons as a value. */
export function routed(all: Reachable, { serial, revision, at }: Asked): Followed {
  const refuse = (problem: Problem): Followed => ({ kind: 'refused', problems: [problem] });
  const model = modelOf(serial, all.procedures);
  if (model === undefined) {
    const what = `There is no procedure for serial "${serial}".`;
    const fix = 'Scan the label of the item, or have a procedure for its model approved.';
    return refuse({ code: 'serial/unknown-model', what, fix });
  }
  const unapproved = all.routes.flatMap((routes) => checkApproval(routes));
  if (isNonEmpty(unapproved)) return { kind: 'refused', problems: unapproved };
  const item = {
    model: model.code,
    gtin: model.gtin,
    ...(revision === undefined ? {} : { revision }),
  };
  const now = at ?? systemClock.now();
  const every = once(all.routes).flatMap(({ routes }) => routes);
  const routing = routeFor(every, item, now);
  return routing.kind === 'refused' ? refuse(routing.problem) : followRoute(routing.route, all);
}

/** A folder that is named and shipped would otherwise count twice. */
export const once = (routes: readonly Routes[]): readonly Routes[] => [
  ...new Map(routes.map((one) => [one.file, one])).values(),
];

function modelOf(serial: string, all: readonly Procedure[]): Procedure['model'] | undefined {
  return all.find(
    ({ purpose, model }) => purpose === 'acceptance' && serial.startsWith(`${model.code}-`),
  )?.model;
}

/**
 * Refuses documents that were picked by hand: only a simulated bench may be given them. On a real one
 * the serial leads to them and nothing else does.
 *
 * @throws usage/argument.
 */
export function refusePicked(
  choice: Pick<Choice, 'procedure' | 'limits'>,
  isSimulated: boolean,
): void {
  if (isSimulated) return;
  const picked = (['procedure', 'limits'] as const).filter((name) => choice[name] !== undefined);
  throwIfAny(
    picked.map((name) => ({
      code: 'usage/argument',
      what: `--${name} ${choice[name] ?? ''} was given, but on this bench the label alone leads to its ${name}.`,
      fix: `Leave out --${name}; have the routes changed where another one is to count.`,
    })),
  );
}

/** Checks routes as documents: approval, what they name, and one line for each of them. */
export function checkRoutes(
  found: readonly Routes[],
  all: Pick<Reachable, 'procedures' | 'limits'>,
  now: number | undefined,
): Pick<Checked, 'problems' | 'summary'> {
  return {
    problems: found.flatMap((routes) => [
      ...checkApproval(routes),
      ...routesProblems(routes, all, now),
    ]),
    summary: found.flatMap((routes) => [
      `${routes.file}  ${routes.title}, issue ${String(routes.issue)}`,
      ...routeLines(routes),
    ]),
  };
}
