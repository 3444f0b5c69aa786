import { X509Certificate } from 'node:crypto';
import { cpSync, existsSync, readdirSync, readFileSync, statSync } from 'node:fs';
import { join } from 'node:path';
import { beforeAll, expect, test } from 'vitest';
import { certificateCsv } from '../../src/certificate/csv.js';
import { detachedCms } from '../../src/certificate/cms-making.js';
import { listKeys, openSeal, type Seal } from '../../src/certificate/keys.js';
import {
  isOpenPersonKey,
  issuePersonKey,
  openPersonKey,
  personCertificateFile,
  type PersonKey,
} from '../../src/certificate/person-keys.js';
import { purposeOf, subjectPart } from '../../src/certificate/seal-certificate.js';
import { sealCsv } from '../../src/certificate/sign.js';
import { signStatement } from '../../src/certificate/sign-statement.js';
import type { Statement } from '../../src/certificate/statement.js';
import { verifyRecord } from '../../src/certificate/verify.js';
import { changeSecret, issueKey, retirePerson } from '../../src/people/administration.js';
import { temporaryFolder } from '../support/folder.js';
import { copyOf, KEYS_MADE, madeKeys, PASSPHRASES } from '../support/keys.js';
import { SECRETS, testPeople, type TestPeople } from '../support/people.js';
import { sampleCertificate } from '../support/record.js';
import { filesOf, sealed, sharedSeal, writeFiles } from '../support/sealed-record.js';

beforeAll(() => madeKeys());

const root = PASSPHRASES.root;

/** A plant with its keys, its people, and a key of QE-1. */
async function plant(): Promise<TestPeople> {
  const people = await testPeople(copyOf(await madeKeys(), temporaryFolder()));
  const holder = { id: 'QE-1', name: 'Q. Engineer' };
  const secrets = { root, secret: SECRETS['QE-1'] };
  await issuePersonKey(people.keys, holder, secrets, people.clock.now());
  return people;
}

const statement: Statement = {
  person: { id: 'QE-1', name: 'Q. Engineer', roles: ['quality engineer'] },
  meaning: 'reviewed',
  why: 'for the test',
  at: Date.parse('2026-11-25T15:00:00Z'),
  offset: 60,
  simulated: false,
  subject: { kind: 'ledger', from: 1, to: 2, digest: '0'.repeat(64) },
};

test('the certificate names person and id, says person, and is issued by the plant root', async () => {
  const { keys } = await plant();
  const read = (file: string): X509Certificate => new X509Certificate(readFileSync(file));
  const certificate = read(personCertificateFile(keys, 'QE-1'));
  const plantRoot = read(join(keys, 'plant-root', 'certificate.pem'));
  expect(subjectPart(certificate, 'CN')).toBe('Q. Engineer');
  expect(subjectPart(certificate, 'OU')).toBe('person');
  expect(subjectPart(certificate, 'serialNumber')).toBe('QE-1');
  expect(subjectPart(certificate, 'O')).toBe('Skarrowmere Helmworks');
  expect(purposeOf(certificate)).toBe('person');
  expect(certificate.verify(plantRoot.publicKey)).toBe(true);
  expect(certificate.ca).toBe(false);
  for (const name of readdirSync(join(keys, 'people', 'QE-1'))) {
    expect(statSync(join(keys, 'people', 'QE-1', name)).mode & 0o777).toBe(0o600);
  }
});

test('the key opens with the own secret only', async () => {
  const { keys, clock } = await plant();
  const key = await openPersonKey(keys, 'QE-1', SECRETS['QE-1'], clock.now());
  expect(key).toMatchObject({ id: 'QE-1', name: 'Q. Engineer' });
  for (const wrong of ['wrong', '', SECRETS['OP-1'], root]) {
    await expect(openPersonKey(keys, 'QE-1', wrong, clock.now())).rejects.toThrow(
      'keys/passphrase',
    );
  }
  const nobody = openPersonKey(keys, 'OP-1', SECRETS['OP-1'], clock.now());
  await expect(nobody).rejects.toThrow('OP-1 has no key to sign with');
});

test('only the keeper of the plant root has keys issued', async () => {
  const { keys, clock } = await plant();
  const holder = { id: 'OP-1', name: 'O. Operator' };
  const secrets = { root: 'wrong', secret: SECRETS['OP-1'] };
  const issuing = issuePersonKey(keys, holder, secrets, clock.now());
  await expect(issuing).rejects.toThrow('keys/passphrase');
  expect(existsSync(join(keys, 'people', 'OP-1'))).toBe(false);
  const again = { id: 'QE-1', name: 'Q. Engineer' };
  const second = issuePersonKey(keys, again, { root, secret: 'other' }, clock.now());
  await expect(second).rejects.toThrow('keys/exists');
});

test('a key put into the folder of another person is refused', async () => {
  const { keys, clock } = await plant();
  cpSync(join(keys, 'people', 'QE-1'), join(keys, 'people', 'OP-1'), { recursive: true });
  const opening = openPersonKey(keys, 'OP-1', SECRETS['QE-1'], clock.now());
  await expect(opening).rejects.toThrow('keys/purpose');
});

test('a key ends after two years', async () => {
  const { keys } = await plant();
  const opening = openPersonKey(keys, 'QE-1', SECRETS['QE-1'], Date.parse('2028-12-01T00:00:00Z'));
  await expect(opening).rejects.toThrow('keys/expired');
});

test('a seal where the key of a person belongs is refused, and the other way round', async () => {
  const { keys, clock } = await plant();
  cpSync(join(keys, 'bench'), join(keys, 'people', 'OP-1'), { recursive: true });
  const opening = openPersonKey(keys, 'OP-1', PASSPHRASES.seal, clock.now());
  await expect(opening).rejects.toThrow('keys/purpose');
  cpSync(join(keys, 'people', 'QE-1'), join(keys, 'bench'), { recursive: true, force: true });
  const seal = openSeal(keys, 'bench', SECRETS['QE-1'], clock.now());
  await expect(seal).rejects.toThrow('is for person records');
});

test('the types keep keys of persons and seals apart', async () => {
  const { keys, clock } = await plant();
  const person = await openPersonKey(keys, 'QE-1', SECRETS['QE-1'], clock.now());
  const seal = await sharedSeal('bench');
  // @ts-expect-error -- the key of a person is no seal
  const asSeal: Seal<'bench'> = person;
  // @ts-expect-error -- a seal is no key of a person
  const asPerson: PersonKey = seal;
  expect(isOpenPersonKey(asPerson)).toBe(false);
  const csv = certificateCsv(sampleCertificate());
  await expect(sealCsv(csv, asSeal, KEYS_MADE)).rejects.toThrow('keys/purpose');
  await expect(signStatement(statement, asPerson)).rejects.toThrow('keys/purpose');
  const copy: PersonKey = { ...person };
  await expect(signStatement(statement, copy)).rejects.toThrow('keys/purpose');
});

test('a statement is signed only by the person it names, while the key is valid', async () => {
  const { keys, clock } = await plant();
  const key = await openPersonKey(keys, 'QE-1', SECRETS['QE-1'], clock.now());
  const of = (changes: Partial<Statement['person']>): Statement => ({
    ...statement,
    person: { ...statement.person, ...changes },
  });
  await expect(signStatement(of({ id: 'QE-2' }), key)).rejects.toThrow('keys/purpose');
  await expect(signStatement(of({ name: 'Q. Other' }), key)).rejects.toThrow('keys/purpose');
  const late = { ...statement, at: key.until + 1000 };
  await expect(signStatement(late, key)).rejects.toThrow('keys/expired');
  expect((await signStatement(statement, key)).length).toBeGreaterThan(500);
});

test('a record sealed with the key of a person is broken: only a bench seals', async () => {
  const { keys, clock } = await plant();
  const key = await openPersonKey(keys, 'QE-1', SECRETS['QE-1'], clock.now());
  const certificate = sampleCertificate();
  const files = filesOf(await sealed(certificate, await sharedSeal('bench')));
  const csv = files['certificate.csv'] ?? new Uint8Array();
  const claims = { at: certificate.issued, hint: `${certificate.number} rev 0` };
  const signer = { key: key.signer, certificates: key.chain };
  const forged = { ...files, 'certificate.csv.p7s': await detachedCms([csv], signer, claims) };
  const roots = [readFileSync(join(keys, 'plant-root', 'certificate.pem'))];
  const now = certificate.issued + 60_000;
  const report = await verifyRecord(writeFiles(join(temporaryFolder(), 'record'), forged), {
    ...{ roots, now },
  });
  const broken = report.checks.filter(({ outcome }) => outcome === 'broken');
  expect(broken.map(({ finding }) => finding)).toEqual(['table/person-key', 'page/other-signer']);
  expect(broken[0]?.sentence).toContain('only the seal of a bench may');
});

test('a new secret of one’s own takes the key along; one that was given does not open it', async () => {
  const people = await plant();
  const { keys, clock } = people;
  const old = SECRETS['QE-1'];
  await changeSecret(people.acting('yearly'), 'QE-1', { old, fresh: 'skarrow 1871' });
  expect((await openPersonKey(keys, 'QE-1', 'skarrow 1871', clock.now())).id).toBe('QE-1');
  await expect(openPersonKey(keys, 'QE-1', old, clock.now())).rejects.toThrow('keys/passphrase');
  expect(readdirSync(join(keys, 'people', 'QE-1')).sort()).toEqual(['certificate.pem', 'key.pem']);
  const wrong = changeSecret(people.acting('again'), 'QE-1', { old, fresh: 'tarn & wick' });
  await expect(wrong).rejects.toThrow('keys/passphrase');

  const own = { ...people.acting('to sign'), session: people.session('OP-1') };
  const entry = await issueKey(own, { root, secret: SECRETS['OP-1'] });
  expect(entry.body).toMatchObject({ change: 'key issued', id: 'OP-1', why: 'to sign' });
  await changeSecret(people.acting('forgotten'), 'OP-1', { fresh: '602214' });
  const gone = openPersonKey(keys, 'OP-1', '602214', clock.now());
  await expect(gone).rejects.toThrow('has no key to sign with');
});

test('keys of persons are listed as signatures, retired ones too', async () => {
  const people = await plant();
  const own = { ...people.acting('to sign'), session: people.session('OP-1') };
  await issueKey(own, { root, secret: SECRETS['OP-1'] });
  await retirePerson(people.acting('left'), 'OP-1');
  const listed = (await listKeys(people.keys, people.clock.now())).filter(
    ({ purpose }) => purpose === 'person',
  );
  expect(listed.map(({ name, role, state }) => [name.slice(0, 12), role, state])).toEqual([
    ['people/QE-1', 'signature', 'in use'],
    ['retired/2026', 'signature', 'retired'],
  ]);
  expect(listed[1]?.retired?.reason).toBe('left');
});
