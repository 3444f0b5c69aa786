import { cpSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { expect, test } from 'vitest';
import { StallmarkError } from '../../src/base/error.js';
import { unitOf } from '../../src/base/units.js';
import type { Certificate } from '../../src/certificate/certificate.js';
import { certificateCsv } from '../../src/certificate/csv.js';
import { trace, type TraceOptions } from '../../src/cli/trace.js';
import type { Result } from '../../src/decision/decision.js';
import { beginAttempt, numberOf } from '../../src/ledger/numbering.js';
import { openLedger } from '../../src/ledger/sqlite.js';
import { issueRecord, openAttempt } from '../../src/ledger/store.js';
import { ledgerFile } from '../../src/run/places.js';
import { findRecords } from '../../src/run/traced-records.js';
import { temporaryFolder } from '../support/folder.js';
import { sampleCertificate, SAMPLE_RESULTS } from '../support/record.js';

const ARCHIVE = fileURLToPath(new URL('../../reports/sample/schema-1', import.meta.url));

/** The record of one attempt that was begun at an instant, of the static gain that is given. */
interface Made {
  readonly serial: string;
  readonly at: string;
  readonly certificate: string;
  readonly staticGain: number;
}

/** One before and three after the transducer was calibrated anew. */
const MADE: readonly Made[] = [
  {
    serial: 'H12-26-00001',
    at: '2026-05-10T08:00:00Z',
    certificate: 'SL-25-0962',
    staticGain: 1.01,
  },
  {
    serial: 'H12-26-00002',
    at: '2026-05-21T08:00:00Z',
    certificate: 'SL-26-1187',
    staticGain: 1.01,
  },
  {
    serial: 'H12-26-00003',
    at: '2026-05-21T09:00:00Z',
    certificate: 'SL-26-1187',
    staticGain: 1.024,
  },
  {
    serial: 'H12-26-00004',
    at: '2026-05-22T08:00:00Z',
    certificate: 'SL-26-1187',
    staticGain: 1.024,
  },
];

function gainResult(value: number): Result {
  const [first] = SAMPLE_RESULTS;
  return {
    ...first,
    limit: {
      ...first.limit,
      stage: 'static',
      characteristic: 'static-gain',
      label: 'static gain',
      unit: unitOf('%'),
      tolerance: { kind: 'between', lower: 0.97, upper: 1.03 },
    },
    name: 'static gain',
    side: 'shaft',
    outcome: { kind: 'measured', value },
    expanded: 0.004,
  };
}

function certificateOf(made: Made, number: string): Certificate {
  const started = Date.parse(made.at);
  const sample = sampleCertificate({ serial: made.serial, number });
  const { certificate, staticGain } = made;
  return {
    ...sample,
    started,
    ended: started + 240_000,
    issued: started + 250_000,
    equipment: [{ ...sample.equipment[0], id: 'TT-204', certificate }],
    decision: { ...sample.decision, results: [...SAMPLE_RESULTS, gainResult(staticGain)] },
  };
}

/** A folder with a ledger and a record of each attempt, entered as a run enters it. */
function records(root: string, all: readonly Made[] = MADE): readonly string[] {
  const ledger = openLedger(ledgerFile(root));
  const folders = all.map((made) => {
    const now = Date.parse(made.at);
    const beginning = {
      serial: made.serial,
      attempt: 1,
      by: 'O. Operator',
      prefix: 'TW1',
      body: {},
    };
    const begun = beginAttempt(ledger, beginning, now);
    const { temporary, relative } = openAttempt(root, begun);
    const csv = certificateCsv(certificateOf(made, numberOf(begun)));
    writeFileSync(join(temporary, 'certificate.csv'), csv);
    const body = { verdict: 'ACCEPT', revision: 0, simulated: false };
    issueRecord(root, ledger, { begun, by: 'O. Operator', body }, now + 250_000);
    return relative;
  });
  ledger.close();
  return folders;
}

/** Asks as a person does and returns what was printed. */
function asked(
  data: string,
  options: Partial<TraceOptions> = {},
  instrument = 'TT-204',
): { readonly status: number; readonly out: string } {
  const said: string[] = [];
  const to = {
    out: (text: string) => void said.push(text),
    err: (text: string) => void said.push(text),
    width: 140,
    isInteractive: false,
    ask: () => Promise.reject(new Error('nobody is asked')),
  };
  const days = { from: '2026-05-01', to: '2026-05-31' };
  const status = trace(instrument, { ...days, data, ...options }, to);
  return { status, out: said.join('\n') };
}

test('records of a superseded calibration are found, each with the certificate of its time', () => {
  const root = temporaryFolder();
  records(root);
  const { status, out } = asked(root);
  expect(status, out).toBe(0);
  const lines = out.split('\n').filter((line) => line.includes('H12-26-'));
  expect(lines.map((line) => /SL-\d\d-\d{4}/u.exec(line)?.[0])).toEqual(
    MADE.map(({ certificate }) => certificate),
  );
  expect(lines[0]).toContain('TW1-2026-000001 rev 0');
  // By hand: symmetry −0.35 % in ±1 %, U 0.3 %: (1 − 0.3 − 0.35) / 0.3 = 1.17.
  expect(lines[0]).toContain('1.17 U  static.symmetry');
  // (1.03 − 0.004 − 1.024) / 0.004 = 0.5.
  expect(lines[2]).toContain('0.50 U  static.static-gain');
  expect(out).toContain('4 records, 0 could not be read');
});

test('only the days asked about count', () => {
  const root = temporaryFolder();
  records(root);
  const { out } = asked(root, { from: '2026-05-21', to: '2026-05-21' });
  expect(out).toContain('H12-26-00002');
  expect(out).toContain('H12-26-00003');
  expect(out).toContain('2 records');
});

test('under a correction the verdicts that would change are told, with their rows, and nothing is altered', () => {
  const root = temporaryFolder();
  const folders = records(root);
  const files = [ledgerFile(root), ...folders.map((f) => join(root, f, 'certificate.csv'))];
  const before = files.map((file) => readFileSync(file));
  const { status, out } = asked(root, { correction: '1.005' });
  expect(status, out).toBe(0);
  expect(out).toContain('4 records, 2 verdicts would change, 0 with rows to be scored again');
  expect(out).toMatch(/H12-26-00003 .*→ HOLD/u);
  expect(out).toMatch(/H12-26-00002 .*unchanged/u);
  expect(out).toContain(
    'static.static-gain: 102.4 → 102.912 %, conforming → inconclusive, inside the limits',
  );
  expect(files.map((file) => readFileSync(file))).toEqual(before);
});

test('as JSON the answer holds every record with its numbers', () => {
  const root = temporaryFolder();
  const folders = records(root);
  const { out } = asked(root, { correction: '100.5 %', json: true });
  const answer = JSON.parse(out) as { readonly records: readonly object[] };
  expect(answer).toMatchObject({ instrument: 'TT-204', quantity: 'torque', unread: [] });
  expect(answer.records[2]).toMatchObject({
    number: 'TW1-2026-000003',
    serial: 'H12-26-00003',
    started: '2026-05-21T09:00:00Z',
    verdict: 'ACCEPT',
    folder: folders[2],
    isInLedger: true,
    instrument: { id: 'TT-204', certificate: 'SL-26-1187', quantity: 'torque' },
    smallest: { stage: 'static', characteristic: 'static-gain' },
    consequence: {
      verdict: 'HOLD',
      isChanged: true,
      changed: [{ characteristic: 'static-gain', unit: '%', value: 102.4 }],
    },
  });
});

test('missing, altered and damaged records are listed as such, and the answer is not called whole', () => {
  const root = temporaryFolder();
  const [first = '', second = '', third = ''] = records(root);
  const table = (folder: string): string => join(root, folder, 'certificate.csv');
  rmSync(table(first));
  writeFileSync(
    table(second),
    readFileSync(table(second), 'utf8').replace('SL-26-1187', 'SL-26-9999'),
  );
  writeFileSync(table(third), readFileSync(table(third)).subarray(0, 5000));
  const stray = join(root, 'archive/certificate.csv');
  cpSync(join(ARCHIVE, 'H12-26-04711'), join(root, 'archive'), { recursive: true });
  writeFileSync(stray, readFileSync(stray).subarray(0, 5000));
  const { status, out } = asked(root);
  expect(status).toBe(1);
  expect(out).toMatch(
    /✗ missing {2}\S+H12-26-00001\/01 {2}TW1-2026-000001 H12-26-00001 ACCEPT, issued 2026-05-10/u,
  );
  expect(out).toMatch(/✗ damaged .*H12-26-00002.*not the file that entry \d+ issued/u);
  expect(out).toMatch(/✗ damaged .*H12-26-00003.*not the file that entry \d+ issued/u);
  expect(out).toMatch(/✗ damaged {2}archive {2}The table breaks off/u);
  expect(out).toContain('1 record, 4 could not be read');
  // What the ledger knows to be of other days is left out; what no ledger knows is not.
  const later = asked(root, { from: '2026-05-23', to: '2026-05-31' });
  expect(later.out).toContain('0 records, 1 could not be read');
});

test('a table of which a result cannot be understood is damaged, not left out', () => {
  const root = temporaryFolder();
  const folder = join(root, 'archive');
  cpSync(join(ARCHIVE, 'H12-26-04711'), folder, { recursive: true });
  const file = join(folder, 'certificate.csv');
  writeFileSync(file, readFileSync(file, 'utf8').replace(',guarded,', ',lenient,'));
  const { records: read, unread, hasLedger } = findRecords(root);
  expect(read).toEqual([]);
  expect(hasLedger).toBe(false);
  expect(unread[0]?.sentence).toContain('rule');
});

test('archived records of the first format are found without a ledger, and what they lack is said', () => {
  const root = temporaryFolder();
  cpSync(ARCHIVE, join(root, '2026'), { recursive: true });
  const days = { from: '2026-11-25', to: '2026-11-25' };
  const { status, out } = asked(root, { ...days, correction: '1.005' });
  expect(status, out).toBe(0);
  expect(out).toContain('There is no ledger here');
  expect(out).toContain('3 records');
  expect(out.match(/SL-26-1187/gu)).toHaveLength(3);
});

test('records of attempts that never became one are no records', () => {
  const root = temporaryFolder();
  cpSync(join(ARCHIVE, 'H12-26-04711'), join(root, 'unissued/TW1-2026-000009'), {
    recursive: true,
  });
  cpSync(join(ARCHIVE, 'H12-26-04711'), join(root, '2026/H12-26-04711/.attempt-01'), {
    recursive: true,
  });
  expect(findRecords(root)).toMatchObject({ records: [], unread: [] });
});

test('an instrument that no record names is told with those that are named', () => {
  const root = temporaryFolder();
  records(root);
  const { status, out } = asked(root, {}, 'TT-7');
  expect(status).toBe(0);
  expect(out).toContain(
    'No record of these days names TT-7. Instruments in the records there: TT-204.',
  );
});

const REFUSED: readonly {
  readonly name: string;
  readonly options: Partial<TraceOptions>;
  readonly instrument?: string;
  readonly says: readonly string[];
}[] = [
  {
    name: 'days that do not exist',
    options: { from: '2026-02-30', to: 'today' },
    says: ['--from is "2026-02-30"', '--to is "today"'],
  },
  {
    name: 'days the wrong way round',
    options: { from: '2026-06-01', to: '2026-05-01' },
    says: ['later than'],
  },
  { name: 'a factor of nothing', options: { correction: '0' }, says: ['--correction is "0"'] },
  {
    name: 'a factor with a unit',
    options: { correction: '5 mN·m' },
    says: ['--correction is "5 mN·m"'],
  },
  {
    name: 'an offset in another unit',
    options: { offset: '1 A' },
    says: ['--offset is "1 A"', 'must be a torque'],
  },
  { name: 'both at once', options: { offset: '5 mN·m', correction: '1.01' }, says: ['Both'] },
  { name: 'an unknown quantity', options: { quantity: 'taste' }, says: ['--quantity is "taste"'] },
  {
    name: 'everything wrong, all at once',
    options: { from: 'x', to: 'y', correction: 'z' },
    says: ['--from', '--to', '--correction'],
  },
];

for (const { name, options, says } of REFUSED) {
  test(`refused: ${name}`, () => {
    const root = temporaryFolder();
    records(root, MADE.slice(0, 1));
    const told = messageOf(() => asked(root, options));
    for (const text of says) expect(told).toContain(text);
  });
}

function messageOf(call: () => unknown): string {
  try {
    call();
  } catch (error) {
    if (error instanceof StallmarkError) return error.message;
    throw error;
  }
  return '';
}

test('a correction of an instrument nobody knows is refused until its quantity is given', () => {
  const root = temporaryFolder();
  cpSync(ARCHIVE, root, { recursive: true });
  const text = readFileSync(join(root, 'H12-26-04711/certificate.csv'), 'utf8');
  writeFileSync(join(root, 'H12-26-04711/certificate.csv'), text.replaceAll('TT-204', 'TT-1'));
  const days = { from: '2026-11-25', to: '2026-11-25', correction: '1.01' };
  expect(messageOf(() => asked(root, days, 'TT-1'))).toContain('say what TT-1 measures');
  expect(asked(root, { ...days, quantity: 'torque' }, 'TT-1').out).toContain('1 record,');
});

test('a folder that is not there is refused', () => {
  expect(messageOf(() => asked(join(temporaryFolder(), 'nowhere')))).toContain(
    'storage/unreadable',
  );
});
