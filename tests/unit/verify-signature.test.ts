import { copyFileSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { beforeAll, expect, test } from 'vitest';
import { detachedCms } from '../../src/certificate/cms-making.js';
import { hintOf, readStatement, statementText } from '../../src/certificate/statement.js';
import type { Statement } from '../../src/certificate/statement.js';
import { lastSignature } from '../../src/certificate/verify-signature.js';
import { retirePerson } from '../../src/people/administration.js';
import { madeKeys } from '../support/keys.js';
import { sharedSeal } from '../support/sealed-record.js';
import { brokenIn, signable, type Signable } from '../support/signatures.js';

beforeAll(() => madeKeys());

const JSON_FILE = 'signature-01.json';
const CMS_FILE = 'signature-01.json.p7s';

/** A record that QE-1 signed as reviewed, and OP-2 may sign too. */
async function signed(): Promise<Signable & { readonly statement: Statement }> {
  const made = await signable();
  const { statement } = await made.sign('QE-1', 'reviewed');
  return { ...made, statement };
}

const path = (made: Signable, name: string): string => join(made.folder, name);

/** Writes a statement with a signature that its own key made: what a forger with a key can do. */
async function forge(
  made: Signable,
  statement: Statement,
  by: 'QE-1' | 'OP-2' | 'seal',
  at = statement.at,
): Promise<void> {
  const text = statementText(statement);
  const seal = await sharedSeal('bench');
  const key = by === 'seal' ? undefined : await made.key(by);
  const signer =
    key === undefined
      ? { key: seal.key, certificates: seal.certificates }
      : { key: key.signer, certificates: key.chain };
  const cms = await detachedCms([Buffer.from(text)], signer, { at, hint: hintOf(statement) });
  writeFileSync(path(made, JSON_FILE), text);
  writeFileSync(path(made, CMS_FILE), cms);
}

type Spoil = (made: Signable & { readonly statement: Statement }) => Promise<void> | void;

const ENTERED = 'signature/not-entered';

/** Each damage, the findings it must give, and a part of the first sentence. */
const damages: readonly (readonly [
  name: string,
  spoil: Spoil,
  found: readonly string[],
  part: string,
])[] = [
  [
    'the reason in the statement was changed',
    (made) => {
      const changed = { ...made.statement, why: 'not looked at' };
      writeFileSync(path(made, JSON_FILE), statementText(changed));
    },
    ['signature/changed', ENTERED],
    'The statement was changed after signing',
  ],
  [
    'a word of the sentence in the statement was changed',
    (made) => {
      const text = readFileSync(path(made, JSON_FILE), 'utf8');
      writeFileSync(path(made, JSON_FILE), text.replace('as reviewed', 'as approved'));
    },
    ['signature/changed', 'signature/statement-unreadable'],
    'The statement was changed after signing',
  ],
  [
    'the statement is no JSON',
    (made) => {
      writeFileSync(path(made, JSON_FILE), 'Signed, the engineer');
    },
    ['signature/changed', 'signature/statement-unreadable'],
    'changed after signing',
  ],
  [
    'another person signed the statement',
    (made) => forge(made, made.statement, 'OP-2'),
    ['signature/other-person', ENTERED],
    'The statement is of Q. Engineer (QE-1), but P. Åsberg, jun. (OP-2) signed it',
  ],
  [
    'a seal signed the statement',
    (made) => forge(made, made.statement, 'seal'),
    ['signature/seal-used', ENTERED],
    'a seal, "TW-1", signs it: a seal is no signature of a person',
  ],
  [
    'the statement has other digests than the files',
    (made) => {
      const { subject } = made.statement;
      if (subject.kind !== 'record') throw new Error('not of a record');
      const files = { ...subject.files, 'certificate.pdf': '0'.repeat(64) };
      return forge(made, { ...made.statement, subject: { ...subject, files } }, 'QE-1');
    },
    ['signature/files-differ', ENTERED],
    'certificate.pdf has another digest than the statement says',
  ],
  [
    'the statement names one file only',
    (made) => {
      const { subject } = made.statement;
      if (subject.kind !== 'record') throw new Error('not of a record');
      const files = { 'certificate.csv': subject.files['certificate.csv'] ?? '' };
      return forge(made, { ...made.statement, subject: { ...subject, files } }, 'QE-1');
    },
    ['signature/file-unnamed', ENTERED],
    'does not name certificate.pdf',
  ],
  [
    'the statement is of another record',
    (made) => {
      const { subject } = made.statement;
      if (subject.kind !== 'record') throw new Error('not of a record');
      const other = { ...subject, number: 'TW1-2026-000002' };
      return forge(made, { ...made.statement, subject: other }, 'QE-1');
    },
    ['signature/other-record', ENTERED],
    'The statement is of record TW1-2026-000002',
  ],
  [
    'the statement is of the ledger',
    (made) => {
      const subject = { kind: 'ledger', from: 1, to: 2, digest: '0'.repeat(64) } as const;
      return forge(made, { ...made.statement, subject }, 'QE-1');
    },
    ['signature/other-record'],
    'of entries of the ledger, not of this record',
  ],
  [
    'the statement says simulated, the record is not',
    (made) => forge(made, { ...made.statement, simulated: true }, 'QE-1'),
    ['signature/other-record', ENTERED],
    'simulated; this is TW1-2026-000001',
  ],
  [
    'the signature is of another statement',
    async (made) => {
      await made.sign('QE-1', 'approved');
      copyFileSync(path(made, 'signature-02.json.p7s'), path(made, CMS_FILE));
    },
    ['signature/signature-of-another', ENTERED],
    'it signs TW1-2026-000001 rev 0 approved by QE-1, the statement is TW1-2026-000001 rev 0 reviewed by QE-1',
  ],
  [
    'the signature was altered',
    (made) => {
      const cms = readFileSync(path(made, CMS_FILE));
      cms[cms.length - 1] = (cms.at(-1) ?? 0) ^ 1;
      writeFileSync(path(made, CMS_FILE), cms);
    },
    ['signature/signature-altered', ENTERED],
    'The signature of the statement was altered',
  ],
  [
    'the signature is no CMS',
    (made) => {
      writeFileSync(path(made, CMS_FILE), 'signed');
    },
    ['signature/signature-unreadable', ENTERED],
    'The signature of the statement cannot be read',
  ],
  [
    'the statement is gone',
    (made) => {
      rmSync(path(made, JSON_FILE));
    },
    ['signature/statement-missing', 'signature/removed'],
    'nobody can tell what was signed',
  ],
  [
    'the signature is gone',
    (made) => {
      rmSync(path(made, CMS_FILE));
    },
    ['signature/signature-missing', 'signature/removed'],
    'is not signed',
  ],
  [
    'both are gone, but the ledger remembers',
    (made) => {
      rmSync(path(made, JSON_FILE));
      rmSync(path(made, CMS_FILE));
    },
    ['signature/removed'],
    'QE-1 signed as reviewed',
  ],
  [
    'it was signed before the record was issued',
    (made) => forge(made, { ...made.statement, at: made.statement.at - 90_000 }, 'QE-1'),
    ['signature/before-record', ENTERED],
    'before the record was issued',
  ],
  [
    'statement and signature say different times',
    (made) => forge(made, made.statement, 'QE-1', made.statement.at + 1000),
    ['signature/time-differs', ENTERED],
    'The statement says 2026-11-25T14:10:30Z, the signature 2026-11-25T14:10:31Z',
  ],
  [
    'it was signed after the certificate had expired',
    (made) => forge(made, { ...made.statement, at: Date.parse('2028-12-24T00:00:00Z') }, 'QE-1'),
    ['signature/expired', ENTERED],
    'with a certificate valid from',
  ],
  [
    'it was signed tomorrow',
    (made) => forge(made, { ...made.statement, at: made.statement.at + 86_400_000 }, 'QE-1'),
    ['signature/in-future', ENTERED],
    'later than now',
  ],
  [
    'it was not entered, and the first one is gone',
    (made) => forge(made, { ...made.statement, meaning: 'approved' }, 'QE-1'),
    [ENTERED],
    'The ledger has no entry of this signature',
  ],
];

for (const [name, spoil, found, part] of damages) {
  test(`${name}: ${found.join(', ')}`, async () => {
    const made = await signed();
    await spoil(made);
    const report = await made.verify();
    expect(brokenIn(report)).toEqual(found);
    const said = report.checks.filter(({ outcome }) => outcome === 'broken');
    expect(said.map(({ sentence }) => sentence).join('\n')).toContain(part);
    expect(report.intact).toBe(false);
  });
}

test('every kind of damage has a finding of its own', () => {
  const first = damages.map(([, , found]) => found.join(' '));
  const shared = first.filter((found, i) => first.indexOf(found) !== i);
  // Two ways to change a statement, and two to be of another thing, share theirs.
  expect(new Set(shared).size).toBeLessThanOrEqual(2);
});

test('somebody who was retired by then could not sign, whatever time the statement claims', async () => {
  const made = await signed();
  expect(brokenIn(await made.verify())).toEqual([]);
  const retired = made.statement.at - 1000;
  const report = await made.verify({ retiredAt: () => retired });
  expect(brokenIn(report)).toEqual(['signature/retired']);
  expect(brokenIn(await made.verify({ retiredAt: () => made.statement.at + 1000 }))).toEqual([]);
});

test('a signature dated back before retirement is told by the order of entries', async () => {
  const made = await signable();
  const key = await made.key('OP-2');
  const session = made.session('OP-2');
  const before = made.clock.now();
  await made.clock.advance(60_000);
  await retirePerson(made.acting('left'), 'OP-2');
  await made.clock.advance(60_000);
  // Entered now, but the statement claims the time before.
  const append = made.ledger.append.bind(made.ledger);
  const ledger = {
    ...{ of: made.ledger.of.bind(made.ledger), last: made.ledger.last.bind(made.ledger) },
    entries: made.ledger.entries.bind(made.ledger),
    newestFirst: made.ledger.newestFirst.bind(made.ledger),
    close: made.ledger.close.bind(made.ledger),
    append: (entry: Parameters<typeof append>[0], _: number, then?: Parameters<typeof append>[2]) =>
      append(entry, made.clock.now(), then),
  };
  await made.sign('OP-2', 'tested', { key, session, now: before, ledger });
  const report = await made.verify();
  expect(brokenIn(report)).toEqual(['signature/retired']);
});

test('a signature of a person who left later holds, and so does the one of an expired certificate', async () => {
  const made = await signed();
  await made.clock.advance(60_000);
  const later = await made.verify({ now: Date.parse('2029-06-01T00:00:00Z') });
  expect(brokenIn(later)).toEqual([]);
  expect(later.checks.filter(({ finding }) => finding === 'signature/time-unproven')).toHaveLength(
    1,
  );
});

test('a changed record is told by its own checks and by the signature', async () => {
  const made = await signed();
  const csv = readFileSync(path(made, 'certificate.csv'));
  csv[900] = (csv[900] ?? 0) ^ 1;
  writeFileSync(path(made, 'certificate.csv'), csv);
  const found = brokenIn(await made.verify());
  expect(found).toContain('table/changed');
  expect(found).toContain('signature/files-differ');
});

test('a statement is read as it was written, and nothing else is one', async () => {
  const { statement } = await signed();
  const text = statementText(statement);
  expect(readStatement(Buffer.from(text))).toEqual(statement);
  for (const other of [
    text.trimEnd(),
    `\uFEFF${text}`,
    text.replace('"schema": 1', '"schema": 2'),
    text.replace('"meaning": "reviewed"', '"meaning": "seen"'),
    text.replace('"why":', '"why": "another",\n  "why":'),
    text.replace('+', '-'),
    JSON.stringify(JSON.parse(text)),
    '[]',
  ]) {
    expect(typeof readStatement(Buffer.from(other)), other).toBe('string');
  }
  expect(typeof readStatement(new Uint8Array([0xff]))).toBe('string');
});

test('the next signature comes after the last, also where one is gone', () => {
  expect(lastSignature([])).toBe(0);
  expect(lastSignature(['certificate.csv', 'signature-01.json'])).toBe(1);
  expect(lastSignature(['signature-01.json', 'signature-12.json.p7s', 'signature-3.json'])).toBe(
    12,
  );
});
