import { isMainThread, Worker } from 'node:worker_threads';
import type { Problem } from '../base/error.js';
import type { Place } from '../people/log-in.js';
import type { Session } from '../people/people.js';
import type { ClerkTask, RecordFile, Refusal } from './clerk-task.js';
import { plainSite } from './nest-link.js';
import type { LoggedSite } from './site.js';
import { askedHere, Thread, type Asker } from './thread.js';

/** Tasks that may wait for the clerk. */
const MOST = 64;

/** ms for one task. */
const PATIENCE = 60_000;

/** Who logs in where, as a page sent it. */
export interface LogInWish {
  readonly id?: string;
  readonly secret?: string;
  readonly name?: string;
}

/**
 * Whoever writes into the ledger for the pages, in a thread of its own: a ledger that another program
 * holds for a moment must not keep a sign of life waiting.
 */
export class Clerk {
  constructor(private readonly asker: Asker<ClerkTask>) {}

  /** The bench of this site. @throws every problem of its description. */
  async bench(): Promise<Place> {
    return (await this.asker.ask({ kind: 'bench' })) as Place;
  }

  /** @throws people/*, ledger/*, storage/*, usage/argument. */
  async logIn(wish: LogInWish, place: Place): Promise<Session> {
    return (await this.asker.ask({ kind: 'log-in', wish, place })) as Session;
  }

  /**
   * Asks whether a session still counts at the bench, and enters that it goes on when it does.
   *
   * @returns Why it does not count any more.
   */
  async goOn(session: Session, place: Place, enters: boolean): Promise<readonly Problem[]> {
    return (await this.asker.ask({ kind: 'go-on', session, place, enters })) as readonly Problem[];
  }

  /** Enters that a person left. @throws ledger/*, storage/*. */
  async leave(session: Session, place: Place): Promise<void> {
    await this.asker.ask({ kind: 'leave', session, place });
  }

  /** Enters that something was refused to a page. @throws ledger/*, storage/*. */
  async refuse(refusal: Refusal): Promise<void> {
    await this.asker.ask({ kind: 'refuse', refusal });
  }

  /** Finds a file of a record and enters that it was handed out. @throws page/unknown, ledger/*. */
  async export(number: string, file: string, session: Session): Promise<RecordFile> {
    return (await this.asker.ask({ kind: 'export', number, file, session })) as RecordFile;
  }

  /** Makes a change of the table. @returns JSON text. @throws page/unknown, people/role, page/remote … */
  async change(
    name: string,
    given: unknown,
    by: { readonly session: Session; readonly isFromHere: boolean },
  ): Promise<string> {
    return (await this.asker.ask({ kind: 'change', name, given, ...by })) as string;
  }

  close(): Promise<void> {
    return this.asker.close();
  }
}

/** @param writeHere - Write in this thread, e.g. where this program is not built. */
export function openClerk(site: LoggedSite, writeHere = false): Clerk {
  if (writeHere || !isMainThread) {
    return new Clerk(
      askedHere(async (task) => {
        const { carryOut } = await import('./clerk-task.js');
        return carryOut(task, site, site.clock);
      }),
    );
  }
  const script = new URL('./clerk-thread.js', import.meta.url);
  const start = (): Worker => new Worker(script, { workerData: plainSite(site) });
  return new Clerk(
    new Thread({ name: 'clerk', start, most: MOST, patience: PATIENCE, log: site.log }),
  );
}
