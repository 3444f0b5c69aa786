import { isSimulated, type StationKind } from '../procedure/station.js';
import { systemClock } from '../base/clock.js';
import { StallmarkError, withSecond } from '../base/error.js';
import type { Ledger } from '../ledger/ledger.js';
import type { LedgerFile } from '../ledger/sqlite.js';
import type { Place } from '../people/log-in.js';
import { nameOf, ROLES, type Session } from '../people/people.js';
import { readRegister } from '../people/register.js';
import { logOut, sessionFor } from '../people/session.js';
import type { Actor } from '../readiness/disposition.js';
import type { Parts } from '../run/brief.js';
import { defaultKeys } from '../run/places.js';
import { SECRET } from './act.js';
import { secretAsker } from './secret.js';
import type { Terminal } from './terminal.js';

/** Options by which a person says who stands at the bench. */
export interface WhoOptions {
  /** Name, where there is no register of people. */
  readonly operator?: string;
  /** Id of a registered person. */
  readonly as?: string;
}

/** Who stands at the bench, and how records name the person. */
export interface Who {
  readonly operator: string;
  readonly session: Session;
}

/** Where somebody works, and with what. */
export interface Workplace {
  readonly parts: Pick<Parts, 'clock' | 'register'> & { readonly ledger: LedgerFile };
  readonly station: { readonly id: string; readonly kind: StationKind };
}

/**
 * Has the person at the bench log in, lets the work be done, ends the session and closes the ledger.
 *
 * @throws people/*, what the work throws.
 */
export async function atWork<T>(
  options: WhoOptions,
  { parts, station }: Workplace,
  to: Terminal,
  work: (who: Who) => Promise<T>,
): Promise<T> {
  const { ledger, clock } = parts;
  const place = { bench: station.id, simulated: isSimulated(station) };
  try {
    const who = await whoWorks(options, parts, place, to);
    const leave = (): void => {
      logOut(ledger, who.session, place, clock.now());
    };
    const done = await work(who).catch((error: unknown) => {
      try {
        leave();
      } catch (second) {
        throw withSecond(error, second);
      }
      throw error;
    });
    leave();
    return done;
  } finally {
    ledger.close();
  }
}

/**
 * Has the person at the bench log in, or takes the stated name on a simulated bench that has no
 * register of people.
 *
 * @throws people/*, usage/argument when nobody is named.
 */
async function whoWorks(
  { operator, as }: WhoOptions,
  parts: Pick<Parts, 'ledger' | 'clock' | 'register'>,
  place: Place,
  to: Terminal,
): Promise<Who> {
  const ask = secretAsker(to);
  const session = await sessionFor({
    register: parts.register,
    ledger: parts.ledger,
    clock: parts.clock,
    place,
    stated: operator,
    id: as,
    ask: (id) => ask(`Secret of ${id}: `, SECRET),
  });
  return { operator: nameOf(session), session };
}

/** Options of commands that somebody answers for away from the power of a bench. */
export interface ActorOptions {
  /** Name and role, where there is no register of people. */
  readonly by?: string;
  readonly role?: string;
  /** Id of a registered person. */
  readonly as?: string;
  readonly keys?: string;
}

/**
 * Has the person who acts log in, or takes the stated name and role where there is no register.
 *
 * @throws people/*, usage/argument when nobody or no role is named.
 */
export async function actorFor(
  options: ActorOptions,
  ledger: Ledger,
  to: Terminal,
): Promise<Actor> {
  const register = readRegister(options.keys ?? defaultKeys());
  const ask = secretAsker(to);
  const session = await sessionFor({
    register,
    ledger,
    clock: systemClock,
    place: { bench: '', simulated: register === undefined },
    stated: options.by,
    id: options.as,
    ask: (id) => ask(`Secret of ${id}: `, SECRET),
    lasts: 0,
  });
  const by = nameOf(session);
  if (session.means === 'authenticated') return { by, roles: session.roles };
  const role = ROLES.find((one) => one === options.role);
  if (role !== undefined) return { by, roles: [role] };
  const what = `"${options.role ?? ''}" is no role; there are: ${ROLES.join(', ')}.`;
  const fix = 'Give --by with a name and --role with one of the roles.';
  throw new StallmarkError([{ code: 'usage/argument', what, fix }]);
}
