import Database from 'better-sqlite3';
import type { Ledger } from '../../src/ledger/ledger.js';
import { ledgerOn } from '../../src/ledger/sqlite.js';
import { addPerson, initRegister, type Acting } from '../../src/people/administration.js';
import type { Role, Session } from '../../src/people/people.js';
import { personOf, readRegister } from '../../src/people/register.js';
import type { Cost } from '../../src/people/secret.js';
import { handClock, type HandClock } from './clock.js';
import { temporaryFolder } from './folder.js';

/** Far below what the program takes: tests try many secrets. */
export const LOW_COST: Cost = { N: 1024, r: 8, p: 1 };

/** Secrets of the people of the invented maker. */
export const SECRETS = {
  'QE-1': 'tarnwick 48',
  'OP-1': '271828',
  'OP-2': '314159',
  'AU-1': 'skerry & shoal',
} as const;
export type TestId = keyof typeof SECRETS;

/** Everybody, with name and secret. */
export const PEOPLE: Readonly<
  Record<TestId, { readonly name: string; readonly role: Role; readonly secret: string }>
> = {
  'QE-1': { name: 'Q. Engineer', role: 'quality engineer', secret: SECRETS['QE-1'] },
  'OP-1': { name: 'O. Operator', role: 'operator', secret: SECRETS['OP-1'] },
  'OP-2': { name: 'P. Åsberg, jun.', role: 'operator', secret: SECRETS['OP-2'] },
  'AU-1': { name: 'A. Auditor', role: 'auditor', secret: SECRETS['AU-1'] },
};

export const memoryLedger = (): Ledger => ledgerOn(new Database(':memory:'), ':memory:');

/** A key folder with a register of four people, and the ledger they were entered in. */
export interface TestPeople {
  readonly keys: string;
  readonly ledger: Ledger;
  readonly clock: HandClock;
  /** What a change by the quality engineer needs. */
  readonly acting: (why?: string) => Acting;
  /** The session of a person, without a log-in. */
  readonly session: (id: TestId) => Session;
}

/** Makes the people of the invented maker, in a folder that goes with the running test. */
export async function testPeople(keys = temporaryFolder(), now?: number): Promise<TestPeople> {
  const clock = handClock(now);
  const ledger = memoryLedger();
  const session = (id: TestId): Session => {
    const register = readRegister(keys);
    if (register === undefined) throw new Error('there is no register');
    const { name, roles, training } = personOf(register, id);
    const at = clock.now();
    return { id, name, roles, training, at, means: 'authenticated', zone: register.zone };
  };
  const acting = (why = 'for the test'): Acting => ({
    keys,
    ledger,
    session: session('QE-1'),
    why,
    now: clock.now(),
    cost: LOW_COST,
  });
  const first = { id: 'QE-1', name: PEOPLE['QE-1'].name, secret: SECRETS['QE-1'] };
  const bare = { keys, ledger, why: 'first', now: clock.now(), cost: LOW_COST };
  await initRegister(bare, 'Europe/Berlin', first);
  for (const id of ['OP-1', 'OP-2', 'AU-1'] as const) {
    const { name, role, secret } = PEOPLE[id];
    await addPerson(acting(), { id, name, roles: [role], secret });
  }
  return { keys, ledger, clock, acting, session };
}
