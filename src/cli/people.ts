import { EXIT } from '../base/codes.js';
import { dayAfter, dayAt, isDay } from '../base/calendar.js';
import { systemClock } from '../base/clock.js';
import { StallmarkError } from '../base/error.js';
import type { Entry } from '../ledger/ledger.js';
import { openLedger } from '../ledger/sqlite.js';
import {
  addPerson,
  changeRoles,
  changeSecret,
  confirmPerson,
  initRegister,
  issueKey,
  retirePerson,
  trainPerson,
  unlockPerson,
  type Acting,
} from '../people/administration.js';
import { personProblems } from '../people/change.js';
import { triesOf } from '../people/log-in.js';
import { ROLES, type Person, type Register, type Role } from '../people/people.js';
import { readRegister, registerFile } from '../people/register.js';
import { defaultKeys, ledgerFile } from '../run/places.js';
import { act, type ActOptions } from './act.js';
import { secretAsker, type AskSecret } from './secret.js';
import type { Terminal } from './terminal.js';

const NEW_SECRET = 'STALLMARK_NEW_SECRET';

/** Options of commands that change people. */
export interface ChangeOptions extends ActOptions {
  readonly why: string;
}

export interface NewOptions extends ChangeOptions {
  readonly name: string;
  /** Roles with commas between. */
  readonly roles?: string;
  readonly from?: string;
  readonly until?: string;
  readonly zone?: string;
}

export interface TrainOptions extends ChangeOptions {
  readonly procedure: string;
  /** "3" or "3-5". */
  readonly issue: string;
  readonly on?: string;
  readonly until?: string;
}

/** Makes the register with its first quality engineer. */
export async function peopleInit(id: string, options: NewOptions, to: Terminal): Promise<number> {
  const keys = options.keys ?? defaultKeys();
  const ledger = openLedger(ledgerFile(options.data));
  try {
    const secret = await newSecret(id, secretAsker(to), to);
    const zone = options.zone ?? Intl.DateTimeFormat().resolvedOptions().timeZone;
    const acting = { keys, ledger, why: options.why, now: systemClock.now() };
    const roles = options.roles === undefined ? {} : { roles: rolesOf(options.roles) };
    const { name } = options;
    const entry = await initRegister(acting, zone, {
      id,
      name,
      secret,
      ...dates(options),
      ...roles,
    });
    const told = `${name} (${id}) is the first quality engineer of ${registerFile(keys)}.`;
    const advice = 'Add a second one soon: nobody unlocks the only one.';
    return tell(entry, [told, advice], options, to);
  } finally {
    ledger.close();
  }
}

/** Adds a person. */
export async function peopleAdd(id: string, options: NewOptions, to: Terminal): Promise<number> {
  return changing(options, to, async (acting, ask) => {
    const secret = await newSecret(id, ask, to);
    const roles = rolesOf(options.roles ?? '');
    const { name } = options;
    const entry = await addPerson(acting, { id, name, roles, secret, ...dates(options) });
    return [entry, `${name} (${id}) is added: ${roles.join(', ')}.`];
  });
}

/** Gives a person other roles. */
export async function peopleRoles(
  id: string,
  options: ChangeOptions & { readonly roles: string },
  to: Terminal,
): Promise<number> {
  return changing(options, to, async (acting) => {
    const roles = rolesOf(options.roles);
    return [await changeRoles(acting, id, roles), `${id} is now: ${roles.join(', ')}.`];
  });
}

/** Enters training. */
export async function peopleTrain(
  id: string,
  options: TrainOptions,
  to: Terminal,
): Promise<number> {
  return changing(options, to, async (acting) => {
    const zone = readRegister(acting.keys)?.zone ?? 'UTC';
    const on = options.on ?? dayAt(acting.now, zone);
    const until = options.until ?? (isDay(on) ? dayAfter(on, 365) : '');
    const [issue, toIssue] = issuesOf(options.issue);
    const { procedure } = options;
    const entry = await trainPerson(acting, id, { procedure, issue, toIssue, on, until });
    const issues = issue === toIssue ? `issue ${issue}` : `issues ${issue} to ${toIssue}`;
    return [entry, `${id} is trained on ${procedure} ${issues} from ${on} until ${until}.`];
  });
}

/** Retires a person. */
export async function peopleRetire(
  id: string,
  options: ChangeOptions,
  to: Terminal,
): Promise<number> {
  return changing(options, to, async (acting) => [
    await retirePerson(acting, id),
    `${id} is retired; the id is never used again, and what the person signed still verifies.`,
  ]);
}

/** Lets a locked person try again. */
export async function peopleUnlock(
  id: string,
  options: ChangeOptions,
  to: Terminal,
): Promise<number> {
  return changing(options, to, async (acting) => [
    await unlockPerson(acting, id),
    `${id} may try again.`,
  ]);
}

/** Enters that what the register says of a person is right. */
export async function peopleConfirm(
  id: string,
  options: ChangeOptions,
  to: Terminal,
): Promise<number> {
  return changing(options, to, async (acting) => [
    await confirmPerson(acting, id),
    `What the register says of ${id} is confirmed.`,
  ]);
}

/** Gives a person a new secret: one's own, or another person's as a quality engineer. */
export async function peopleSecret(
  id: string,
  options: ChangeOptions,
  to: Terminal,
): Promise<number> {
  return changing(options, to, async (acting, ask, old) => {
    const fresh = await newSecret(id, ask, to);
    const isOwn = acting.session.id === id;
    const entry = await changeSecret(acting, id, isOwn ? { old, fresh } : { fresh });
    const key = isOwn ? 'the key goes along' : 'a key to sign with has to be issued anew';
    return [entry, `${id} has a new secret; ${key}.`];
  });
}

/** Issues a key to sign with for whoever logs in; the keeper of the plant root is needed too. */
export async function peopleKey(id: string, options: ChangeOptions, to: Terminal): Promise<number> {
  return changing({ ...options, as: id }, to, async (acting, ask, secret) => {
    const root = await ask('Passphrase of the plant root: ', 'STALLMARK_ROOT_PASSPHRASE');
    const entry = await issueKey(acting, { root, secret });
    return [entry, `${id} has a key to sign with; it opens with the secret of ${id} only.`];
  });
}

type Changed = readonly [entry: Entry, told: string];

function changing(
  options: ChangeOptions,
  to: Terminal,
  change: (acting: Acting, ask: AskSecret, secret: string) => Promise<Changed>,
): Promise<number> {
  return act(options, to, async ({ session, secret, ask, keys, ledger, now }) => {
    const acting = { keys, ledger, session, why: options.why, now };
    const [entry, told] = await change(acting, ask, secret);
    return tell(entry, [told], options, to);
  });
}

function tell(entry: Entry, lines: readonly string[], options: ActOptions, to: Terminal): number {
  if (options.json === true) to.out(JSON.stringify(entry, null, 2));
  else for (const line of [...lines, `Entry ${entry.number} of the ledger.`]) to.out(line);
  return EXIT.conforming;
}

/** At a terminal it is typed twice, because nobody sees it. */
async function newSecret(id: string, ask: AskSecret, to: Terminal): Promise<string> {
  const first = await ask(`New secret of ${id}: `, NEW_SECRET);
  if (!to.isInteractive || process.env[NEW_SECRET] !== undefined) return first;
  if ((await ask('The same again: ', NEW_SECRET)) === first) return first;
  const what = 'The two secrets are not the same.';
  throw new StallmarkError([{ code: 'people/secret', what, fix: 'Begin again.' }]);
}

const dates = ({
  from,
  until,
}: NewOptions): { readonly from?: string; readonly until?: string } => ({
  ...(from === undefined ? {} : { from }),
  ...(until === undefined ? {} : { until }),
});

function rolesOf(text: string): readonly Role[] {
  const names = text.split(',').map((name) => name.trim());
  return names.map((name) => {
    const role = ROLES.find((known) => known === name);
    if (role !== undefined) return role;
    const what = `"${name}" is no role.`;
    const fix = `Give some of: ${ROLES.join(', ')}.`;
    throw new StallmarkError([{ code: 'usage/argument', what, fix }]);
  });
}

function issuesOf(text: string): readonly [number, number] {
  const [, first, last] = /^(\d{1,6})(?:-(\d{1,6}))?$/u.exec(text) ?? [];
  if (first !== undefined) return [Number(first), Number(last ?? first)];
  const what = `"${text}" is no issue.`;
  throw new StallmarkError([{ code: 'usage/argument', what, fix: 'Give 3, or 3-5 for a range.' }]);
}

/** One person as listed; never with the secret. */
interface Listed extends Omit<Person, 'secret'> {
  readonly state: 'active' | 'not yet' | 'ended' | 'retired';
  readonly locked: boolean;
  /** Why the register is not believed about this person. */
  readonly problems: readonly string[];
}

/**
 * Lists everybody in the register, retired ones too.
 *
 * @returns 0, or the status of people/changed when the register says otherwise than the ledger.
 */
export function peopleList(options: ActOptions, to: Terminal): number {
  const keys = options.keys ?? defaultKeys();
  const register = readRegister(keys);
  if (register === undefined) {
    if (options.json === true) to.out('[]');
    else to.out(`There is no register of people in ${keys}; names are stated, not checked.`);
    return EXIT.conforming;
  }
  const listed = listing(register, options.data);
  if (options.json === true) to.out(JSON.stringify(listed, null, 2));
  else for (const person of listed) to.out(lines(person));
  return listed.some(({ problems }) => problems.length > 0) ? EXIT.storage : EXIT.conforming;
}

function listing(register: Register, data: string): readonly Listed[] {
  const entries = entriesIn(data);
  const today = dayAt(systemClock.now(), register.zone);
  return register.people.map((person) => {
    const { id, name, roles, from, until, training, retired } = person; // never the secret
    return {
      ...{ id, name, roles, from, training },
      ...(until === undefined ? {} : { until }),
      ...(retired === undefined ? {} : { retired }),
      state: stateOf(person, today),
      locked: triesOf(entries, person.id).locked,
      problems: personProblems(person, entries).map(({ what }) => what),
    };
  });
}

function entriesIn(data: string): readonly Entry[] {
  const ledger = openLedger(ledgerFile(data), { readOnly: true });
  try {
    return ledger.of('');
  } finally {
    ledger.close();
  }
}

function stateOf({ retired, from, until }: Person, today: string): Listed['state'] {
  if (retired !== undefined) return 'retired';
  if (today < from) return 'not yet';
  return until !== undefined && today > until ? 'ended' : 'active';
}

function lines({
  id,
  name,
  roles,
  state,
  locked,
  from,
  until,
  training,
  problems,
}: Listed): string {
  const told = locked ? `${state}, locked` : state;
  const head = `${id.padEnd(10)} ${name.padEnd(24)} ${told.padEnd(16)} ${from} to ${until ?? 'open end'}  ${roles.join(', ')}`;
  const trained = training.map((t) => {
    const issues = t.issue === t.toIssue ? `issue ${t.issue}` : `issues ${t.issue} to ${t.toIssue}`;
    return `${' '.repeat(11)}trained on ${t.procedure} ${issues}, ${t.on} to ${t.until}`;
  });
  return [head, ...trained, ...problems.map((what) => `${' '.repeat(11)}✗ ${what}`)].join('\n');
}
