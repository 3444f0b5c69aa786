import { spawnSync } from 'node:child_process';
import { readFileSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { beforeAll, expect, test, type TestContext } from 'vitest';
import { certificateCsv } from '../../src/certificate/csv.js';
import { rootCertificateFile } from '../../src/certificate/keys.js';
import { renderPdf } from '../../src/certificate/pdf.js';
import { certificateFor, sealRecord } from '../../src/certificate/sign.js';
import { RECORD_FILES, SUMS_FILE, sumsText, verifyRecord } from '../../src/certificate/verify.js';
import { temporaryFolder } from '../support/folder.js';
import { madeKeys } from '../support/keys.js';
import { sampleCertificate } from '../support/record.js';
import {
  digestsOf,
  filesOf,
  sharedSeal,
  writeFiles,
  type RecordFiles,
} from '../support/sealed-record.js';

const { table: TABLE, seal: SEAL, page: PAGE } = RECORD_FILES;
const certificate = sampleCertificate();
let good: RecordFiles;
let plantRoot: string;
let simulationRoot: string;

beforeAll(async () => {
  const seal = await sharedSeal('bench');
  const csv = certificateCsv(certificate);
  const pdf = await renderPdf(certificate, csv);
  const record = { certificate: certificateFor(certificate, seal), csv, pdf };
  const files = filesOf(await sealRecord(record, seal, certificate.issued));
  good = { ...files, [SUMS_FILE]: new TextEncoder().encode(sumsText(digestsOf(files))) };
  const keys = await madeKeys();
  plantRoot = rootCertificateFile(keys, 'bench');
  simulationRoot = rootCertificateFile(keys, 'simulation');
});

interface Outcome {
  readonly status: number | null;
  readonly output: string;
}

/** Runs an outside tool. Without it the test is skipped aloud, but fails where CI promises the tools. */
function outside(context: TestContext, folder: string, tool: string, ...args: string[]): Outcome {
  const env = { ...process.env, LC_ALL: 'C', TZ: 'UTC' };
  const run = spawnSync(tool, args, { cwd: folder, encoding: 'utf8', env });
  if (run.error !== undefined) {
    if (process.env['CI'] !== undefined) throw run.error;
    console.warn(
      `SKIPPED: ${tool} is not installed, so nothing outside checked "${context.task.name}"`,
    );
    context.skip(`${tool} is not installed`);
  }
  return { status: run.status, output: run.stdout + run.stderr };
}

const written = (files: RecordFiles): string =>
  writeFiles(join(temporaryFolder(), 'record'), files);

/** The command of the README, with the date fixed so that the test holds in later years. */
const cmsVerify = (context: TestContext, folder: string, root: string): Outcome =>
  outside(
    context,
    folder,
    'openssl',
    ...['cms', '-verify', '-binary', '-inform', 'DER', '-in', SEAL, '-content', TABLE],
    ...['-CAfile', root, '-out', '/dev/null'],
    ...['-attime', String(Math.floor(certificate.issued / 1000))],
  );

async function findings(folder: string, root = plantRoot): Promise<readonly string[]> {
  const now = certificate.issued + 60_000;
  const report = await verifyRecord(folder, { roots: [readFileSync(root)], now });
  return report.checks.filter(({ outcome }) => outcome === 'broken').map(({ finding }) => finding);
}

const bytesOf = (name: string): Buffer => Buffer.from(good[name] ?? []);

function withByte(name: string, at: number): RecordFiles {
  const copy = bytesOf(name);
  copy[at] = (copy[at] ?? 0) ^ 0x01;
  return { ...good, [name]: copy };
}

test('openssl verifies the seal of the table against the plant root', (context) => {
  const found = cmsVerify(context, written(good), plantRoot);
  expect(found.output).toContain('CMS Verification successful');
  expect(found.status).toBe(0);
});

test('openssl refuses a changed table, and so do we', async (context) => {
  const folder = written(withByte(TABLE, 900));
  const found = cmsVerify(context, folder, plantRoot);
  expect(found.status).not.toBe(0);
  expect(found.output).toContain('content verify error');
  expect(await findings(folder)).toContain('table/changed');
});

test('openssl refuses a table whose line ends were changed, thanks to -binary', async (context) => {
  const text = bytesOf(TABLE).toString('utf8').replaceAll('\r\n', '\n');
  const folder = written({ ...good, [TABLE]: Buffer.from(text) });
  expect(cmsVerify(context, folder, plantRoot).status).not.toBe(0);
  expect(await findings(folder)).toContain('table/changed');
});

test('openssl refuses a changed seal, and so do we', async (context) => {
  const folder = written(withByte(SEAL, bytesOf(SEAL).length - 1));
  expect(cmsVerify(context, folder, plantRoot).status).not.toBe(0);
  expect(await findings(folder)).toContain('table/seal-altered');
});

test('openssl refuses a real record against the simulation root, and so do we', async (context) => {
  const folder = written(good);
  const found = cmsVerify(context, folder, simulationRoot);
  expect(found.status).not.toBe(0);
  expect(found.output).toContain('certificate verify error');
  expect(await findings(folder, simulationRoot)).toContain('table/untrusted-root');
});

test('openssl finds the chain of both seals sound on its own', async (context) => {
  const keys = await madeKeys();
  const attime = ['-attime', String(Math.floor(certificate.issued / 1000))];
  for (const [root, seal] of [
    [plantRoot, 'bench'],
    [simulationRoot, 'simulation'],
  ] as const) {
    const file = join(keys, seal, 'certificate.pem');
    const args = ['verify', '-x509_strict', '-check_ss_sig', ...attime, '-CAfile', root, file];
    expect(outside(context, keys, 'openssl', ...args).output).toContain(': OK');
    const other = root === plantRoot ? simulationRoot : plantRoot;
    const crossed = ['verify', ...attime, '-CAfile', other, file];
    expect(outside(context, keys, 'openssl', ...crossed).status).not.toBe(0);
  }
});

test('pdfsig finds the seal of the page valid over the whole document', (context) => {
  const { output } = outside(context, written(good), 'pdfsig', PAGE);
  expect(output).toContain('Signer Certificate Common Name: TW-1');
  expect(output).toContain('Signing Time: Nov 25 2026 14:09:30');
  expect(output).toContain('Signature Type: ETSI.CAdES.detached');
  expect(output).toContain('Total document signed');
  expect(output).toContain('Signature Validation: Signature is Valid.');
});

test('pdfsig refuses a changed page, and so do we', async (context) => {
  const at = bytesOf(PAGE).indexOf('/Title') - 4;
  const folder = written(withByte(PAGE, at));
  const { output } = outside(context, folder, 'pdfsig', PAGE);
  expect(output).toContain('Signature Validation: Digest Mismatch');
  expect(await findings(folder)).toContain('page/changed');
});

test('pdfsig calls a page with bytes appended valid; we do not', async (context) => {
  const folder = written({
    ...good,
    [PAGE]: Buffer.concat([bytesOf(PAGE), Buffer.from('\n% x\n')]),
  });
  const { output } = outside(context, folder, 'pdfsig', PAGE);
  expect(output).toContain('Signature is Valid');
  expect(output).not.toContain('Total document signed');
  expect(await findings(folder)).toContain('page/bytes-appended');
});

test('an update that qpdf finds sound is refused by us', async (context) => {
  const page = bytesOf(PAGE);
  const last = page.toString('latin1').lastIndexOf('startxref');
  const previous = /startxref\s+(\d+)/u.exec(page.toString('latin1', last))?.[1] ?? '';
  const trailer = page.toString('latin1', page.lastIndexOf('trailer'), last);
  const body = '9999 0 obj\n<< /Note (later) >>\nendobj\n';
  const at = page.length + 1;
  const table = `xref\n9999 1\n${String(at).padStart(10, '0')} 00000 n \n`;
  const newTrailer = trailer
    .replace(/\/Size \d+/u, '/Size 10000')
    .replace('<<', `<< /Prev ${previous}`);
  const end = `startxref\n${String(at + body.length)}\n%%EOF\n`;
  const updated = Buffer.concat([page, Buffer.from(`\n${body}${table}${newTrailer}${end}`)]);
  const folder = written({ ...good, [PAGE]: updated });
  expect(outside(context, folder, 'qpdf', '--check', PAGE).status).toBe(0);
  expect(await findings(folder)).toContain('page/later-update');
});

test('qpdf finds nothing wrong with the sealed page', (context) => {
  const found = outside(context, written(good), 'qpdf', '--check', PAGE);
  expect(found.output).toContain('No syntax or stream encoding errors found');
  expect(found.status).toBe(0);
});

test('qpdf takes the same table out of the page', (context) => {
  const folder = written(good);
  const listed = outside(context, folder, 'qpdf', '--list-attachments', PAGE).output;
  const key = listed.split(' -> ')[0] ?? '';
  const args = [`--show-attachment=${key.trim()}`, PAGE];
  expect(outside(context, folder, 'qpdf', ...args).output).toBe(bytesOf(TABLE).toString('utf8'));
});

test('sha256sum -c agrees with the sums file and refuses a changed capture', async (context) => {
  const folder = written(good);
  const sums = (): Outcome => outside(context, folder, 'sha256sum', '--strict', '-c', SUMS_FILE);
  expect(sums().status).toBe(0);
  writeFileSync(join(folder, RECORD_FILES.capture), 'PAR1 other PAR1');
  expect(sums().output).toContain('capture.parquet: FAILED');
  expect(await findings(folder)).toEqual(['capture/changed', 'sums/differ']);
});

test('openssl opens the bench key with its passphrase only', async (context) => {
  const keys = await madeKeys();
  const open = (passphrase: string): Outcome =>
    outside(
      context,
      keys,
      'openssl',
      ...[
        'pkey',
        '-in',
        join('bench', 'key.pem'),
        '-noout',
        '-text',
        '-passin',
        `pass:${passphrase}`,
      ],
    );
  expect(open('bench seal of the tests').output).toContain('prime256v1');
  expect(open('wrong').status).not.toBe(0);
});
