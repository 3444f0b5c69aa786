import { readdirSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { spawnSync } from 'node:child_process';
import { fileURLToPath } from 'node:url';
import { expect, test } from 'vitest';
import { temporaryFolder } from '../support/folder.js';
import { documentOptions, shortDocuments } from '../support/short-documents.js';

const MAIN = fileURLToPath(new URL('../../dist/cli/main.js', import.meta.url));

interface Ended {
  readonly status: number | null;
  readonly out: string;
  readonly err: string;
}

/** Commands that know no folder of records, and those that know no keys. */
const WITHOUT_DATA = /^(?:keys|verify)\b/u;
const WITHOUT_KEYS = /^ledger list\b/u;

/** The built program in a plant of its own; secrets go in by standard input or the environment. */
function plant(
  folder: string,
): (
  args: readonly string[],
  input?: string,
  environment?: Readonly<Record<string, string>>,
) => Ended {
  return (args, input = '', environment = {}) => {
    const command = args.join(' ');
    const places = [
      ...(WITHOUT_DATA.test(command) ? [] : ['--data', join(folder, 'reports')]),
      ...(WITHOUT_KEYS.test(command) ? [] : ['--keys', join(folder, 'keys')]),
    ];
    const run = spawnSync(process.execPath, [MAIN, ...args, ...places], {
      input,
      encoding: 'utf8',
      env: { ...process.env, NO_COLOR: '1', ...environment },
    });
    return { status: run.status, out: run.stdout, err: run.stderr };
  };
}

const ENGINEER = 'tarnwick 48\n';
const by = ['--as', 'QE-1', '--why', 'for the test'];

test('from the first engineer to a signature that verifies, and to the audit trail', () => {
  const folder = temporaryFolder();
  const stallmark = plant(folder);
  const passphrases = { STALLMARK_PASSPHRASE: 'seal', STALLMARK_ROOT_PASSPHRASE: 'root' };
  const maker = ['--bench', 'TW-1', '--maker', 'Skarrowmere Helmworks'];
  expect(stallmark(['keys', 'init', ...maker], '', passphrases).status).toBe(0);

  const init = ['people', 'init', 'QE-1', '--name', 'Q. Engineer', '--zone', 'Europe/Berlin'];
  expect(stallmark(init, ENGINEER).out).toContain('first quality engineer');
  expect(stallmark(init, ENGINEER).err).toContain('people/exists');

  const add = ['people', 'add', 'OP-1', '--name', 'O. Operator', '--roles', 'operator', ...by];
  expect(stallmark(add, `${ENGINEER}123456\n`).err).toContain('a run of digits');
  expect(stallmark(add, `${ENGINEER}271828\n`).status).toBe(0);
  const train = [
    'people',
    'train',
    'OP-1',
    '--procedure',
    'h12-acceptance',
    '--issue',
    '3-4',
    ...by,
  ];
  expect(stallmark(train, ENGINEER).out).toContain('issues 3 to 4');

  const wrong = stallmark(train, 'not the secret\n');
  expect(wrong.status).toBe(64);
  expect(wrong.err).toContain('people/log-in');
  expect(wrong.err).toContain('After 4 more wrong ones');

  const nobody = stallmark(train, '');
  expect(nobody.err).toContain('STALLMARK_SECRET');

  const listed = stallmark(['people', 'list', '--json']);
  const people = JSON.parse(listed.out) as readonly Record<string, unknown>[];
  expect(people.map(({ id, state, locked }) => [id, state, locked])).toEqual([
    ['QE-1', 'active', false],
    ['OP-1', 'active', false],
  ]);
  expect(listed.out).not.toContain('scrypt');
  expect(stallmark(['people', 'list']).out).toContain('trained on h12-acceptance issues 3 to 4');

  const trail = stallmark(['ledger', 'trail']);
  expect(trail.out).toContain('changed person OP-1 training');
  expect(trail.out).toContain('refused: log-in');
  expect(trail.out).toContain('are not reviewed');
  expect(trail.out + trail.err).not.toMatch(/tarnwick 48|271828|123456|not the secret/u);
});

test('a record is signed, verified, and told apart from its seal; the review is signed off', () => {
  const folder = temporaryFolder();
  const stallmark = plant(folder);
  const passphrases = { STALLMARK_PASSPHRASE: 'seal', STALLMARK_ROOT_PASSPHRASE: 'root' };
  const maker = ['--bench', 'TW-1', '--maker', 'Skarrowmere Helmworks'];
  expect(stallmark(['keys', 'init', ...maker], '', passphrases).status).toBe(0);
  const documents = documentOptions(shortDocuments(folder));
  const answers = ['--acknowledge', 'crushing', '--acknowledge', 'sudden-torque'];
  const operator = ['--operator', 'O. Operator'];
  const ran = stallmark(['run', 'H12-26-00001', ...documents, ...operator, ...answers]);
  expect(ran.status, ran.err).toBe(0);

  const init = ['people', 'init', 'QE-1', '--name', 'Q. Engineer', '--zone', 'UTC'];
  expect(stallmark(init, ENGINEER).status).toBe(0);
  const entries = JSON.parse(stallmark(['ledger', 'list', '--json']).out) as readonly {
    readonly kind: string;
    readonly body: { readonly certificate?: string };
  }[];
  const number = entries.find(({ kind }) => kind === 'record-issued')?.body.certificate ?? '';
  const sign = ['sign', number, '--meaning', 'reviewed', ...by];
  expect(stallmark(sign, ENGINEER).err).toContain('has no key to sign with');
  const key = ['people', 'key', 'QE-1', '--why', 'to sign'];
  const secrets = { STALLMARK_SECRET: 'tarnwick 48', STALLMARK_ROOT_PASSPHRASE: 'root' };
  expect(stallmark(key, '', secrets).status).toBe(0);

  const signed = stallmark(sign, ENGINEER);
  expect(signed.out).toContain('Signed by Q. Engineer (QE-1), quality engineer, as reviewed');
  expect(signed.out).toContain('not the seal of a bench');
  const file = /Written: (\S+\.json)$/mu.exec(signed.out)?.[1] ?? '';
  const data = join(folder, 'reports');
  const verified = stallmark(['verify', data]);
  expect(verified.status, verified.out).toBe(0);
  expect(verified.out).toContain('Sealed by "SIMULATED');
  expect(verified.out).toContain('✓ signature-01: signer');

  writeFileSync(file, readFileSync(file, 'utf8').replace('for the test', 'for nothing'));
  const broken = stallmark(['verify', data]);
  expect(broken.status).toBe(1);
  expect(broken.out).toContain('The statement was changed after signing');
  for (const name of readdirSync(join(file, '..'))) {
    if (name.startsWith('signature')) rmSync(join(file, '..', name));
  }
  expect(stallmark(['verify', data]).out).toContain('QE-1 signed as reviewed');

  const review = stallmark(['ledger', 'review', '--as', 'QE-1'], ENGINEER);
  expect(review.status, review.err).toBe(0);
  const trail = stallmark(['ledger', 'trail']);
  expect(trail.out).toMatch(/✓ Entry \d+: QE-1 reviewed entries 1 to \d+\./u);
  expect(trail.out).toContain(`signed as reviewed H12-26-00001`);
});
