import { systemClock } from '../base/clock.js';
import type { Ledger } from '../ledger/ledger.js';
import { openLedger } from '../ledger/sqlite.js';
import type { Session } from '../people/people.js';
import { readRegister } from '../people/register.js';
import { sessionFor } from '../people/session.js';
import { defaultKeys, ledgerFile } from '../run/places.js';
import { secretAsker, type AskSecret } from './secret.js';
import type { Terminal } from './terminal.js';

/** Options of every command that one person answers for. */
export interface ActOptions {
  readonly data: string;
  readonly keys?: string;
  /** Id of the person. */
  readonly as?: string;
  readonly json?: true;
}

/** A person who logged in for one act, and everything the act needs. */
export interface Act {
  readonly session: Session;
  /** The secret that was typed: it opens the key of the person. */
  readonly secret: string;
  readonly ask: AskSecret;
  readonly keys: string;
  readonly ledger: Ledger;
  /** ms since the Unix epoch. */
  readonly now: number;
}

/** The environment variable that answers for the secret of who acts. */
export const SECRET = 'STALLMARK_SECRET';

/**
 * Opens the ledger, has a person log in for one act, runs it, and closes the ledger.
 *
 * @throws people/log-in, people/locked, people/stated, what the act throws.
 */
export async function act<T>(
  options: ActOptions,
  to: Terminal,
  run: (with_: Act) => Promise<T>,
): Promise<T> {
  const keys = options.keys ?? defaultKeys();
  const ask = secretAsker(to);
  const ledger = openLedger(ledgerFile(options.data));
  let secret = '';
  try {
    const session = await sessionFor({
      register: readRegister(keys),
      ledger,
      clock: systemClock,
      place: { bench: '', simulated: false },
      stated: undefined,
      id: options.as,
      ask: async (id) => {
        secret = await ask(`Secret of ${id}: `, SECRET);
        return secret;
      },
      lasts: 0,
    });
    return await run({ session, secret, ask, keys, ledger, now: systemClock.now() });
  } finally {
    ledger.close();
  }
}
