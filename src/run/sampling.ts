import { randomInt } from 'node:crypto';
import { StallmarkError, throwIfAny } from '../base/error.js';
import { followRoute } from '../identity/routing.js';
import type { Ledger } from '../ledger/ledger.js';
import { checkApproval } from '../procedure/approval.js';
import { routeName, type Issue, type Route, type Sampling } from '../procedure/routes.js';
import { releaseOf } from '../readiness/release.js';
import {
  auditWords,
  pickEntry,
  pickOf,
  samplingBody,
  samplingState,
  sampleWords,
  type Drawing,
  type SamplingPlace,
  type SamplingState,
} from '../readiness/sampling.js';
import type { Order, Parts } from './brief.js';
import type { Documents } from './documents.js';
import { once } from './on-route.js';

/**
 * Says whether the item of an order is a sample, and gives it the extended documents then. The pick is
 * entered before anybody hears of it: setting the item aside makes the next one the sample.
 *
 * An item that was released for a retest is no item from the line: its documents stay, and where it
 * comes from stock as an audit sample that is told.
 *
 * @returns The order with what came of it; every way to an attempt goes through here.
 * @throws ledger/*, storage/* when the pick cannot be entered.
 */
export function withSample(order: Order, parts: Parts): Order {
  const { ledger, clock } = parts;
  const history = ledger.of(order.serial);
  if (releaseOf(history) !== undefined) {
    const words = auditWords(history);
    return { ...order, sample: words === undefined ? {} : { words } };
  }
  const { sampling: plan, procedure, station } = order.documents;
  if (plan === undefined) return { ...order, sample: {} };
  const isSimulated = parts.seal.purpose === 'simulation';
  const place = { bench: station.id, simulated: isSimulated, model: procedure.model };
  const state = samplingState(ledger.newestFirst(), place);
  const draw = parts.draw ?? ((n: number): number => randomInt(n));
  const drawing: Drawing = { serial: order.serial, rule: plan.rule, state, draw };
  const pick = pickOf(drawing);
  const body = samplingBody(pick, drawing);
  if (pick === 'none') return { ...order, sample: { body } };
  if (state.owed?.serial !== order.serial) {
    ledger.append(pickEntry(place, drawing, pick, order.operator), clock.now());
  }
  const documents = { ...order.documents, procedure: plan.procedure, limits: plan.limits };
  return { ...order, documents, sample: { body, words: sampleWords(pick, drawing) } };
}

/** A route that counts now, and where its samples stand at one bench. */
export interface RouteSampling {
  /** Model and hardware revision. */
  readonly route: string;
  /** Absent: no item of it is a sample. */
  readonly sampling?: Pick<Sampling, 'every' | 'random'> & {
    readonly procedure: Issue;
    readonly limits: Issue;
    readonly state: SamplingState;
    /** What the next item is: a sample that is owed, one by the count, perhaps one by chance, or none. */
    readonly next: 'owed' | 'due' | 'by chance' | 'none';
  };
}

/** Where sampling is asked about. */
export interface SamplingQuestion extends Pick<SamplingPlace, 'bench' | 'simulated'> {
  readonly ledger: Pick<Ledger, 'newestFirst'>;
  /** ms since the Unix epoch. */
  readonly now: number;
}

/**
 * Lists the routes that count now with their rules and where samples stand at a bench.
 *
 * @throws document/not-approved, document/changed, route/missing.
 */
export function listSampling(
  all: Pick<Documents, 'procedures' | 'limits' | 'routes'>,
  question: SamplingQuestion,
): readonly RouteSampling[] {
  const { now } = question;
  throwIfAny(all.routes.flatMap((routes) => checkApproval(routes)));
  return once(all.routes)
    .flatMap(({ routes }) => routes)
    .filter(({ from, until = Infinity }) => from <= now && now < until)
    .map((route) => standing(route, all, question));
}

function standing(
  route: Route,
  all: Pick<Documents, 'procedures' | 'limits'>,
  { bench, simulated, ledger }: SamplingQuestion,
): RouteSampling {
  const name = routeName(route);
  if (route.sampling === undefined) return { route: name };
  const followed = followRoute(route, all);
  if (followed.kind === 'refused') throw new StallmarkError(followed.problems);
  const { model } = followed.procedure;
  const state = samplingState(ledger.newestFirst(), { bench, simulated, model });
  const { every, random, procedure, limits } = route.sampling;
  const rule = {
    ...(every === undefined ? {} : { every }),
    ...(random === undefined ? {} : { random }),
  };
  const next = nextOf(rule, state);
  return { route: name, sampling: { ...rule, procedure, limits, state, next } };
}

/** What an item is that was never tested. */
function nextOf(
  rule: Pick<Sampling, 'every' | 'random'>,
  state: SamplingState,
): 'owed' | 'due' | 'by chance' | 'none' {
  const pick = pickOf({ serial: '', rule, state, draw: () => 1 });
  if (pick === 'skipped') return 'owed';
  if (pick === 'every') return 'due';
  return rule.random === undefined ? 'none' : 'by chance';
}
