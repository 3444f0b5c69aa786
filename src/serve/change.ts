import type { Clock } from '../base/clock.js';
import type { Ledger } from '../ledger/ledger.js';
import type { Role, Session } from '../people/people.js';
import type { Site } from './site.js';

/** Something a page may change. Each is also a command; both call the same function. */
export interface Change<Args, Answer> {
  /** Who may do it, and what it is called when somebody may not. */
  readonly roles: readonly Role[];
  readonly act: string;
  /** Whether a browser on another machine may do it. Nothing that can energize ever is. */
  readonly fromAfar: boolean;
  /** Turns what a browser sent into arguments. @throws StallmarkError usage/argument. */
  readonly args: (given: unknown) => Args;
  make(args: Args, by: Changing): Answer | Promise<Answer>; // a method: a table holds changes of every kind
}

/** Who changes something, where. */
export interface Changing {
  readonly site: Site;
  readonly session: Session;
  readonly ledger: Ledger;
  readonly clock: Clock;
}
