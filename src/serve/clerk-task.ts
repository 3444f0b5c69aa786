import { realpathSync, statSync } from 'node:fs';
import { join, sep } from 'node:path';
import { isSimulated } from '../procedure/station.js';
import type { Clock } from '../base/clock.js';
import { StallmarkError, throwIfAny, unreachable, type Problem } from '../base/error.js';
import { isSignatureFile } from '../certificate/verify-signature.js';
import { RECORD_FILES, SUMS_FILE } from '../certificate/verify.js';
import type { Entry, Ledger } from '../ledger/ledger.js';
import { readNumber } from '../ledger/numbering.js';
import { openLedger } from '../ledger/sqlite.js';
import type { Place } from '../people/log-in.js';
import { nameOf, type Session } from '../people/people.js';
import { readRegister } from '../people/register.js';
import {
  goOn,
  inRoles,
  logOut,
  roleProblems,
  sessionFor,
  sessionProblems,
} from '../people/session.js';
import { ledgerFile } from '../run/places.js';
import type { Change } from './change.js';
import type { LogInWish } from './clerk.js';
import { remoteProblem } from './guard.js';
import { unknownName } from './reader.js';
import type { Site } from './site.js';

/** What the clerk is asked to do. */
export type ClerkTask =
  | { readonly kind: 'bench' }
  | { readonly kind: 'log-in'; readonly wish: LogInWish; readonly place: Place }
  | {
      readonly kind: 'go-on';
      readonly session: Session;
      readonly place: Place;
      readonly enters: boolean;
    }
  | { readonly kind: 'leave'; readonly session: Session; readonly place: Place }
  | { readonly kind: 'refuse'; readonly refusal: Refusal }
  | {
      readonly kind: 'export';
      readonly number: string;
      readonly file: string;
      readonly session: Session;
    }
  | {
      readonly kind: 'change';
      readonly name: string;
      readonly given: unknown;
      readonly session: Session;
      readonly isFromHere: boolean;
    };

/** Something that was refused to a page. */
export interface Refusal {
  /** As entries name the person; for somebody not logged in, from where the request came. */
  readonly by: string;
  /** What was asked for, e.g. "scan from a page". */
  readonly what: string;
  readonly place: Place;
  readonly problems: readonly Problem[];
}

/** A file of a record as it lies on the disk. */
export interface RecordFile {
  /** Whole path. */
  readonly path: string;
  readonly name: string;
}

/**
 * Does one task with the ledger of the site, which is opened for it.
 *
 * @throws what the task throws.
 */
export async function carryOut(task: ClerkTask, site: Site, clock: Clock): Promise<unknown> {
  if (task.kind === 'bench') return benchOf(site);
  const ledger = openLedger(ledgerFile(site.root));
  try {
    switch (task.kind) {
      case 'log-in':
        return await logIn(task.wish, task.place, { site, ledger, clock });
      case 'go-on':
        return stillCounts(task, ledger, clock.now());
      case 'leave':
        leave(ledger, task.session, task.place, clock.now());
        return undefined;
      case 'refuse':
        enterRefusal(task.refusal, ledger, clock.now());
        return undefined;
      case 'export':
        return exported(task, { site, ledger, clock });
      case 'change':
        return await changed(task, { site, ledger, clock });
      default:
        return unreachable(task);
    }
  } finally {
    ledger.close();
  }
}

interface Desk {
  readonly site: Site;
  readonly ledger: Ledger;
  readonly clock: Clock;
}

/** Reads the bench alone: which documents belong to it is another question. */
async function benchOf({ bench }: Site): Promise<Place> {
  const { one, PACKAGE_ROOT, readDocuments } = await import('../run/documents.js');
  const { stations, problems } = readDocuments([
    bench ?? join(PACKAGE_ROOT, 'procedures', 'benches'),
  ]);
  throwIfAny(problems);
  const station = one(stations, 'document/mismatch', 'bench description');
  return { bench: station.id, simulated: isSimulated(station) };
}

async function logIn(wish: LogInWish, place: Place, desk: Desk): Promise<Session> {
  const { site, ledger, clock } = desk;
  const { id, secret = '', name } = wish;
  const register = readRegister(site.keys);
  const ask = (): Promise<string> => Promise.resolve(secret);
  return sessionFor({ register, ledger, clock, place, stated: name, id, ask });
}

function stillCounts(
  { session, place, enters }: Extract<ClerkTask, { kind: 'go-on' }>,
  ledger: Ledger,
  now: number,
): readonly Problem[] {
  const problems = sessionProblems(ledger.of(''), session, place.bench, now);
  if (problems.length === 0 && enters) goOn(ledger, session, place, now);
  return problems;
}

/** Enters that a person left, unless somebody else is logged in there by now. */
export function leave(ledger: Ledger, session: Session, place: Place, now: number): void {
  const counts = sessionProblems(ledger.of(''), session, place.bench, now).length === 0;
  if (counts) logOut(ledger, session, place, now);
}

function enterRefusal({ by, what, place, problems }: Refusal, ledger: Ledger, now: number): void {
  const body = { what, ...place, problems: problems.map((p) => ({ code: p.code, what: p.what })) };
  ledger.append({ kind: 'refused', serial: '', attempt: 0, by, body }, now);
}

const NAMES: readonly string[] = [...Object.values(RECORD_FILES), SUMS_FILE];

/**
 * Finds a file of a record by the number of the record: nothing that a browser sent becomes part of a
 * path but a name from a list.
 */
function exported(
  { number, file, session }: Extract<ClerkTask, { kind: 'export' }>,
  { site, ledger, clock }: Desk,
): RecordFile {
  const isNamed = NAMES.includes(file) || isSignatureFile(file);
  const issued = isNamed && readNumber(number) !== undefined ? issuedAs(number, ledger) : undefined;
  const path = issued === undefined ? undefined : pathOf(site.root, issued, file);
  if (issued === undefined || path === undefined) throw unknownName('file', `${number}/${file}`);
  const { serial, attempt } = issued;
  const body = { note: EXPORT, certificate: number, to: `${file} of ${number}` };
  ledger.append({ kind: 'note', serial, attempt, by: nameOf(session), body }, clock.now());
  return { path, name: file };
}

/** How the audit trail calls it. */
const EXPORT = 'handed out';

function issuedAs(number: string, ledger: Ledger): Entry | undefined {
  for (const entry of ledger.newestFirst()) {
    if (entry.kind === 'record-issued' && entry.body['certificate'] === number) return entry;
  }
  return undefined;
}

/** The path of a file that is there; undefined when it is not, or leads out of the folder of records. */
function pathOf(root: string, issued: Entry, file: string): string | undefined {
  const { folder } = issued.body;
  if (typeof folder !== 'string') return undefined;
  const path = join(root, folder, file);
  if (statSync(path, { throwIfNoEntry: false })?.isFile() !== true) return undefined;
  const isInside = realpathSync(path).startsWith(realpathSync(root) + sep);
  return isInside ? path : undefined;
}

async function changed(
  { name, given, session, isFromHere }: Extract<ClerkTask, { kind: 'change' }>,
  { site, ledger, clock }: Desk,
): Promise<string> {
  const { CHANGES } = await import('./changes.js');
  const table: Readonly<Record<string, Change<unknown, unknown>>> = CHANGES;
  return changeAnswer(table, { name, given, session, isFromHere }, { site, ledger, clock });
}

/** What a page asks to change, and for whom. */
export interface ChangeQuestion {
  readonly name: string;
  readonly given: unknown;
  readonly session: Session;
  /** Whether the browser is on this computer. */
  readonly isFromHere: boolean;
}

/**
 * Makes a change of a table: the place and the role first, then the arguments, then the change. A
 * refusal for place or role is entered.
 *
 * @returns JSON text.
 * @throws page/unknown, page/remote, people/role, usage/argument, what the change throws.
 */
export async function changeAnswer(
  table: Readonly<Record<string, Change<unknown, unknown>>>,
  { name, given, session, isFromHere }: ChangeQuestion,
  { site, ledger, clock }: Desk,
): Promise<string> {
  const change = Object.hasOwn(table, name) ? table[name] : undefined;
  if (change === undefined) throw unknownName('change', name);
  const problems = [
    ...(isFromHere || change.fromAfar ? [] : [remoteProblem(change.act)]),
    ...roleProblems(inRoles(session), change.roles, change.act),
  ];
  const [first, ...rest] = problems;
  if (first !== undefined) {
    const place = await benchOf(site);
    enterRefusal({ by: nameOf(session), what: change.act, place, problems }, ledger, clock.now());
    throw new StallmarkError([first, ...rest]);
  }
  const answer = await change.make(change.args(given), { site, session, ledger, clock });
  return JSON.stringify(answer ?? null);
}
