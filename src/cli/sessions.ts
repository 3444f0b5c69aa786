import { EXIT } from '../base/codes.js';
import { isoInstant, systemClock } from '../base/clock.js';
import { StallmarkError, throwIfAny } from '../base/error.js';
import type { Ledger } from '../ledger/ledger.js';
import { openLedger } from '../ledger/sqlite.js';
import { nameOf } from '../people/people.js';
import { roleProblems } from '../people/session.js';

import { ledgerFile } from '../run/places.js';
import { existingSessions, type KeptSession, type Sessions } from '../serve/sessions.js';
import { columns } from './columns.js';
import type { Terminal } from './terminal.js';
import { actorFor, type ActorOptions } from './who.js';

export interface SessionsOptions {
  readonly data: string;
  readonly json?: true;
}

export interface EndSessionOptions extends ActorOptions, SessionsOptions {
  readonly why: string;
}

/** Prints who is, and was, logged in to the page. */
export function peopleSessions({ data, json }: SessionsOptions, to: Terminal): number {
  const sessions = existingSessions(data);
  const now = systemClock.now();
  const listed = (sessions?.list() ?? []).map((kept) => listedAs(kept, now));
  sessions?.close();
  if (json === true) to.out(JSON.stringify(listed, null, 2));
  else if (listed.length === 0) to.out('Nobody was ever logged in to the page.');
  else {
    const rows = listed.map(({ session, by, place, address, began, seen, state }) => [
      ...[String(session), by, place, address, began, seen, state],
    ]);
    const head = ['session', 'person', 'place', 'from', 'began', 'last seen', 'state'];
    to.out(columns([head, ...rows]).join('\n'));
  }
  return EXIT.conforming;
}

function listedAs(
  { number, session, place, address, seen, until, ended }: KeptSession,
  now: number,
): Readonly<Record<'by' | 'place' | 'address' | 'began' | 'seen' | 'state', string>> & {
  readonly session: number;
} {
  const ran = now >= until ? 'ended: left alone' : 'open';
  return {
    ...{ session: number, by: nameOf(session), place, address },
    began: isoInstant(session.at),
    seen: isoInstant(seen),
    state: ended === undefined ? ran : `ended ${isoInstant(ended.at)}: ${ended.why}`,
  };
}

/** Ends a session of the page; its browser notices at once. Who it belongs to may end it, too. */
export async function peopleEndSession(
  number: string,
  options: EndSessionOptions,
  to: Terminal,
): Promise<number> {
  const sessions = existingSessions(options.data);
  const ledger = openLedger(ledgerFile(options.data));
  try {
    const ended = await endSession(number, options, { sessions, ledger, to });
    if (options.json === true) to.out(JSON.stringify(ended, null, 2));
    else to.out(`Session ${String(ended.session)} of ${ended.person} has ended.`);
    return EXIT.conforming;
  } finally {
    ledger.close();
    sessions?.close();
  }
}

async function endSession(
  number: string,
  options: EndSessionOptions,
  {
    sessions,
    ledger,
    to,
  }: { readonly sessions: Sessions | undefined; readonly ledger: Ledger; readonly to: Terminal },
): Promise<{ readonly session: number; readonly person: string; readonly entry: number }> {
  const kept = sessions?.list().find((one) => String(one.number) === number);
  if (sessions === undefined || kept === undefined) throw unknownSession(number);
  const { by, roles } = await actorFor(options, ledger, to);
  const person = nameOf(kept.session);
  if (by !== person) {
    throwIfAny(roleProblems({ by, roles }, ['quality engineer'], 'end the session of another'));
  }
  const { why } = options;
  const now = systemClock.now();
  const body = { what: 'session', id: kept.session.id, change: 'ended', session: kept.number, why };
  const entry = ledger.append({ kind: 'changed', serial: '', attempt: 0, by, body }, now, () => {
    sessions.end(kept.number, now, `${by} ended it: ${why}`);
  });
  return { session: kept.number, person, entry: entry.number };
}

function unknownSession(number: string): StallmarkError {
  const what = `There is no session "${number}".`;
  const fix = 'List them with: stallmark people sessions.';
  return new StallmarkError([{ code: 'usage/argument', what, fix }]);
}
