import { createHash, timingSafeEqual } from 'node:crypto';
import { statSync } from 'node:fs';
import { dayAt } from '../base/calendar.js';
import { digestOf, type Json } from '../base/canonical.js';
import type { Clock } from '../base/clock.js';
import { StallmarkError, throwIfAny, type Problem } from '../base/error.js';
import type { Place } from '../people/log-in.js';
import { nameOf, type Person, type Register, type Session } from '../people/people.js';
import { readRegister, registerFile } from '../people/register.js';
import { IDLE } from '../people/session.js';
import type { Logger } from '../run/log.js';
import type { Clerk, LogInWish } from './clerk.js';
import { remoteProblem } from './guard.js';
import type { KeptSession, Sessions } from './sessions.js';
import type { SessionPlace } from './start.js';

/** ms between two entries that a session at the bench goes on. */
export const GO_ON = 5 * 60_000;

/** ms between two looks whether the ledger still counts a session at the bench. */
export const LOOK = 10_000;

/** ms within which a second sign of life is not written down. */
const TOUCH = 5000;

/** A person whose session counts, for one request. */
export interface Visitor {
  /** Of the session. */
  readonly number: number;
  readonly session: Session;
  readonly place: SessionPlace;
  /** Must go with every request that changes something. */
  readonly token: string;
}

/** Where a request comes from. */
export interface From {
  readonly address: string;
  /** Whether that is this very computer. */
  readonly isHere: boolean;
}

/** What the entrance works with. */
export interface EntranceParts {
  readonly sessions: Sessions;
  readonly clerk: Clerk;
  /** Folder of the register. */
  readonly keys: string;
  readonly clock: Clock;
  readonly log: Pick<Logger, 'info' | 'warn'>;
  /** Whether an item is on its way: nobody else's log-in takes a session away then, nor the power. */
  readonly isBusy: () => boolean;
  /** Told that a session has ended. */
  readonly left: (number: number) => void;
}

/** The way in: log-in, what each request is held against, and how sessions end. */
export class Entrance {
  #register: { readonly stamp: string; readonly register: Register | undefined } | undefined;
  #bench: Promise<Place> | undefined;
  #looked = 0;
  #isLooking = false;

  constructor(private readonly parts: EntranceParts) {}

  /** Whether people log in with id and secret. @throws people/register when it cannot be read. */
  get hasRegister(): boolean {
    return this.#people() !== undefined;
  }

  /** The bench of this site. @throws every problem of its description; asked again then. */
  bench(): Promise<Place> {
    this.#bench ??= this.parts.clerk.bench().catch((error: unknown) => {
      this.#bench = undefined;
      throw error;
    });
    return this.#bench;
  }

  /**
   * Lets a person in.
   *
   * @returns The secret for the cookie, and the visitor.
   * @throws page/remote for the bench from another machine, people/*, ledger/*, usage/argument.
   */
  async logIn(
    wish: LogInWish,
    place: SessionPlace,
    from: From,
  ): Promise<{ readonly secret: string; readonly visitor: Visitor }> {
    const { clerk, clock, sessions, log } = this.parts;
    const bench = await this.bench();
    if (place === 'bench' && from.isHere && this.parts.isBusy()) throwIfAny([BUSY]);
    if (place === 'bench' && !from.isHere) {
      const problems = [remoteProblem('log in at the bench')];
      await clerk.refuse({ by: from.address, what: 'log-in at the bench', place: bench, problems });
      throwIfAny(problems);
    }
    const at = place === 'bench' ? bench : { ...bench, bench: '' };
    const session = await clerk.logIn(wish, at);
    const now = clock.now();
    const standing = standingOf(this.#people(), session);
    const { address } = from;
    const until = now + IDLE;
    const { secret, number } = sessions.begin({ session, place, standing, address, until }, now);
    log.info({ session: number, person: nameOf(session), place, address }, 'logged in');
    return { secret, visitor: { number, session, place, token: tokenOf(secret) } };
  }

  /**
   * Says who sends a request.
   *
   * @param secret - Of the cookie.
   * @param counts - Whether the request is a sign of life of the person, not only of the page.
   * @throws page/session when nobody is logged in or the session has ended; it is ended then.
   */
  visitor(secret: string | undefined, from: From, counts: boolean): Visitor {
    const { sessions, clock } = this.parts;
    const kept = secret === undefined ? undefined : sessions.find(secret);
    if (secret === undefined || kept === undefined) throw nobody('Nobody is logged in here.');
    const now = clock.now();
    this.#refuseEnded(kept, from, now);
    if (counts && now - kept.seen >= TOUCH) sessions.touch(kept.number, now, now + IDLE);
    const { number, place } = kept;
    return { number, place, session: this.#fresh(kept.session), token: tokenOf(secret) };
  }

  /** Whether the session of a cookie still counts; asked each second for a browser that only follows. */
  counts(secret: string | undefined, from: From): boolean {
    try {
      this.visitor(secret, from, false);
      return true;
    } catch (error) {
      if (error instanceof StallmarkError) return false;
      throw error;
    }
  }

  /** Ends the session of a visitor at the own wish. */
  async logOut({ number, session, place }: Visitor): Promise<void> {
    const { sessions, clerk, clock } = this.parts;
    this.#end(number, 'logged out');
    // The ledger knows people, not browsers: who is still there in another one has not left.
    const isStillThere = sessions
      .open(clock.now())
      .some((kept) => kept.place === place && kept.session.id === session.id);
    if (place === 'bench' && !isStillThere) await clerk.leave(session, await this.bench());
  }

  /**
   * To be called each second or so: tells the ledger of sessions at the bench that go on, and ends those
   * that it no longer counts. A second call while one is going on does nothing.
   */
  async look(): Promise<void> {
    const now = this.parts.clock.now();
    if (this.#isLooking || now - this.#looked < LOOK) return;
    this.#looked = now;
    this.#isLooking = true;
    try {
      const open = this.parts.sessions.open(now);
      for (const kept of open.filter(isEntered)) await this.#lookAt(kept, now);
    } finally {
      this.#isLooking = false;
    }
  }

  async #lookAt(kept: KeptSession, now: number): Promise<void> {
    const { sessions, clerk, log } = this.parts;
    const { number, session, seen, entered } = kept;
    const enters = seen > entered && now - entered >= GO_ON;
    try {
      const [problem] = await clerk.goOn(session, await this.bench(), enters);
      if (problem === undefined) {
        if (enters) sessions.told(number, now);
      } else if (!this.parts.isBusy()) {
        this.#end(number, problem.what);
      }
    } catch (error) {
      if (!(error instanceof StallmarkError)) throw error;
      log.warn({ session: number, problems: error.problems }, 'a session was not looked at');
    }
  }

  #refuseEnded(kept: KeptSession, from: From, now: number): void {
    if (kept.ended !== undefined) throw nobody(`The session has ended: ${kept.ended.why}`);
    if (kept.place === 'bench' && !from.isHere) {
      throw nobody('A session at the bench counts only on the computer of the bench.');
    }
    const why = now >= kept.until ? LEFT_ALONE : this.#changed(kept, now);
    if (why === undefined) return;
    this.#end(kept.number, why);
    throw nobody(`The session has ended: ${why}`);
  }

  /** Why the register no longer stands behind a session. */
  #changed({ session, standing }: KeptSession, now: number): string | undefined {
    const register = this.#people();
    if (session.means === 'stated') {
      return register === undefined ? undefined : 'people log in with id and secret now.';
    }
    const person = register?.people.find(({ id }) => id === session.id);
    if (register === undefined || person === undefined) return 'the register lacks the person.';
    if (standingOf(register, session) !== standing) return `${nameOf(session)} was changed since.`;
    const today = dayAt(now, register.zone);
    const isOver = person.until !== undefined && today > person.until;
    return isOver ? `${nameOf(session)} may no longer log in.` : undefined;
  }

  /** With the training of today: it may have been given since. */
  #fresh(session: Session): Session {
    const person = this.#people()?.people.find(({ id }) => id === session.id);
    return person === undefined ? session : { ...session, training: person.training };
  }

  /** The register, read again when its file changed. */
  #people(): Register | undefined {
    const { keys } = this.parts;
    const found = statSync(registerFile(keys), { throwIfNoEntry: false });
    const stamp = found === undefined ? '' : `${found.mtimeMs} ${found.size} ${found.ino}`;
    if (this.#register?.stamp !== stamp) this.#register = { stamp, register: readRegister(keys) };
    return this.#register.register;
  }

  #end(number: number, why: string): void {
    const { sessions, clock, log, left } = this.parts;
    sessions.end(number, clock.now(), why);
    log.info({ session: number, why }, 'session ended');
    left(number);
  }
}

const BUSY: Problem = {
  code: 'page/held',
  what: 'An item is on its way in the nest, so nobody else logs in at the bench.',
  fix: 'Wait for its verdict, or have its test stopped.',
};

const LEFT_ALONE = 'it was left alone for 15 minutes.';

/** Only sessions at a bench of people with a secret are in the ledger. */
const isEntered = ({ place, session }: KeptSession): boolean =>
  place === 'bench' && session.means === 'authenticated';

/** Digest of what must stay as it is while a session goes on; training may be added. */
function standingOf(register: Register | undefined, { id }: Pick<Session, 'id'>): string {
  const person = register?.people.find((one) => one.id === id);
  if (person === undefined) return '';
  const { name, roles, secret, retired }: Person = person;
  return digestOf({ id, name, roles, secret, retired: retired ?? null } as unknown as Json); // all of them texts, numbers and lists
}

function nobody(what: string): StallmarkError {
  const problem: Problem = { code: 'page/session', what, fix: 'Log in.' };
  return new StallmarkError([problem]);
}

/** The token of a session follows from its secret, which only the browser and no page knows. */
const tokenOf = (secret: string): string =>
  createHash('sha256').update(`stallmark request token ${secret}`).digest('base64url');

/** Says that a request to change something lacks the token of its session. */
export function tokenProblem(given: unknown, { token }: Visitor): Problem | undefined {
  const sent = Buffer.from(typeof given === 'string' ? given : '');
  const right = Buffer.from(token);
  if (sent.length === right.length && timingSafeEqual(sent, right)) return undefined;
  const what = 'The request to change something lacks the token of this session.';
  return { code: 'page/token', what, fix: 'Load the page anew.' };
}
