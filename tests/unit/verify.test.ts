import { createHash, X509Certificate } from 'node:crypto';
import { readFileSync, rmSync } from 'node:fs';
import { join } from 'node:path';
import { beforeAll, expect, test, vi } from 'vitest';
import type { Json } from '../../src/base/canonical.js';
import type { Certificate } from '../../src/certificate/certificate.js';
import { certificateCsv } from '../../src/certificate/csv.js';
import { initKeys, openSeal, rootCertificateFile, type Seal } from '../../src/certificate/keys.js';
import { sealCsv, sealPdf } from '../../src/certificate/sign.js';
import { verifyFolder } from '../../src/certificate/verify-folder.js';
import {
  RECORD_FILES,
  SUMS_FILE,
  sumsText,
  verifyRecord,
  type Against,
  type RecordReport,
} from '../../src/certificate/verify.js';
import type { Entry, EntryKind } from '../../src/ledger/ledger.js';
import { temporaryFolder } from '../support/folder.js';
import { KEY_OWNER, KEYS_MADE, madeKeys, PASSPHRASES } from '../support/keys.js';
import { blankPdf, sampleCertificate, simulatedCertificate } from '../support/record.js';
import {
  digestsOf,
  filesOf,
  sealed,
  sharedSeal,
  writeFiles,
  type RecordFiles,
} from '../support/sealed-record.js';

// A forger is not stopped by the check that a seal was opened here, so neither are these tests.
vi.mock('../../src/certificate/keys.js', async (load) => ({
  ...(await load<typeof import('../../src/certificate/keys.js')>()),
  isOpenSeal: () => true,
}));

const { table: TABLE, seal: SEAL, page: PAGE, capture: CAPTURE } = RECORD_FILES;
const NOW = Date.parse('2027-01-15T09:00:00Z');

const real = sampleCertificate();
let bench: Seal<'bench'>;
let simulation: Seal<'simulation'>;
/** A real record and another one, and a simulated one. */
let good: RecordFiles;
let other: RecordFiles;
let played: RecordFiles;
/** Plant root and simulation root. */
let roots: readonly [Uint8Array, Uint8Array];
/** Seal of another plant with the same names. */
let foreign: Seal<'bench'>;

beforeAll(async () => {
  bench = await sharedSeal('bench');
  simulation = await sharedSeal('simulation');
  good = filesOf(await sealed(real, bench));
  other = filesOf(await sealed(sampleCertificate({ number: 'TW1-2026-004712' }), bench));
  played = filesOf(await sealed(simulatedCertificate(), simulation));
  const keys = await madeKeys();
  const root = (purpose: 'bench' | 'simulation'): Uint8Array =>
    readFileSync(rootCertificateFile(keys, purpose));
  roots = [root('bench'), root('simulation')];
  const elsewhere = join(keys, '..', 'elsewhere');
  await initKeys(elsewhere, KEY_OWNER, PASSPHRASES, KEYS_MADE);
  foreign = await openSeal(elsewhere, 'bench', PASSPHRASES.seal, KEYS_MADE);
}, 60_000);

const verified = (files: RecordFiles, against: Partial<Against> = {}): Promise<RecordReport> =>
  verifyRecord(writeFiles(join(temporaryFolder(), 'record'), files), {
    roots,
    now: NOW,
    ...against,
  });

const brokenIn = ({ checks }: RecordReport): readonly string[] =>
  checks.filter(({ outcome }) => outcome === 'broken').map(({ finding }) => finding);

const without = (files: RecordFiles, name: string): RecordFiles =>
  Object.fromEntries(Object.entries(files).filter(([key]) => key !== name));

const bytesOf = (name: string): Uint8Array => good[name] ?? new Uint8Array();

/** Bytes with the one at `at` changed; negative counts from the end. */
function flipped(bytes: Uint8Array, at: number): Uint8Array {
  const copy = new Uint8Array(bytes);
  const place = at < 0 ? copy.length + at : at;
  copy[place] = (copy[place] ?? 0) ^ 0x01;
  return copy;
}

/** Replaces a text of a file by another of the same length or not. */
function edited(bytes: Uint8Array, from: string, to: string): Uint8Array {
  const latin = Buffer.from(bytes).toString('latin1');
  const utf8 = (text: string): string => Buffer.from(text).toString('latin1');
  if (!latin.includes(utf8(from))) throw new Error(`"${from}" is not in the file`);
  return new Uint8Array(Buffer.from(latin.replace(utf8(from), utf8(to)), 'latin1'));
}

test('a record as issued holds in every check, with the plant root alone', async () => {
  const report = await verified(good, { roots: [roots[0]] });
  expect(report.checks.filter(({ outcome }) => outcome !== 'holds')).toEqual([
    {
      name: 'ledger',
      outcome: 'open',
      finding: 'ledger/not-given',
      sentence: 'The ledger was not given.',
    },
  ]);
  expect(report.intact).toBe(true);
  expect(report.table?.number).toBe('TW1-2026-004711');
});

test('a simulated record holds against the simulation root and not against the plant root', async () => {
  expect((await verified(played, { roots: [roots[1]] })).intact).toBe(true);
  const report = await verified(played, { roots: [roots[0]] });
  expect(brokenIn(report)).toEqual(['table/untrusted-root', 'page/untrusted-root']);
});

test('a root as DER serves as well as one as PEM', async () => {
  const der = new Uint8Array(new X509Certificate(roots[0]).raw);
  expect((await verified(good, { roots: [der] })).intact).toBe(true);
});

interface Damage {
  readonly name: string;
  readonly files: () => RecordFiles | Promise<RecordFiles>;
  readonly broken: readonly string[];
  readonly sentence: RegExp;
  readonly against?: () => Partial<Against>;
}

/** The table changed: the seal no longer fits, and the one inside the page differs. */
const TABLE_CHANGED = ['table/changed', 'page/table-differs'];

const tableDamages: readonly Damage[] = [
  {
    name: 'one digit of a value in the table changed',
    files: () => ({
      ...good,
      [TABLE]: edited(bytesOf(TABLE), '2.712345678901234', '2.612345678901234'),
    }),
    broken: TABLE_CHANGED,
    sentence: /The table was changed after sealing: its digest is/u,
  },
  {
    name: 'line ends of the table turned into LF',
    files: () => ({ ...good, [TABLE]: edited(bytesOf(TABLE), '\r\n', '\n') }),
    broken: ['table/unreadable', ...TABLE_CHANGED],
    sentence: /not RFC 4180/u,
  },
  {
    name: 'the table cut off',
    files: () => ({ ...good, [TABLE]: bytesOf(TABLE).subarray(0, -40) }),
    broken: ['table/truncated', ...TABLE_CHANGED],
    sentence: /The table breaks off inside row/u,
  },
  {
    name: 'the seal file missing',
    files: () => without(good, SEAL),
    broken: ['files/missing', 'table/seal-missing'],
    sentence: /The table has no seal: certificate\.csv\.p7s is missing/u,
  },
  {
    name: 'the seal file not CMS',
    files: () => ({ ...good, [SEAL]: new TextEncoder().encode('-----BEGIN CMS-----') }),
    broken: ['table/seal-unreadable'],
    sentence: /The seal of the table cannot be read\. It is not/u,
  },
  {
    name: 'a certificate in the place of the seal',
    files: () => ({ ...good, [SEAL]: new Uint8Array(new X509Certificate(roots[0]).raw) }),
    broken: ['table/seal-unreadable'],
    sentence: /It is not CMS signed data/u,
  },
  {
    name: 'bytes after the seal',
    files: () => ({ ...good, [SEAL]: new Uint8Array([...bytesOf(SEAL), 0, 0]) }),
    broken: ['table/seal-unreadable'],
    sentence: /2 bytes follow the signature/u,
  },
  {
    name: 'the seal of another record',
    files: () => ({ ...good, [SEAL]: other[SEAL] ?? new Uint8Array() }),
    broken: ['table/seal-of-another'],
    sentence:
      /of another file: it closes TW1-2026-004712 rev 0, the table is TW1-2026-004711 rev 0/u,
  },
  {
    name: 'the last byte of the seal changed',
    files: () => ({ ...good, [SEAL]: flipped(bytesOf(SEAL), -1) }),
    broken: ['table/seal-altered'],
    sentence: /was altered, or was not made with the key/u,
  },
  {
    name: 'a table changed together with the digest in its seal',
    files: () => {
      const forged = edited(bytesOf(TABLE), ',ACCEPT,', ',REJECT,');
      const digest = (bytes: Uint8Array): string =>
        createHash('sha256').update(bytes).digest().toString('latin1');
      const seal = Buffer.from(bytesOf(SEAL)).toString('latin1');
      const changed = seal.replace(digest(bytesOf(TABLE)), digest(forged));
      return { ...good, [TABLE]: forged, [SEAL]: new Uint8Array(Buffer.from(changed, 'latin1')) };
    },
    broken: ['table/seal-altered', 'page/table-differs'],
    sentence: /was altered/u,
  },
];

const signerDamages: readonly Damage[] = [
  {
    name: 'the seal of another plant with the same names',
    files: () => sealedBy(real, foreign),
    broken: ['table/untrusted-root', 'page/untrusted-root'],
    sentence:
      /not trusted: its certificate was issued by "O=Skarrowmere Helmworks, CN=Plant root", none of the given roots/u,
  },
  {
    name: 'no root given',
    files: () => good,
    against: () => ({ roots: [] }),
    broken: ['table/untrusted-root', 'page/untrusted-root'],
    sentence: /no root certificate was given/u,
  },
  {
    name: 'a seal given as if it were a root',
    files: () => good,
    against: () => ({ roots: [bench.certificates[0]] }),
    broken: ['table/untrusted-root', 'page/untrusted-root'],
    sentence: /none of the given roots/u,
  },
  {
    name: 'table and page sealed by different plants, both trusted',
    files: async () => ({
      ...good,
      [PAGE]: (await sealedBy(real, foreign))[PAGE] ?? new Uint8Array(),
    }),
    against: () => ({ roots: [roots[0], foreign.certificates[1]] }),
    broken: ['page/other-signer'],
    sentence: /Table and page were sealed with different keys/u,
  },
  {
    name: 'the record of another bench',
    files: () => sealedBy(sampleCertificate({ bench: 'TW-2' }), bench),
    broken: ['table/wrong-signer', 'page/wrong-signer'],
    sentence: /The wrong signer: the record is of bench TW-2, sealed by "TW-1"/u,
  },
  {
    name: 'sealed after the certificate expired, no time stamp',
    files: () => {
      const issued = real.issued + 800 * 86_400_000;
      return sealedBy(sampleCertificate({ issued }), unexpiring(bench));
    },
    against: () => ({ now: Date.parse('2030-01-01') }),
    broken: ['table/expired', 'page/expired'],
    sentence: /valid from 2026-11-24T08:00:00Z to 2028-11-23T08:00:00Z, and no time stamp proves/u,
  },
  {
    name: 'sealed before the test ended',
    files: async () => {
      const csv = certificateCsv(real);
      return { ...good, [SEAL]: await sealCsv(csv, bench, real.ended - 60_000) };
    },
    broken: ['table/sealed-before-test'],
    sentence: /before the test ended 2026-11-25T14:09:20Z/u,
  },
  {
    name: 'sealed in the future',
    files: () => good,
    against: () => ({ now: Date.parse('2026-11-25T00:00:00Z') }),
    broken: ['table/sealed-in-future', 'page/sealed-in-future'],
    sentence: /later than now/u,
  },
  {
    name: 'the simulation seal on a record that says it is real',
    files: () => sealedBy(real, disguised(simulation)),
    broken: ['table/simulation-seal-on-real', 'page/simulation-seal-on-real'],
    sentence: /says it is of a real item, but the simulation sealed it/u,
  },
  {
    name: 'a bench seal on a simulated record',
    files: () => sealedBy(simulatedCertificate(), disguised(bench)),
    broken: ['table/bench-seal-on-simulated', 'page/bench-seal-on-simulated'],
    sentence: /says it is simulated, but a bench seal closes it/u,
  },
];

const later = Buffer.from(
  '\n9 0 obj\n<< >>\nendobj\nxref\n0 0\ntrailer\n<< >>\nstartxref\n9\n%%EOF\n',
);

const pageDamages: readonly Damage[] = [
  {
    name: 'a page that was never sealed',
    files: async () => ({ ...good, [PAGE]: await blankPdf(real, bytesOf(TABLE)) }),
    broken: ['page/no-signature'],
    sentence: /was never sealed/u,
  },
  {
    name: 'no PDF at all',
    files: () => ({ ...good, [PAGE]: bytesOf(TABLE) }),
    broken: ['page/not-a-pdf'],
    sentence: /does not begin like a PDF/u,
  },
  {
    name: 'a second signature',
    files: () => appended(Buffer.from('\n9 0 obj <</Type /Sig /ByteRange [0 10 20 30]>> endobj')),
    broken: ['page/several-signatures'],
    sentence: /carries 2 signatures, not one/u,
  },
  {
    name: 'bytes appended',
    files: () => appended(Buffer.from('harmless')),
    broken: ['page/bytes-appended'],
    sentence: /8 bytes were appended after sealing/u,
  },
  {
    name: 'an update added later',
    files: () => appended(later),
    broken: ['page/later-update'],
    sentence: new RegExp(`An update of ${String(later.length)} bytes was added`, 'u'),
  },
  {
    name: 'its end cut off',
    files: () => ({ ...good, [PAGE]: bytesOf(PAGE).subarray(0, -9) }),
    broken: ['page/truncated'],
    sentence: /its end is missing/u,
  },
  {
    name: 'a range that leaves out the beginning',
    files: () => ({ ...good, [PAGE]: edited(bytesOf(PAGE), '/ByteRange [0 ', '/ByteRange [9 ') }),
    broken: ['page/range'],
    sentence: /leaves out the beginning/u,
  },
  {
    name: 'a gap wider than the signature',
    files: () => ({ ...good, [PAGE]: rangeMoved(-30) }),
    broken: ['page/gap'],
    sentence: /not exactly one hexadecimal string/u,
  },
  {
    name: 'something else than hexadecimal digits in the gap',
    files: () => ({ ...good, [PAGE]: inGap(-3, ')') }),
    broken: ['page/gap'],
    sentence: /something hides there/u,
  },
  {
    name: 'bytes hidden behind the signature',
    files: () => ({ ...good, [PAGE]: inGap(-3, '7') }),
    broken: ['page/padding'],
    sentence: /Behind the signature stand bytes other than zero/u,
  },
  {
    name: 'another kind of signature',
    files: () => ({
      ...good,
      [PAGE]: edited(bytesOf(PAGE), 'ETSI.CAdES.detached', 'adbe.pkcs7.detached'),
    }),
    broken: ['page/structure'],
    sentence: /not of the kind ETSI\.CAdES\.detached/u,
  },
  {
    name: 'one byte of the page changed',
    files: () => ({ ...good, [PAGE]: flipped(bytesOf(PAGE), 12) }),
    broken: ['page/changed'],
    sentence: /The page was changed after sealing/u,
  },
  {
    name: 'the signature in the page changed',
    files: () => ({ ...good, [PAGE]: signatureChanged() }),
    broken: ['page/seal-altered'],
    sentence: /The seal of the page was altered/u,
  },
  {
    name: 'the page of another record',
    files: () => ({ ...good, [PAGE]: other[PAGE] ?? new Uint8Array() }),
    broken: ['page/table-differs', 'page/title-differs'],
    sentence: /titled "Acceptance certificate TW1-2026-004712 revision 0"/u,
  },
  {
    name: 'a page about another serial',
    files: () => pageWith(real, { ...real, serial: 'H12-26-04799' }),
    broken: ['page/serial-differs'],
    sentence: /about "Item H12-26-04799, .*", but the table about item H12-26-04711/u,
  },
  {
    name: 'a page with the title of another verdict',
    files: () => pageWith(real, real, 'Nonconformity report TW1-2026-004711 revision 0'),
    broken: ['page/title-differs'],
    sentence: /titled "Nonconformity report/u,
  },
];

const otherDamages: readonly Damage[] = [
  {
    name: 'one byte of the capture changed',
    files: () => ({ ...good, [CAPTURE]: flipped(bytesOf(CAPTURE), 5) }),
    broken: ['capture/changed'],
    sentence: /The capture was changed.*cannot be scored again/u,
  },
  {
    name: 'a file more',
    files: () => ({ ...good, 'note.txt': new Uint8Array() }),
    broken: ['files/extra'],
    sentence: /note\.txt does not belong to the record/u,
  },
  {
    name: 'sums of other files',
    files: () => ({ ...good, [SUMS_FILE]: new TextEncoder().encode(sumsText(digestsOf(other))) }),
    broken: ['sums/differ'],
    sentence: /SHA256SUMS does not agree/u,
  },
];

for (const damage of [...tableDamages, ...signerDamages, ...pageDamages, ...otherDamages]) {
  test(`${damage.name}: ${damage.broken.join(', ')}`, async () => {
    const report = await verified(await damage.files(), damage.against?.());
    expect(brokenIn(report)).toEqual(damage.broken);
    expect(report.intact).toBe(false);
    const sentences = report.checks.filter(({ outcome }) => outcome === 'broken');
    expect(sentences.map(({ sentence }) => sentence).join('\n')).toMatch(damage.sentence);
  });
}

/** Seals both files without asking whether the seal may: what a forger would do. */
async function sealedBy(certificate: Certificate, seal: Seal<'bench'>): Promise<RecordFiles> {
  const at = certificate.issued;
  const csv = certificateCsv(certificate);
  const pdf = await sealPdf(await blankPdf(certificate, csv), seal, at);
  return { ...good, [TABLE]: csv, [SEAL]: await sealCsv(csv, seal, at), [PAGE]: pdf };
}

/** A seal that claims the other purpose; the certificate in it stays as it is. */
function disguised(seal: Seal<'bench'> | Seal<'simulation'>): Seal<'bench'> {
  const purpose = seal.purpose === 'bench' ? 'simulation' : 'bench';
  return { ...seal, purpose } as Seal<'bench'>;
}

const unexpiring = (seal: Seal<'bench'>): Seal<'bench'> => ({ ...seal, until: Infinity });

function appended(tail: Uint8Array): RecordFiles {
  return { ...good, [PAGE]: new Uint8Array([...bytesOf(PAGE), ...tail]) };
}

function rangeOf(pdf: Uint8Array): readonly [text: string, before: number, resume: number] {
  const match = /\/ByteRange \[0 (\d+) (\d+) \d+\]/u.exec(Buffer.from(pdf).toString('latin1'));
  if (match === null) throw new Error('no range');
  return [match[0], Number(match[1]), Number(match[2])];
}

function rangeMoved(by: number): Uint8Array {
  const [text, before] = rangeOf(bytesOf(PAGE));
  const moved = text.replace(`[0 ${String(before)} `, `[0 ${String(before + by)} `);
  return edited(bytesOf(PAGE), text, moved);
}

/** Writes one character into the gap, counted from its end. */
function inGap(at: number, character: string): Uint8Array {
  const copy = new Uint8Array(bytesOf(PAGE));
  copy[rangeOf(copy)[2] + at] = character.charCodeAt(0);
  return copy;
}

/** Changes the last byte of the CMS structure, which is part of the signature value. */
function signatureChanged(): Uint8Array {
  const copy = new Uint8Array(bytesOf(PAGE));
  const [, before, resume] = rangeOf(copy);
  const zero = '0'.charCodeAt(0);
  let last = resume - 2;
  while (last > before && copy[last] === zero) last -= 1;
  copy[last] = copy[last] === zero + 1 ? zero + 2 : zero + 1;
  return copy;
}

/** A rightly sealed page that is titled and attached otherwise than it should be. */
async function pageWith(
  ofTable: Certificate,
  ofPage: Certificate,
  title?: string,
): Promise<RecordFiles> {
  const csv = certificateCsv(ofTable);
  const pdf = await blankPdf(ofPage, csv, title === undefined ? {} : { title });
  return { ...good, [PAGE]: await sealPdf(pdf, bench, ofTable.issued) };
}

test('a page without the table inside is told from one with another table', async () => {
  const cut = Buffer.from(bytesOf(PAGE))
    .toString('latin1')
    .replace('/EmbeddedFile', '/EmbeddedFilX');
  const report = await verified({ ...good, [PAGE]: new Uint8Array(Buffer.from(cut, 'latin1')) });
  expect(brokenIn(report)).toEqual(['page/changed', 'page/table-missing']);
});

test('years later the seal holds, and that only its own account gives the time is said', async () => {
  const report = await verified(good, { now: Date.parse('2041-11-25') });
  expect(report.intact).toBe(true);
  const open = report.checks.filter(({ outcome }) => outcome === 'open');
  expect(open.map(({ finding }) => finding)).toEqual([
    'table/time-unproven',
    'page/time-unproven',
    'ledger/not-given',
  ]);
});

test('a file that is no root certificate is refused by code', async () => {
  const nothing = verified(good, { roots: [new Uint8Array([1, 2, 3])] });
  await expect(nothing).rejects.toMatchObject({ problems: [{ code: 'keys/damaged' }] });
});

function entry(number: number, kind: EntryKind, body: Record<string, Json>): Entry {
  const at = '2026-11-25T14:09:31.000Z';
  const who = { serial: 'H12-26-04711', attempt: 1, by: 'O. Operator' };
  return { number, at, kind, ...who, body, previous: '', digest: '' };
}

const issuedBody = (changes: Record<string, Json> = {}): Record<string, Json> => ({
  certificate: 'TW1-2026-004711',
  revision: 0,
  verdict: 'ACCEPT',
  simulated: false,
  files: digestsOf(good),
  ...changes,
});

test('the ledger entry of a record holds with its very files', async () => {
  const ledgerEntries = [entry(13, 'record-issued', issuedBody())];
  const report = await verified(good, { ledgerEntries });
  expect(report.checks.every(({ outcome }) => outcome === 'holds')).toBe(true);
});

for (const apart of [CAPTURE, RECORD_FILES.log]) {
  test(`a record handed on without its ${apart} holds, says so, and is damaged where the ledger lists it`, async () => {
    const files = without(good, apart);
    const alone = await verified(files);
    expect(brokenIn(alone)).toEqual([]);
    const open = alone.checks.find(({ finding }) => finding === 'files/left-out');
    expect(open?.sentence).toContain(`${apart} is not here`);
    const ledgerEntries = [entry(13, 'record-issued', issuedBody())];
    expect(brokenIn(await verified(files, { ledgerEntries }))).toEqual(['ledger/file-missing']);
  });
}

const ledgerDamages: readonly (readonly [string, () => Entry, string, RegExp])[] = [
  [
    'no entry',
    () => entry(13, 'attempt-begun', issuedBody()),
    'ledger/no-entry',
    /has no entry that issued TW1-2026-004711 rev 0/u,
  ],
  [
    'another verdict',
    () => entry(13, 'record-issued', issuedBody({ verdict: 'HOLD' })),
    'ledger/says-otherwise',
    /Entry 13 says verdict HOLD, the table ACCEPT/u,
  ],
  [
    'another simulated mark',
    () => entry(13, 'record-issued', issuedBody({ simulated: true })),
    'ledger/says-otherwise',
    /says simulated true, the table false/u,
  ],
  [
    'another digest',
    () =>
      entry(
        13,
        'record-issued',
        issuedBody({ files: digestsOf({ ...good, [CAPTURE]: bytesOf(PAGE) }) }),
      ),
    'ledger/file-differs',
    /capture\.parquet is not the file entry 13 issued/u,
  ],
  [
    'a file that is missing here',
    () =>
      entry(
        13,
        'record-issued',
        issuedBody({ files: digestsOf({ ...good, 'x.txt': bytesOf(PAGE) }) }),
      ),
    'ledger/file-missing',
    /x\.txt is missing; entry 13 lists it/u,
  ],
  [
    'a file not listed',
    () => entry(13, 'record-issued', issuedBody({ files: digestsOf(without(good, PAGE)) })),
    'ledger/file-unlisted',
    /certificate\.pdf is not among the files of entry 13/u,
  ],
];

for (const [name, made, finding, sentence] of ledgerDamages) {
  test(`a ledger with ${name}: ${finding}`, async () => {
    const report = await verified(good, { ledgerEntries: [made()] });
    expect(brokenIn(report)).toEqual([finding]);
    expect(report.checks.at(-1)?.sentence).toMatch(sentence);
  });
}

test('a folder tells intact, damaged and superseded records, gaps and doubles', async () => {
  const folder = temporaryFolder();
  const put = async (path: string, changes: Partial<Certificate>): Promise<string> =>
    writeFiles(join(folder, path), filesOf(await sealed(sampleCertificate(changes), bench)));
  await put('2026/a/01', { number: 'TW1-2026-000001' });
  await put('2026/a/02', { number: 'TW1-2026-000001', revision: 1 });
  await put('2026/b/01', { number: 'TW1-2026-000004' });
  await put('2026/b/02', { number: 'TW1-2026-000004' });
  const damaged = await put('2026/c/01', { number: 'TW1-2026-000005' });
  rmSync(join(damaged, TABLE));
  const ledgerEntries = [
    entry(5, 'attempt-aborted', { certificate: 'TW1-2026-000002' }),
    entry(9, 'record-issued', { certificate: 'TW1-2026-000005' }),
  ];
  const report = await verifyFolder(folder, { roots, now: NOW });
  expect(report.records.map(({ folder: at, state }) => `${at} ${state}`)).toEqual([
    '2026/a/01 superseded',
    '2026/a/02 intact',
    '2026/b/01 intact',
    '2026/b/02 intact',
    '2026/c/01 damaged',
  ]);
  expect(report.records[4]?.identity).toBeUndefined();
  expect(report.missing.map(({ number }) => number)).toEqual([
    'TW1-2026-000002',
    'TW1-2026-000003',
  ]);
  expect(report.duplicates).toEqual([
    'TW1-2026-000004 rev 0 is there more than once: 2026/b/01, 2026/b/02.',
  ]);
  expect(report.intact).toBe(false);
  const known = await verifyFolder(folder, { roots, now: NOW, ledgerEntries });
  expect(known.missing.map(({ explained, sentence }) => [explained, sentence])).toEqual([
    [true, 'TW1-2026-000002 has no record: the attempt was broken off (entry 5).'],
    [false, 'TW1-2026-000003 is missing, and nothing explains why.'],
    [false, 'TW1-2026-000005 was issued, but its record is not here.'],
  ]);
});

test('a folder of whole records without gaps is intact', async () => {
  const folder = temporaryFolder();
  writeFiles(join(folder, 'a'), good);
  writeFiles(join(folder, 'b'), other);
  expect(await verifyFolder(folder, { roots, now: NOW })).toMatchObject({
    missing: [],
    duplicates: [],
    intact: true,
  });
});

test('verifying never reaches the code that seals or signs', () => {
  const reached = new Set<string>();
  const follow = (file: string): void => {
    if (reached.has(file)) return;
    reached.add(file);
    const text = readFileSync(join('src', 'certificate', file), 'utf8');
    const imports = text.matchAll(/^(?:import|export) (?!type)[^;]*? from '\.\/([\w-]+)\.js'/gmu);
    for (const [, name = ''] of imports) follow(`${name}.ts`);
  };
  follow('verify-folder.ts');
  expect([...reached].sort()).toEqual([
    'certificate.ts',
    'cms.ts',
    'csv-result.ts',
    'csv-table.ts',
    'pdf-signature.ts',
    'printed-verdict.ts',
    'seal-certificate.ts',
    'signed-entry.ts',
    'statement.ts',
    'verify-decisions.ts',
    'verify-folder.ts',
    'verify-seal.ts',
    'verify-signature.ts',
    'verify.ts',
  ]);
});
