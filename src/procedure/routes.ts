import { dayStart, isDay, isZone } from '../base/calendar.js';
import { isoInstant, readInstant } from '../base/clock.js';
import type { Place } from '../base/error.js';
import { isNonEmpty, type NonEmpty } from '../base/numbers.js';
import { checkDate, checkDigit } from './meaning.js';
import type { Approval } from './procedure.js';
import { readChecked } from './checked.js';
import { commonOf } from './schema.js';
import { subjectOf } from './structure.js';
import type { Values } from './values.js';

/** A document by name and issue. */
export interface Issue {
  readonly id: string;
  readonly issue: number;
}

/** Which items a route counts for; at least one of model and GTIN is there. */
interface Scope {
  /** Code of the model. */
  readonly model?: string;
  readonly gtin?: string;
  /** Hardware revision. */
  readonly revision: string;
}

/** Which items of a route are tested to an extended procedure; at least one of every and random is there. */
export interface Sampling {
  /** Every how manieth item of the model at a bench, ≥ 2. */
  readonly every?: number;
  /** One in how many at random, ≥ 2. */
  readonly random?: number;
  /** The extended procedure and its limits, in the place of those of the route. */
  readonly procedure: Issue;
  readonly limits: Issue;
  readonly where: Place;
}

/** The documents that items are tested to, from one instant until another. */
export interface Route extends Scope {
  readonly procedure: Issue;
  readonly limits: Issue;
  /** ms since the Unix epoch: the first instant at which it counts. */
  readonly from: number;
  /** ms since the Unix epoch: the first instant at which it counts no longer; absent: no end is set. */
  readonly until?: number;
  /** Absent: no item is a sample. */
  readonly sampling?: Sampling;
  readonly where: Place;
}

/** Every route of a works, as people write them. */
export interface Routes {
  readonly id: string;
  readonly title: string;
  readonly issue: number;
  readonly date: string;
  readonly file: string;
  /** SHA-256 of the canonical content without its approval. */
  readonly digest: string;
  readonly approval?: Approval;
  readonly routes: NonEmpty<Route>;
}

/**
 * Reads the routes. Two that count for one item at the same instant are refused here, whatever the
 * date; what they name is held against the other documents by `identity/routing.ts`.
 *
 * @throws yaml/…, document/…, route/order, route/overlap: every problem at its place.
 */
export function readRoutes(text: string, file: string): Routes {
  const values = readChecked('routes', text, file, checkRoutes);
  const zone = values.text('/zone');
  const routes = values.items('/entries').map((at) => buildRoute(values, at, zone));
  if (!isNonEmpty(routes)) throw new Error('the schema let a document without routes through');
  return { id: values.text('/routes'), ...commonOf(values), routes };
}

/** How a route is called in sentences: `H12 C3`. */
export function routeName({ model, gtin, revision }: Scope): string {
  return `${model ?? `GTIN ${gtin ?? ''}`} ${revision}`;
}

/** When an item is a sample: `every 25th, 1 in 40 at random`. */
export function samplingWords({ every, random }: Pick<Sampling, 'every' | 'random'>): string {
  return [
    ...(every === undefined ? [] : [`every ${ordinal(every)}`]),
    ...(random === undefined ? [] : [`1 in ${String(random)} at random`]),
  ].join(', ');
}

/** A number that counts, e.g. 25th. */
export function ordinal(n: number): string {
  const isTeen = n % 100 >= 11 && n % 100 <= 13;
  const ending = isTeen ? undefined : ['th', 'st', 'nd', 'rd'][n % 10];
  return `${String(n)}${ending ?? 'th'}`;
}

/** Whether there may be items that both count for. */
export function mayMeet(one: Scope, other: Scope): boolean {
  const differ = (a: string | undefined, b: string | undefined): boolean =>
    a !== undefined && b !== undefined && a.padStart(14, '0') !== b.padStart(14, '0');
  return (
    one.revision === other.revision &&
    !differ(one.model, other.model) &&
    !differ(one.gtin, other.gtin)
  );
}

function checkRoutes(values: Values): void {
  checkDate(values, '/date');
  checkDate(values, '/approved/date');
  const zone = zoneOf(values);
  const entries = values.items('/entries');
  for (const entry of entries) {
    checkDate(values, `${entry}/from`);
    checkDate(values, `${entry}/until`);
    checkScope(values, entry);
    checkEnd(values, entry, zone);
    checkSampling(values, entry);
  }
  entries.forEach((entry, i) => {
    for (const other of entries.slice(0, i)) checkMeeting(values, other, entry, zone);
  });
}

/** The zone of the document; UTC in the place of one that does not exist, which is reported. */
function zoneOf(values: Values): string {
  const zone = values.textAt('/zone');
  if (zone === undefined) return 'UTC';
  if (isZone(zone)) return zone;
  const what = `The zone is "${zone}", which is no time zone of the IANA list.`;
  values.add('document/value', '/zone', what, 'Write a zone such as Europe/London, or UTC.');
  return 'UTC';
}

function checkScope(values: Values, entry: string): void {
  const name = subjectOf(entry, values.located.value);
  const gtin = values.textAt(`${entry}/gtin`);
  if (gtin === undefined && !values.has(`${entry}/model`)) {
    const what = `${name} has neither "model" nor "gtin", so that it counts for no item.`;
    values.add('route/order', entry, what, 'Write the code of the model, its GTIN, or both.');
  }
  if (gtin === undefined || !/^\d{8,14}$/u.test(gtin)) return;
  const expected = checkDigit(gtin.slice(0, -1));
  if (gtin.endsWith(expected)) return;
  const what = `The GTIN ${gtin} of ${name.toLowerCase()} ends with ${gtin.slice(-1)}, but its check digit is ${expected}.`;
  values.add('document/value', `${entry}/gtin`, what, 'Copy the number from the label again.');
}

function checkEnd(values: Values, entry: string, zone: string): void {
  const { from, until } = spanAt(values, entry, zone);
  if (from === undefined || until === undefined || from < until) return;
  const name = subjectOf(entry, values.located.value);
  const what = `${name} counts from ${values.text(`${entry}/from`)}, but only until ${values.text(`${entry}/until`)}.`;
  values.add('route/order', `${entry}/until`, what, 'Correct one of the two.');
}

function checkSampling(values: Values, entry: string): void {
  const at = `${entry}/sampling`;
  if (!values.has(at)) return;
  const name = subjectOf(entry, values.located.value).toLowerCase();
  if (!values.has(`${at}/every`) && !values.has(`${at}/random`)) {
    const what = `The sampling of ${name} has neither "every" nor "random", so that it picks no item.`;
    const fix = 'Write every: 25, random: 1 in 40, or both.';
    values.add('document/key', at, what, fix);
  }
  const isSame = (['procedure', 'limits'] as const).every((noun) =>
    (['id', 'issue'] as const).every(
      (key) => values.at(`${at}/${noun}/${key}`) === values.at(`${entry}/${noun}/${key}`),
    ),
  );
  if (!isSame) return;
  const what = `The sampling of ${name} names the procedure and limits of the route itself, so that a sample is tested like any other item.`;
  values.add('document/value', at, what, 'Name the extended procedure and its limits.');
}

function checkMeeting(values: Values, before: string, after: string, zone: string): void {
  const [one, other] = [spanAt(values, before, zone), spanAt(values, after, zone)];
  if (one.from === undefined || other.from === undefined) return;
  if (!mayMeet(scopeAt(values, before), scopeAt(values, after))) return;
  const from = Math.max(one.from, other.from);
  const until = Math.min(one.until ?? Infinity, other.until ?? Infinity);
  if (from >= until) return;
  const root = values.located.value;
  const end = Number.isFinite(until) ? `until ${isoInstant(until)}` : 'without an end';
  const what = `${subjectOf(after, root)} and ${subjectOf(before, root).toLowerCase()} both count for ${routeName(scopeAt(values, after))} from ${isoInstant(from)} ${end}.`;
  const fix = 'Give the older one an until: the same text as the from of the younger one.';
  values.add('route/overlap', `${after}/from`, what, fix);
}

function scopeAt(values: Values, entry: string): Scope {
  const model = values.textAt(`${entry}/model`);
  const gtin = values.textAt(`${entry}/gtin`);
  return {
    ...(model === undefined ? {} : { model }),
    ...(gtin === undefined ? {} : { gtin }),
    revision: values.textAt(`${entry}/revision`) ?? '',
  };
}

function spanAt(
  values: Values,
  entry: string,
  zone: string,
): { readonly from: number | undefined; readonly until: number | undefined } {
  const at = (key: string): number | undefined => {
    const text = values.textAt(`${entry}/${key}`);
    return text === undefined ? undefined : instantOf(text, zone);
  };
  return { from: at('from'), until: at('until') };
}

/** A day stands for its beginning; undefined for what is neither a day nor an instant with its offset. */
function instantOf(written: string, zone: string): number | undefined {
  if (isDay(written)) return dayStart(written, zone);
  if (!/^\d{4}-\d{2}-\d{2}T[\d:]+(?:Z|[+-]\d{2}:\d{2})$/u.test(written)) return undefined;
  const at = readInstant(written);
  return Number.isFinite(at) ? at : undefined;
}

function buildRoute(values: Values, at: string, zone: string): Route {
  const { from, until } = spanAt(values, at, zone);
  if (from === undefined) throw new Error('the schema let a route without a beginning through');
  return {
    ...scopeAt(values, at),
    ...pairAt(values, at),
    from,
    ...(until === undefined ? {} : { until }),
    ...(values.has(`${at}/sampling`) ? { sampling: buildSampling(values, `${at}/sampling`) } : {}),
    where: values.place(`${at}/from`),
  };
}

function buildSampling(values: Values, at: string): Sampling {
  const { every, random } = {
    every: values.has(`${at}/every`) ? values.number(`${at}/every`) : undefined,
    random: values.textAt(`${at}/random`),
  };
  return {
    ...(every === undefined ? {} : { every }),
    ...(random === undefined ? {} : { random: Number(random.slice('1 in '.length)) }),
    ...pairAt(values, at),
    where: values.place(at),
  };
}

function pairAt(values: Values, at: string): Pick<Sampling, 'procedure' | 'limits'> {
  const issueAt = (key: string): Issue => ({
    id: values.text(`${at}/${key}/id`),
    issue: values.number(`${at}/${key}/issue`),
  });
  return { procedure: issueAt('procedure'), limits: issueAt('limits') };
}
