import { copyFileSync } from 'node:fs';
import { dirname, join } from 'node:path';
import { fileURLToPath } from 'node:url';
import type { Page } from 'playwright-core';
import { openLedger } from '../../src/ledger/sqlite.js';
import { addPerson, initRegister } from '../../src/people/administration.js';
import { personOf, readRegister } from '../../src/people/register.js';
import { ledgerFile } from '../../src/run/places.js';
import { LOW_COST, PEOPLE, SECRETS, type TestId } from './people.js';
import { stallmark } from './program.js';
import { servedProgram, type ServedProgram } from './served-program.js';
import { documentOptions, SHORT_STAGES, type ShortDocuments } from './short-documents.js';

/** What was tested: one item for each way in which an attempt ends. */
export const MADE = {
  accepted: { serial: 'H12-26-00001', fault: undefined, status: 0 },
  rejected: { serial: 'H12-26-00006', fault: 'swapped-smoothing', status: 1 },
  held: { serial: 'H12-26-00004', fault: 'stuck-channel', status: 2 },
  broken: { serial: 'H12-26-00005', fault: 'emergency-stop', status: 69 },
} as const;

/** The stages of the short procedure, with the sweep of the settings. */
export const MADE_STAGES = [...SHORT_STAGES.slice(0, -1), 'smoothing', 'close'];

/** How a test wants its records. */
export interface MadeWish {
  /** Whether a reference item was checked on the bench too. */
  readonly hasReference?: boolean;
}

const WARNED = ['--acknowledge', 'crushing', '--acknowledge', 'sudden-torque'];

/**
 * Serves records that the built program made, one of each kind, as OP-1 … AU-1 of the invented maker find
 * them. The register of people is made after the records, which were tested by a name.
 */
export async function servedRecords(wish: MadeWish = {}): Promise<ServedProgram> {
  let documents: ShortDocuments | undefined;
  return servedProgram({
    stages: MADE_STAGES,
    documents: (made) => {
      documents = made;
      besideBench(made);
    },
    prepare: async ({ data, keys }) => {
      if (documents === undefined) throw new Error('there are no documents');
      const at = ['--operator', 'M. Ostrander', ...WARNED, '--data', data, '--keys', keys];
      for (const { serial, fault, status } of Object.values(MADE)) {
        const faults = fault === undefined ? [] : ['--fault', fault];
        const args = ['run', serial, ...at, ...documentOptions(documents), ...faults];
        await ended(args, status);
      }
      if (wish.hasReference === true) {
        await ended(['reference', 'check', 'REF-H12-A', ...at, '--bench', documents.bench], 0);
      }
      await enterPeople(data, keys);
    },
  });
}

async function ended(args: readonly string[], wanted: number): Promise<void> {
  const { status, err } = await stallmark(args);
  if (status !== wanted) throw new Error(`${args.join(' ')} ended with ${status}:\n${err}`);
}

/** Reference items are looked for beside the description of the bench. */
function besideBench({ bench }: ShortDocuments): void {
  const shipped = new URL('../../procedures/benches/reference-items.yaml', import.meta.url);
  copyFileSync(fileURLToPath(shipped), join(dirname(bench), 'reference-items.yaml'));
}

/** Makes the register of people with the people of the invented maker. */
export async function enterPeople(data: string, keys: string): Promise<void> {
  const ledger = openLedger(ledgerFile(data));
  try {
    const now = Date.now();
    const acting = { keys, ledger, why: 'for the test', now, cost: LOW_COST };
    const first = { id: 'QE-1', name: PEOPLE['QE-1'].name, secret: SECRETS['QE-1'] };
    await initRegister(acting, 'Europe/Berlin', first);
    const register = readRegister(keys);
    if (register === undefined) throw new Error('there is no register');
    const { id, name, roles, training } = personOf(register, 'QE-1');
    const means = 'authenticated' as const;
    const session = { id, name, roles, training, at: now, means, zone: register.zone };
    for (const one of ['OP-1', 'AU-1'] as const) {
      const { name: called, role, secret } = PEOPLE[one];
      const person = { id: one, name: called, roles: [role], secret };
      await addPerson({ ...acting, session }, person);
    }
  } finally {
    ledger.close();
  }
}

/** Logs in by id and secret, with keys alone. */
export async function logInBySecret(page: Page, id: TestId): Promise<void> {
  const who = page.locator('#who');
  await who.waitFor();
  await who.pressSequentially(id);
  await page.keyboard.press('Tab');
  await page.keyboard.type(SECRETS[id]);
  await page.keyboard.press('Enter');
  await page.getByRole('button', { name: 'Log out' }).waitFor();
}
