import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { rootCertificateFile, type Seal } from '../../src/certificate/keys.js';
import {
  issuePersonKey,
  openPersonKey,
  type PersonKey,
} from '../../src/certificate/person-keys.js';
import type { Meaning } from '../../src/certificate/statement.js';
import { verifyRecord, type Against, type RecordReport } from '../../src/certificate/verify.js';
import { beginAttempt } from '../../src/ledger/numbering.js';
import { retiredAt } from '../../src/people/change.js';
import { signRecord, type RecordSigning, type Signed } from '../../src/people/signature.js';
import { temporaryFolder } from './folder.js';
import { copyOf, madeKeys, PASSPHRASES } from './keys.js';
import { PEOPLE, SECRETS, testPeople, type TestId, type TestPeople } from './people.js';
import { sampleCertificate } from './record.js';
import { digestsOf, filesOf, sealed, sharedSeal, writeFiles } from './sealed-record.js';

/** A sealed record that is entered, and people with keys who may sign it. */
export interface Signable extends TestPeople {
  readonly folder: string;
  readonly number: string;
  readonly roots: readonly Uint8Array[];
  readonly key: (id: TestId) => Promise<PersonKey>;
  /** Signs as a person; `changes` replace members of the order. */
  readonly sign: (
    id: TestId,
    meaning: Meaning,
    changes?: Partial<RecordSigning>,
  ) => Promise<Signed>;
  /** Verifies the record as `stallmark verify` does. */
  readonly verify: (changes?: Partial<Against>) => Promise<RecordReport>;
}

/** When the keys of the people were issued: before every sample record. */
const ISSUED = Date.parse('2026-11-25T08:00:00Z');

let issued: Promise<string> | undefined;

/** Key folder with keys of everybody, made once for the tests of one file; it goes with the shared one. */
function keysOfAll(): Promise<string> {
  issued ??= (async () => {
    const shared = await madeKeys();
    const people = copyOf(shared, join(shared, '..', 'with-people'));
    for (const [id, { name, secret }] of Object.entries(PEOPLE)) {
      await issuePersonKey(people, { id, name }, { root: PASSPHRASES.root, secret }, ISSUED);
    }
    return people;
  })();
  return issued;
}

const opened = new Map<TestId, Promise<PersonKey>>();

/** Opening takes long on purpose, so it is done once. */
async function keyOf(id: TestId): Promise<PersonKey> {
  const found = opened.get(id) ?? openPersonKey(await keysOfAll(), id, SECRETS[id], ISSUED);
  opened.set(id, found);
  return found;
}

let seal: Promise<Seal<'bench'>> | undefined;

/** Makes a record of the invented maker, tested by O. Operator, in a folder of the running test. */
export async function signable(): Promise<Signable> {
  const keys = copyOf(await keysOfAll(), temporaryFolder());
  const people = await testPeople(keys);
  const { ledger, clock } = people;
  const certificate = sampleCertificate({ number: 'TW1-2026-000001' });
  const { serial, attempt, number } = certificate;
  const by = 'O. Operator';
  const files = filesOf(await sealed(certificate, await (seal ??= sharedSeal('bench'))));
  const folder = writeFiles(join(temporaryFolder(), 'record'), files);
  clock.set(certificate.started);
  beginAttempt(ledger, { serial, attempt, by, prefix: 'TW1', body: {} }, clock.now());
  clock.set(certificate.issued + 1000);
  const told = { certificate: number, revision: 0, verdict: 'ACCEPT', simulated: false };
  const body = { ...told, files: digestsOf(files) };
  ledger.append({ kind: 'record-issued', serial, attempt, by, body }, clock.now());
  clock.set(certificate.issued + 60_000);
  const roots = [readFileSync(rootCertificateFile(keys, 'bench'))];
  return {
    ...people,
    folder,
    number,
    roots,
    key: keyOf,
    sign: async (id, meaning, changes = {}) =>
      signRecord({
        session: people.session(id),
        key: changes.key ?? (await keyOf(id)),
        why: 'values and figures looked through',
        now: clock.now(),
        meaning,
        folder,
        ledger,
        roots,
        secondPerson: true,
        ...changes,
      }),
    verify: (changes = {}) =>
      verifyRecord(folder, {
        roots,
        now: clock.now() + 60_000,
        ledgerEntries: [...ledger.entries()],
        retiredAt: (id) => retiredAt(ledger.of(''), id),
        ...changes,
      }),
  };
}

/** Codes of what is broken in a record. */
export const brokenIn = ({ checks }: RecordReport): readonly string[] =>
  checks.filter(({ outcome }) => outcome === 'broken').map(({ finding }) => finding);
