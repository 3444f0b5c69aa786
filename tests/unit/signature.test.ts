import { readdirSync, readFileSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { beforeAll, expect, test } from 'vitest';
import { sha256 } from '../../src/base/canonical.js';
import { MEANINGS, type Meaning } from '../../src/certificate/statement.js';
import { checkReviews } from '../../src/certificate/verify-signature.js';
import { systemDisk } from '../../src/ledger/disk.js';
import {
  isBy,
  MAY_SIGN,
  secondPersonProblems,
  signReview,
  signRecord,
  type EarlierAct,
  type RecordSigning,
} from '../../src/people/signature.js';
import { madeKeys } from '../support/keys.js';
import { brokenIn, signable, type Signable } from '../support/signatures.js';

beforeAll(() => madeKeys());

const engineer = { id: 'QE-1', name: 'Q. Engineer' };

/** asked, meaning, what was done before by whom → refused? */
const rule: readonly (readonly [boolean, Meaning, EarlierAct['did'], string, boolean])[] = [
  [true, 'approved', 'tested', 'QE-1', true],
  [true, 'approved', 'tested', 'Q. Engineer', true],
  [true, 'approved', 'tested', 'Q. Engineer (QE-1)', true],
  [true, 'approved', 'tested', 'q. engineer', true],
  [true, 'approved', 'wrote', 'QE-1', true],
  [true, 'concession', 'tested', 'QE-1', true],
  [true, 'tested', 'approved', 'QE-1', true],
  [true, 'tested', 'concession', 'QE-1', true],
  [true, 'approved', 'tested', 'OP-1', false],
  [true, 'approved', 'tested', 'Q. Engineer (QE-2)', false],
  [true, 'approved', 'reviewed', 'QE-1', false],
  [true, 'reviewed', 'tested', 'QE-1', false],
  [true, 'tested', 'tested', 'QE-1', false],
  [false, 'approved', 'tested', 'QE-1', false],
  [false, 'tested', 'approved', 'QE-1', false],
];

for (const [asked, meaning, did, by, isRefused] of rule) {
  test(`${meaning} after ${did} by ${by}, second person ${asked ? '' : 'not '}asked: ${isRefused ? 'refused' : 'free'}`, () => {
    const problems = secondPersonProblems({
      ...{ asked, meaning, person: engineer },
      earlier: [{ did, by }],
    });
    expect(problems.map(({ code }) => code)).toEqual(isRefused ? ['people/second-person'] : []);
  });
}

test('a name is the same person with and without the id, and not with another', () => {
  for (const by of ['QE-1', 'Q. Engineer', 'Q. Engineer (QE-1)', ' q. engineer ']) {
    expect(isBy(engineer, by)).toBe(true);
  }
  for (const by of ['', 'QE-11', 'Q. Engineer (QE-2)', 'Engineer'])
    expect(isBy(engineer, by)).toBe(false);
});

test('a signature is written beside the record, entered, and leaves the sealed files alone', async () => {
  const made = await signable();
  const digests = (): readonly string[] =>
    readdirSync(made.folder)
      .filter((name) => !name.startsWith('signature'))
      .map((name) => `${name} ${sha256(readFileSync(join(made.folder, name)))}`);
  const before = digests();
  const { entry, statement, files } = await made.sign('QE-1', 'reviewed');
  expect(digests()).toEqual(before);
  const names = files.map((file) => file.slice(made.folder.length + 1));
  expect(names).toEqual(['signature-01.json', 'signature-01.json.p7s']);
  expect(entry).toMatchObject({
    kind: 'signed',
    serial: 'H12-26-04711',
    attempt: 1,
    by: 'Q. Engineer (QE-1)',
    body: {
      ...{ what: 'record', person: 'QE-1', meaning: 'reviewed', certificate: 'TW1-2026-000001' },
      ...{ revision: 0, simulated: false, why: 'values and figures looked through' },
    },
  });
  const text = readFileSync(join(made.folder, 'signature-01.json'), 'utf8');
  expect(text).toContain(
    'Signed by Q. Engineer (QE-1), quality engineer, as reviewed: record TW1-2026-000001 revision 0 of item H12-26-04711',
  );
  const pdf = sha256(readFileSync(join(made.folder, 'certificate.pdf')));
  expect(statement.subject).toMatchObject({ files: { 'certificate.pdf': pdf } });
  const report = await made.verify();
  expect(brokenIn(report)).toEqual([]);
  expect(
    report.checks.filter(({ name }) => name.startsWith('signature-01')).map((c) => c.name),
  ).toEqual(
    ['bytes', 'signature', 'root', 'signer', 'time', 'record', 'ledger'].map(
      (n) => `signature-01: ${n}`,
    ),
  );
});

test('several people sign one record, each in files of their own, also names with commas', async () => {
  const made = await signable();
  await made.sign('OP-2', 'tested');
  await made.sign('AU-1', 'reviewed');
  await made.sign('QE-1', 'approved');
  expect(readdirSync(made.folder).filter((name) => name.endsWith('.json'))).toEqual([
    'signature-01.json',
    'signature-02.json',
    'signature-03.json',
  ]);
  const report = await made.verify();
  expect(brokenIn(report)).toEqual([]);
  const signers = report.checks.filter(({ name }) => /^signature-\d\d: signer$/u.test(name));
  expect(signers[0]?.sentence).toContain('Signed by P. Åsberg, jun. (OP-2), operator, as tested');
});

test('without the ledger signatures are checked all the same', async () => {
  const made = await signable();
  await made.sign('QE-1', 'reviewed');
  const report = await made.verify({ ledgerEntries: [] });
  expect(brokenIn(report)).toContain('signature/not-entered'); // a ledger that knows nothing of it
  const { roots } = made;
  const now = made.clock.now();
  const { verifyRecord } = await import('../../src/certificate/verify.js');
  expect(brokenIn(await verifyRecord(made.folder, { roots, now }))).toEqual([]);
});

test('a meaning is for its roles only', async () => {
  expect(Object.keys(MAY_SIGN)).toEqual([...MEANINGS]);
  const made = await signable();
  for (const [id, meaning] of [
    ['OP-1', 'reviewed'],
    ['OP-1', 'approved'],
    ['OP-1', 'concession'],
    ['AU-1', 'approved'],
    ['AU-1', 'tested'],
    ['QE-1', 'tested'],
  ] as const) {
    await expect(made.sign(id, meaning)).rejects.toThrow('people/role');
  }
  expect(readdirSync(made.folder).filter((name) => name.startsWith('signature'))).toEqual([]);
});

const nothingSigned = (made: Signable): void => {
  expect(readdirSync(made.folder).filter((name) => name.startsWith('signature'))).toEqual([]);
  expect([...made.ledger.entries()].filter(({ kind }) => kind === 'signed')).toEqual([]);
};

test('whoever tested does not approve', async () => {
  const made = await signable();
  const both = { ...made.session('OP-1'), roles: ['operator', 'quality engineer'] as const };
  const approving = made.sign('OP-1', 'approved', { session: both });
  await expect(approving).rejects.toThrow('people/second-person');
  nothingSigned(made);
  // The document may not ask for it; then the same signature is free.
  await made.sign('OP-1', 'approved', { session: both, secondPerson: false });
  expect(brokenIn(await made.verify())).toEqual([]);
});

test('nobody signs twice with one meaning, without a reason, by a stated name or with another key', async () => {
  const made = await signable();
  const stated = { ...made.session('QE-1'), means: 'stated' } as const;
  await expect(made.sign('QE-1', 'reviewed', { why: ' ' })).rejects.toThrow('usage/argument');
  await expect(made.sign('QE-1', 'reviewed', { session: stated })).rejects.toThrow(
    'people/signature',
  );
  const key = await made.key('AU-1');
  await expect(made.sign('QE-1', 'reviewed', { key })).rejects.toThrow('keys/purpose');
  nothingSigned(made);
  await made.sign('QE-1', 'reviewed');
  await expect(made.sign('QE-1', 'reviewed')).rejects.toThrow('signed this as reviewed already');
  await made.sign('QE-1', 'approved');
});

test('a record that does not verify is not signed', async () => {
  const made = await signable();
  writeFileSync(join(made.folder, 'capture.parquet'), 'other samples');
  await expect(made.sign('QE-1', 'reviewed')).rejects.toThrow('The capture was changed');
  nothingSigned(made);
});

test('a disk that fails leaves neither file nor entry', async () => {
  const made = await signable();
  const order: RecordSigning = {
    session: made.session('QE-1'),
    key: await made.key('QE-1'),
    why: 'looked through',
    now: made.clock.now(),
    meaning: 'reviewed',
    folder: made.folder,
    ledger: made.ledger,
    roots: made.roots,
    secondPerson: true,
  };
  for (const step of ['statement', 'signature', 'sync'] as const) {
    let files = 0;
    const disk = {
      ...systemDisk,
      writeFile: (path: string, bytes: Uint8Array | string): void => {
        files += 1;
        if (step === (files === 1 ? 'statement' : 'signature')) throw new Error('disk full');
        systemDisk.writeFile(path, bytes);
      },
      sync: (): void => {
        if (step === 'sync') throw new Error('disk full');
      },
    };
    await expect(signRecord(order, disk)).rejects.toThrow('disk full');
    nothingSigned(made);
  }
  expect(brokenIn(await made.verify())).toEqual([]);
});

const reviewsOf = (made: Signable): ReturnType<typeof checkReviews> =>
  checkReviews(
    [...made.ledger.entries()],
    { roots: made.roots, now: made.clock.now() + 60_000 },
    () => undefined,
  );

test('a review signs from where the last one ended to the last entry, and is found again', async () => {
  const made = await signable();
  const order = async (id: 'AU-1' | 'OP-1'): Promise<Parameters<typeof signReview>[0]> => ({
    ...{ session: made.session(id), key: await made.key(id), why: 'monthly', simulated: false },
    ...{ ledger: made.ledger, now: made.clock.now() },
  });
  await expect(signReview(await order('OP-1'))).rejects.toThrow('people/role');
  const last = made.ledger.last();
  const first = await signReview(await order('AU-1'));
  expect(first.statement.subject).toEqual({
    ...{ kind: 'ledger', from: 1, to: last?.number, digest: last?.digest },
  });
  const second = await signReview(await order('AU-1'));
  expect(second.statement.subject).toMatchObject({
    from: first.entry.number,
    to: first.entry.number,
  });
  const found = await reviewsOf(made);
  expect(found.map(({ intact, person }) => [intact, person])).toEqual([
    [true, 'AU-1'],
    [true, 'AU-1'],
  ]);
});

test('a review of entries that were written anew is no review of them', async () => {
  const made = await signable();
  const { ledger, clock } = made;
  const order = { session: made.session('AU-1'), key: await made.key('AU-1'), why: 'monthly' };
  await signReview({ ...order, simulated: false, ledger, now: clock.now() });
  const entries = [...ledger.entries()].map((entry) =>
    entry.kind === 'record-issued' ? { ...entry, digest: sha256('another') } : entry,
  );
  const trust = { roots: made.roots, now: clock.now() + 60_000 };
  const [found] = await checkReviews(entries, trust, () => undefined);
  expect(found?.checks.filter((c) => c.outcome === 'broken').map((c) => c.finding)).toEqual([
    'signature/range-differs',
  ]);
  const [retired] = await checkReviews([...ledger.entries()], trust, () => clock.now() - 1000);
  expect(retired?.intact).toBe(false);
});

test('a ledger that does not audit clean is not signed off', async () => {
  const made = await signable();
  const { ledger, clock } = made;
  const body = { certificate: 'TW1-2026-000009' };
  ledger.append(
    { kind: 'record-issued', serial: 'H12-26-00001', attempt: 1, by: 'X', body },
    clock.now(),
  );
  const order = { session: made.session('AU-1'), key: await made.key('AU-1'), why: 'monthly' };
  const signing = signReview({ ...order, simulated: false, ledger, now: clock.now() });
  await expect(signing).rejects.toThrow('ledger/damaged');
});
