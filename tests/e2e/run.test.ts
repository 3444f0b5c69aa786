import {
  appendFileSync,
  existsSync,
  mkdirSync,
  readFileSync,
  readdirSync,
  writeFileSync,
} from 'node:fs';
import { join } from 'node:path';
import { expect, test } from 'vitest';
import { temporaryFolder } from '../support/folder.js';
import { start, stallmark } from '../support/program.js';
import { documentOptions, shortDocuments } from '../support/short-documents.js';
import { openLedger } from '../../src/ledger/sqlite.js';

const SERIAL = 'H12-26-00001';
const BOTH = ['--acknowledge', 'crushing', '--acknowledge', 'sudden-torque'];

interface Place {
  readonly folder: string;
  readonly data: string;
  /** Arguments of a run of the short procedure, but for serial and acknowledgements. */
  readonly options: readonly string[];
}

function place(): Place {
  const folder = temporaryFolder();
  const data = join(folder, 'records');
  const documents = documentOptions(shortDocuments(folder));
  const options = [
    ...documents,
    '--operator',
    'op 17',
    '--data',
    data,
    '--keys',
    join(folder, 'keys'),
  ];
  return { folder, data, options };
}

test('a good item is accepted with status 0 and a record of five files', async () => {
  const { data, options } = place();
  const { status, out, err } = await stallmark(['run', SERIAL, ...options, ...BOTH, '--json']);
  expect(status, err).toBe(0);
  const result = JSON.parse(out) as { verdict: string; folder: string; simulated: boolean };
  expect(result).toMatchObject({ verdict: 'ACCEPT', simulated: true });
  expect(readdirSync(result.folder).sort()).toEqual([
    'SHA256SUMS',
    'capture.parquet',
    'certificate.csv',
    'certificate.csv.p7s',
    'certificate.pdf',
    'log.jsonl',
  ]);
  const audit = await stallmark(['ledger', 'audit', '--data', data]);
  expect(audit.status, audit.out).toBe(0);
  const keys = options.slice(options.indexOf('--keys'));
  expect((await stallmark(['verify', data, ...keys])).status).toBe(0);
  const table = join(result.folder, 'certificate.csv');
  writeFileSync(table, readFileSync(table, 'utf8').replace(',conforming,', ',conformist,'));
  const damaged = await stallmark(['verify', data, ...keys]);
  expect(damaged.status).toBe(1);
  expect(damaged.out).toContain('printed: ACCEPT — NOT CONFIRMED');
});

test('without acknowledgements and without a person, nothing is energized and nothing counts', async () => {
  const { data, options } = place();
  for (const given of [[], ['--acknowledge', 'crushing'], ['--acknowledge', 'sudden-torque']]) {
    const { status, err } = await stallmark(['run', SERIAL, ...options, ...given]);
    expect(status).toBe(64);
    expect(err).not.toContain('ENERGIZED —');
    expect(err).toContain('Nobody can answer');
  }
  const list = await stallmark(['ledger', 'list', '--data', data]);
  expect(list.out).toContain('No attempt is entered yet.');
});

test('warnings are shown in the language asked for, and a language without text is refused', async () => {
  const { options } = place();
  const german = await stallmark(['run', SERIAL, ...options, ...BOTH, '--language', 'de']);
  expect(german.status, german.err).toBe(0);
  expect(german.err).toContain('Quetschgefahr');
  const missing = await stallmark(['run', 'H12-26-00002', ...options, ...BOTH, '--language', 'fr']);
  expect(missing.status).toBe(65);
  expect(missing.err).toContain('procedure/warning');
  expect(missing.err).not.toContain('ENERGIZED —');
});

const REFUSALS: readonly {
  readonly name: string;
  readonly serial?: string;
  readonly more?: readonly string[];
  readonly spoil?: (p: Place) => void;
  readonly status: number;
  readonly says: readonly string[];
}[] = [
  {
    name: 'a serial out of grammar',
    serial: 'H12-26-1',
    status: 64,
    says: ['serial/grammar', 'H12-26-1', 'scan the label again'],
  },
  {
    name: 'a fault the bench does not know',
    more: ['--fault', 'weak-magnet'],
    status: 64,
    says: ['usage/argument', 'weak-magnet', '"weak-magnets"'],
  },
  {
    name: 'a wrong passphrase',
    more: [],
    status: 74,
    says: ['keys/passphrase'],
  },
  {
    name: 'limits changed after their approval',
    spoil: ({ folder }) => {
      const file = join(folder, 'limits.yaml');
      writeFileSync(file, readFileSync(file, 'utf8').replace('to: 0.80 ms', 'to: 8.0 ms'));
    },
    status: 65,
    says: ['document/changed', 'limits.yaml'],
  },
  {
    name: 'limits without approval',
    spoil: ({ folder }) => {
      const file = join(folder, 'limits.yaml');
      const text = readFileSync(file, 'utf8').replace(/^approved:\n(?: {2}.*\n)+/mu, '');
      writeFileSync(file, text);
    },
    status: 65,
    says: ['document/not-approved', 'limits.yaml', 'stallmark approve'],
  },
  {
    name: 'damaged limits',
    spoil: ({ folder }) => {
      appendFileSync(join(folder, 'limits.yaml'), '  steps-0.overshoot: { to: 3 }\n');
    },
    status: 65,
    says: ['yaml/duplicate-key', 'limits.yaml:'],
  },
  {
    name: 'a clock earlier than the last record',
    spoil: ({ data }) => {
      mkdirSync(data, { recursive: true });
      const ledger = openLedger(join(data, 'ledger.db'));
      const note = { kind: 'note', serial: SERIAL, attempt: 0, by: 'test', body: {} } as const;
      ledger.append(note, Date.parse('2199-01-01T00:00:00Z'));
      ledger.close();
    },
    status: 69,
    says: ['readiness/not-ready', 'clock', '2199-01-01', 'quality engineer'],
  },
  {
    name: 'a folder that is a file',
    spoil: ({ data }) => {
      writeFileSync(data, 'in the way');
    },
    status: 74,
    says: ['storage/'],
  },
];

for (const { name, serial, more, spoil, status, says } of REFUSALS) {
  test(`${name} is refused with status ${status}, reason and fix, and nothing is energized`, async () => {
    const here = place();
    spoil?.(here);
    const environment =
      name === 'a wrong passphrase' ? { STALLMARK_PASSPHRASE: 'not this one' } : {};
    const args = ['run', serial ?? SERIAL, ...here.options, ...BOTH, ...(more ?? [])];
    const ended = await stallmark(args, environment);
    expect(ended.status, ended.err).toBe(status);
    for (const text of [...says, 'Fix: ']) expect(ended.err).toContain(text);
    expect(ended.err).not.toContain('ENERGIZED —');
    const left = existsSync(here.data) && status !== 74 ? filesBelow(here.data) : [];
    expect(left.filter((file) => /certificate|capture/u.test(file))).toEqual([]);
  });
}

test('a clock that a named person vouches for lets work go on, and the ledger audits clean', async () => {
  const { data, options } = place();
  mkdirSync(data, { recursive: true });
  const ledger = openLedger(join(data, 'ledger.db'));
  const note = { kind: 'note', serial: SERIAL, attempt: 0, by: 'test', body: {} } as const;
  ledger.append(note, Date.parse('2199-01-01T00:00:00Z'));
  ledger.close();
  expect((await stallmark(['run', SERIAL, ...options, ...BOTH])).status).toBe(69);
  const vouch = [
    'ledger',
    'confirm-clock',
    '--by',
    'Q. Engineer',
    '--why',
    'battery',
    '--data',
    data,
  ];
  expect((await stallmark(vouch)).status).toBe(0);
  const next = await stallmark(['run', SERIAL, ...options, ...BOTH]);
  expect(next.status, next.err).toBe(0);
  expect((await stallmark(['ledger', 'audit', '--data', data])).status).toBe(0);
});

test('an unknown model is refused: there is no procedure for it', async () => {
  const folder = temporaryFolder();
  const ended = await stallmark([
    'run',
    'H99-26-00001',
    '--operator',
    'op 17',
    ...BOTH,
    '--data',
    join(folder, 'r'),
    '--keys',
    join(folder, 'k'),
  ]);
  expect(ended.status).toBe(64);
  expect(ended.err).toContain('serial/unknown-model');
});

test('an accepted item is not tested into a second certificate', async () => {
  const { options } = place();
  expect((await stallmark(['run', SERIAL, ...options, ...BOTH])).status).toBe(0);
  const again = await stallmark(['run', SERIAL, ...options, ...BOTH]);
  expect(again.status).toBe(64);
  expect(again.err).toContain('serial/attempts');
  expect(again.err).toContain('it is accepted. Attempt 1 at TW-1 ended ACCEPT');
});

test('Ctrl-C in the middle of a stage: de-energized, no certificate, and the ledger says why', async () => {
  const { data, options } = place();
  const running = start(['run', SERIAL, ...options, ...BOTH, '--pace', 'real']);
  await running.says('ENERGIZED —');
  running.child.kill('SIGINT');
  const { status, err } = await running.ended;
  expect(status).toBe(130);
  expect(err).toContain('run/stopped');
  const list = await stallmark(['ledger', 'list', '--data', data]);
  expect(list.out).toContain('aborted');
  expect(list.out).toContain('stopped the run');
  expect(filesBelow(data).filter((f) => f.includes('certificate'))).toEqual([]);
  expect((await stallmark(['ledger', 'audit', '--data', data])).status).toBe(0);
});

test('kill -9 in the middle of a stage: the next start says what happened and the attempt counts', async () => {
  const { data, options } = place();
  const running = start(['run', SERIAL, ...options, ...BOTH, '--pace', 'real']);
  await running.says('ENERGIZED —');
  running.child.kill('SIGKILL');
  expect((await running.ended).signal).toBe('SIGKILL');
  const next = await stallmark(['run', SERIAL, ...options, ...BOTH]);
  expect(next.status, next.err).toBe(0);
  expect(next.err).toContain('was interrupted');
  expect(next.out).toMatch(/ACCEPT {3}H12-26-00001 {3}attempt 2/u);
  const issued = filesBelow(data).filter((f) => f.endsWith('certificate.pdf'));
  expect(issued).toHaveLength(1);
  expect((await stallmark(['ledger', 'audit', '--data', data])).status).toBe(0);
});

test('the disk refuses to take more in the middle of a run: status 74, off, nothing issued', async () => {
  const { data, options } = place();
  // The shell allows files of 300 kB: the capture outgrows it, the ledger does not.
  const ended = await stallmark(['run', SERIAL, ...options, ...BOTH], {}, 300);
  expect(ended.status, ended.err).toBe(74);
  expect(ended.err).toContain('storage/');
  expect(ended.err).toContain('capture.parquet');
  expect(filesBelow(data).filter((f) => f.includes('certificate'))).toEqual([]);
  const list = await stallmark(['ledger', 'list', '--data', data]);
  expect(list.out).toContain('aborted');
  expect((await stallmark(['ledger', 'audit', '--data', data])).status).toBe(0);
});

test('the structured log is JSON lines, holds no secret, and is shown by --verbose', async () => {
  const { options } = place();
  const passphrase = 'simulated records prove nothing';
  const ended = await stallmark(['run', SERIAL, ...options, ...BOTH, '--verbose', '--json']);
  const { folder } = JSON.parse(ended.out) as { readonly folder: string };
  const lines = readFileSync(join(folder, 'log.jsonl'), 'utf8').trimEnd().split('\n');
  expect(lines.map((line) => (JSON.parse(line) as { msg: string }).msg)).toContain('power');
  expect(lines.join('')).not.toContain(passphrase);
  expect(ended.err).toContain('stage begins  stage=steps-0');
});

function filesBelow(folder: string): readonly string[] {
  return readdirSync(folder, { recursive: true, encoding: 'utf8' });
}
