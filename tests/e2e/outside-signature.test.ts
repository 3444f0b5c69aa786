import { spawnSync } from 'node:child_process';
import { readFileSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { beforeAll, expect, test, type TestContext } from 'vitest';
import { rootCertificateFile } from '../../src/certificate/keys.js';
import { personCertificateFile } from '../../src/certificate/person-keys.js';
import { madeKeys } from '../support/keys.js';
import { SECRETS } from '../support/people.js';
import { brokenIn, signable, type Signable } from '../support/signatures.js';

const STATEMENT = 'signature-01.json';
const SIGNATURE = 'signature-01.json.p7s';

beforeAll(() => madeKeys());

interface Outcome {
  readonly status: number | null;
  readonly output: string;
}

/** Runs openssl. Without it the test is skipped aloud, but fails where CI promises the tool. */
function openssl(context: TestContext, folder: string, ...args: string[]): Outcome {
  const env = { ...process.env, LC_ALL: 'C', TZ: 'UTC' };
  const run = spawnSync('openssl', args, { cwd: folder, encoding: 'utf8', env });
  if (run.error !== undefined) {
    if (process.env['CI'] !== undefined) throw run.error;
    console.warn(`SKIPPED: no openssl, so nothing outside checked "${context.task.name}"`);
    context.skip('openssl is not installed');
  }
  return { status: run.status, output: run.stdout + run.stderr };
}

function cmsVerify(context: TestContext, made: Signable, purpose: 'bench' | 'simulation'): Outcome {
  return openssl(
    context,
    made.folder,
    ...['cms', '-verify', '-binary', '-inform', 'DER', '-in', SIGNATURE, '-content', STATEMENT],
    ...['-CAfile', rootCertificateFile(made.keys, purpose), '-out', '/dev/null'],
    ...['-attime', String(Math.floor(made.clock.now() / 1000))],
  );
}

test('openssl verifies a personal signature against the plant root', async (context) => {
  const made = await signable();
  await made.sign('OP-2', 'tested');
  const found = cmsVerify(context, made, 'bench');
  expect(found.output).toContain('CMS Verification successful');
  expect(found.status).toBe(0);
  expect(brokenIn(await made.verify())).toEqual([]);
});

test('openssl refuses a changed statement, and so do we', async (context) => {
  const made = await signable();
  await made.sign('QE-1', 'reviewed');
  const file = join(made.folder, STATEMENT);
  writeFileSync(file, readFileSync(file, 'utf8').replace('figures', 'numbers'));
  const found = cmsVerify(context, made, 'bench');
  expect(found.status).not.toBe(0);
  expect(found.output).toContain('content verify error');
  expect(brokenIn(await made.verify())).toContain('signature/changed');
});

test('openssl refuses it against the root of the simulation, and so do we', async (context) => {
  const made = await signable();
  await made.sign('QE-1', 'reviewed');
  expect(cmsVerify(context, made, 'simulation').status).not.toBe(0);
  const roots = [readFileSync(rootCertificateFile(made.keys, 'simulation'))];
  expect(brokenIn(await made.verify({ roots }))).toContain('signature/untrusted-root');
});

test('openssl reads who signed, and finds the certificate sound', async (context) => {
  const made = await signable();
  const file = personCertificateFile(made.keys, 'OP-2');
  const args = ['x509', '-in', file, '-noout', '-subject', '-nameopt', 'utf8,sep_comma_plus_space'];
  const subject = openssl(context, made.keys, ...args).output;
  expect(subject).toContain('OU=person');
  expect(subject).toContain('CN=P. Åsberg, jun.');
  expect(subject).toContain('serialNumber=OP-2');
  const at = String(Math.floor(made.clock.now() / 1000));
  const root = rootCertificateFile(made.keys, 'bench');
  const chain = ['verify', '-x509_strict', '-check_ss_sig', '-attime', at, '-CAfile', root, file];
  expect(openssl(context, made.keys, ...chain).output).toContain(': OK');
});

test('openssl opens the key of a person with the own secret only', async (context) => {
  const made = await signable();
  const open = (secret: string): Outcome =>
    openssl(
      context,
      made.keys,
      ...['pkey', '-in', join('people', 'QE-1', 'key.pem'), '-noout', '-text'],
      ...['-passin', `pass:${secret}`],
    );
  expect(open(SECRETS['QE-1']).output).toContain('prime256v1');
  expect(open(SECRETS['OP-1']).status).not.toBe(0);
});
