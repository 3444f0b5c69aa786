import { StallmarkError } from '../base/error.js';
import { HAZARDS } from '../procedure/procedure.js';
import type { LogInWish } from './clerk.js';
import type { NestCommand } from './nest-view.js';
import type { SessionPlace } from './start.js';

/** What a browser sent, as an object; what is none has no members. */
export type Asked = Readonly<Record<string, unknown>>;

/** Longest text of a label, and of an id, secret, name, language or fault. */
const LONGEST_LABEL = 4096;
const LONGEST = 256;
const MOST_FAULTS = 16;

/** Takes what a browser sent for an object. @throws page/request. */
export function askedIn(body: unknown): Asked {
  if (typeof body === 'object' && body !== null && !Array.isArray(body)) return body as Asked;
  throw unreadable('The request holds no JSON object.');
}

/** Which tab sends it. @throws page/request. */
export function tabIn(asked: Asked): string {
  const tab = asked['tab'];
  if (typeof tab === 'string' && /^[\w-]{8,64}$/u.test(tab)) return tab;
  throw unreadable('The request does not say which tab it comes from.');
}

/** Who wants to log in, and where. @throws page/request. */
export function logInIn(asked: Asked): {
  readonly wish: LogInWish;
  readonly place: SessionPlace;
} {
  const place = asked['place'];
  if (place !== 'bench' && place !== 'desk') {
    throw unreadable('The request to log in names no place.');
  }
  const wish = Object.fromEntries(
    (['id', 'secret', 'name'] as const).flatMap((name) =>
      asked[name] === undefined ? [] : [[name, textOf(asked, name, LONGEST)]],
    ),
  );
  return { wish, place };
}

/** What the nest is asked to do. @throws page/request. */
export function commandIn(given: unknown): NestCommand {
  const asked = askedIn(given);
  const kind = asked['kind'];
  switch (kind) {
    case 'start':
    case 'arranged':
    case 'stop':
    case 'next':
    case 'look':
      return { kind };
    case 'acknowledge':
      return { kind, ...acknowledged(asked), language: textOf(asked, 'language', LONGEST) };
    case 'scan': {
      const language = textOf(asked, 'language', LONGEST);
      const faults = faultsIn(asked['faults']);
      const text = textOf(asked, 'text', LONGEST_LABEL);
      return { kind, text, language, ...(faults.length === 0 ? {} : { faults }) };
    }
    default:
      throw unreadable('The request asks the bench for something that it does not know.');
  }
}

function acknowledged(
  asked: Asked,
): Pick<Extract<NestCommand, { kind: 'acknowledge' }>, 'hazard' | 'heldFor'> {
  const hazard = HAZARDS.find((known) => known === asked['hazard']);
  const { heldFor } = asked;
  if (hazard === undefined || typeof heldFor !== 'number') {
    throw unreadable('The acknowledgement names no hazard, or not how long its button was held.');
  }
  return { hazard, heldFor };
}

function faultsIn(given: unknown): readonly string[] {
  if (given === undefined) return [];
  const isList = Array.isArray(given) && given.length <= MOST_FAULTS;
  if (isList && given.every((fault) => typeof fault === 'string' && fault.length <= LONGEST)) {
    return given as readonly string[];
  }
  throw unreadable('The faults of the request are no list of names.');
}

/** Arguments of a reading: names and texts. @throws page/request. */
export function givenIn(asked: Asked): Readonly<Record<string, string>> {
  const entries = Object.entries(asked);
  if (entries.every(([, value]) => typeof value === 'string')) {
    return Object.fromEntries(entries) as Record<string, string>;
  }
  throw unreadable('An argument of the reading is no text.');
}

function textOf(asked: Asked, name: string, longest: number): string {
  const value = asked[name];
  if (typeof value === 'string' && value.length <= longest) return value;
  throw unreadable(`The request has no text "${name}" of at most ${String(longest)} characters.`);
}

/** A request that no page of ours sends. */
export function unreadable(what: string): StallmarkError {
  const fix = 'Load the page anew: it may be older than the server.';
  return new StallmarkError([{ code: 'page/request', what, fix }]);
}
