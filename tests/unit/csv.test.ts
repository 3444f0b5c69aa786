import { parse } from 'csv-parse/sync';
import fc from 'fast-check';
import { expect, test } from 'vitest';
import { StallmarkError } from '../../src/base/error.js';
import { SIMULATED_MARK, type Certificate } from '../../src/certificate/certificate.js';
import { certificateCsv } from '../../src/certificate/csv.js';
import {
  COLUMNS,
  guard,
  HEADINGS,
  readCertificateCsv,
  unguard,
  type CertificateTable,
} from '../../src/certificate/csv-table.js';
import type { Result } from '../../src/decision/decision.js';
import { DECISION_RULES } from '../../src/procedure/limits.js';
import { SAMPLE_RESULTS, sampleCertificate, simulatedCertificate } from '../support/record.js';

const textOf = (certificate: Certificate): string =>
  new TextDecoder('utf-8', { ignoreBOM: true }).decode(certificateCsv(certificate));

/** Rows as an independent RFC 4180 reader sees them, apostrophes not removed. */
const outsideRows = (certificate: Certificate): readonly Record<string, string>[] =>
  parse(textOf(certificate), { columns: [...COLUMNS], from_line: 2, record_delimiter: '\r\n' });

function tableOf(certificate: Certificate): CertificateTable {
  const table = readCertificateCsv(certificateCsv(certificate));
  if ('damage' in table) throw new Error(table.sentence);
  return table;
}

const itemIn = (certificate: Certificate, item: string): string | undefined =>
  tableOf(certificate).rows.find((row) => row.item === item)?.text;

test('the same certificate gives the same bytes, with CRLF, without byte order mark', () => {
  const text = textOf(sampleCertificate());
  expect(textOf(sampleCertificate())).toBe(text);
  expect(text.startsWith('section [schema 2],record,revision,simulated,serial')).toBe(true);
  expect(text.endsWith('\r\n')).toBe(true);
  expect(text.replaceAll('\r\n', '')).not.toMatch(/[\r\n]/u);
});

const TOLD: readonly (readonly [item: string, told: string])[] = [
  ['item revision, as it says', 'C3'],
  ['item parameters digest', 'a'.repeat(64)],
  ['component motor', 'M-1'],
  ['component encoder', 'E-1'],
  ['component encoder 2', 'E-2'],
  ['adapter', 'AD-12, h12-shaft, serial HA-1204'],
];

test('what the item tells of itself and the adapter stand in rows of their own, where they are told', () => {
  const plain = sampleCertificate();
  const full = {
    ...plain,
    item: {
      ...{ ...plain.item, revision: 'C3', parametersDigest: 'a'.repeat(64) },
      components: [
        { kind: 'motor', serial: 'M-1' },
        { kind: 'encoder', serial: 'E-1' },
        { kind: 'encoder', serial: 'E-2' },
      ] as const,
    },
    environment: {
      ...plain.environment,
      adapter: { id: 'AD-12', kind: 'h12-shaft', serial: 'HA-1204' },
    },
  };
  for (const [item, told] of TOLD) {
    expect(itemIn(full, item), item).toBe(told);
    expect(itemIn(plain, item), item).toBeUndefined();
  }
});

const UNTOLD: readonly (readonly [name: string, item: Partial<Certificate['item']>])[] = [
  ['the serial of the motor', { components: [{ kind: 'motor', serial: ' ' }] }],
  ['the digest of the parameters', { parametersDigest: 'abc' }],
  ['the hardware revision that the item tells', { revision: '' }],
];
for (const [name, item] of UNTOLD) {
  test(`what an item tells and cannot be read is not issued: ${name}`, () => {
    const plain = sampleCertificate();
    expect(() => certificateCsv({ ...plain, item: { ...plain.item, ...item } })).toThrow(name);
  });
}

test('an outside reader finds one row per result, raw and as displayed, with unit and limits', () => {
  const results = outsideRows(sampleCertificate()).filter(({ section }) => section === 'result');
  expect(results).toHaveLength(SAMPLE_RESULTS.length);
  expect(results[0]).toMatchObject({
    record: 'TW1-2026-004711',
    simulated: 'no',
    serial: 'H12-26-04711',
    stage: 'steps-2',
    characteristic: 'rise-time',
    side: 'motor',
    value: '2.712345678901234',
    'value shown': '2.712',
    U: '0.06',
    'U shown': '0.060',
    k: '2',
    unit: 'ms',
    lower: '2.3',
    upper: '3.1',
    rule: 'guarded',
    verdict: 'conforming',
    validity: 'valid',
    repeats: '10',
  });
  expect(results[1]).toMatchObject({ value: '-0.35', 'value shown': '-0.35', unit: '%' });
  expect(results[2]).toMatchObject({ value: '0', U: '', k: '', lower: '', upper: '0' });
});

test('every row of a simulated record carries the mark, number, serial and attempt', () => {
  for (const row of outsideRows(simulatedCertificate())) {
    expect(row).toMatchObject({
      simulated: SIMULATED_MARK,
      record: 'SIM-2026-000001',
      serial: 'H12-26-04711',
      attempt: '1',
    });
  }
});

test('the table is complete without the page', () => {
  const c = sampleCertificate({ deviations: ['Stage 8 was not run.'] });
  const rows = tableOf(c).rows;
  const texts = rows.map((row) => row.text);
  const everyText = [
    'Acceptance certificate',
    c.maker.name,
    c.maker.address,
    c.place,
    c.bench,
    c.model.name,
    c.model.gtin,
    c.item.firmwareDigest,
    c.procedure.digest,
    c.limits.id,
    c.limits.approval.by,
    '2026-11-25T14:05:20.250Z', // started
    '2026-11-25T14:09:20.250Z', // ended
    '2026-11-25T14:09:30.250Z', // issued
    c.operator,
    c.captureDigest,
    c.software.version,
    c.anchor.digest,
    'Stage 8 was not run.',
    'held button',
    'Crushing of hands',
    'K-2026-118',
    '2027-03-02',
  ];
  for (const text of everyText) expect(texts).toContain(text);
  const ambient = rows.find((row) => row.item === 'ambient temperature');
  expect(ambient).toMatchObject({ value: '22.8', unit: '°C' });
  expect(rows.filter((row) => row.section === 'gate')).toHaveLength(2);
  expect(tableOf(c)).toMatchObject({
    verdict: 'ACCEPT',
    ended: c.ended,
    issued: c.issued,
    captureDigest: c.captureDigest,
    anchor: c.anchor,
  });
});

const texts = [
  '=1+1',
  "'=1+1",
  "''",
  '+49 1',
  '-0.35',
  '@sum',
  '\t=1',
  'a;=1+1',
  'a,\r\n-2',
  'say "=1"',
  'line\none',
  'carriage\rone',
  '＝1',
  'N·m ± µ ≥',
];

for (const written of texts) {
  test(`${JSON.stringify(written)} survives as text, and no spreadsheet runs it`, () => {
    const certificate = sampleCertificate({ operator: written, serial: written });
    expect(itemIn(certificate, 'operator')).toBe(written);
    expect(tableOf(certificate).serial).toBe(written);
    const outside = outsideRows(certificate);
    expect(unguard(outside[0]?.['serial'] ?? '')).toBe(written);
    for (const cell of outside.map((row) => row['serial'] ?? '')) {
      expect(cell).not.toMatch(/(?:^|[,;|"\t\r\n])[=+\-@＝＋－＠]/u);
    }
  });
}

test('any text survives the guard and a whole table', () => {
  const tricky = fc.string({
    unit: fc.constantFrom(...'\'=+-@;,|\t\r\n"ab ＝'.split('')),
    maxLength: 12,
  });
  const any = fc.oneof(tricky, fc.string({ unit: 'binary' }));
  fc.assert(
    fc.property(any, (written) => {
      expect(unguard(guard(written))).toBe(written);
    }),
    { seed: 7, numRuns: 1000 },
  );
  fc.assert(
    fc.property(
      any.filter((written) => written.trim() !== ''),
      (written) => {
        expect(itemIn(sampleCertificate({ operator: written }), 'operator')).toBe(written);
      },
    ),
    { seed: 7, numRuns: 60 },
  );
});

const [first] = SAMPLE_RESULTS;
const changed: readonly (readonly [string, Partial<Result>, Record<string, string>])[] = [
  [
    'nonconforming',
    { outcome: { kind: 'measured', value: 0.0031004 }, verdict: { outcome: 'nonconforming' } },
    { verdict: 'nonconforming', 'value shown': '3.1004', validity: 'valid' },
  ],
  [
    'inconclusive',
    { verdict: { outcome: 'inconclusive', side: 'outside' } },
    { verdict: 'inconclusive, outside the limits', validity: 'valid' },
  ],
  [
    'inside on condition',
    { verdict: { outcome: 'conditional', side: 'inside' } },
    { verdict: 'conditionally conforming', validity: 'valid' },
  ],
  [
    'outside on condition',
    { verdict: { outcome: 'conditional', side: 'outside' } },
    { verdict: 'conditionally nonconforming', validity: 'valid' },
  ],
  [
    'invalid',
    {
      outcome: { kind: 'not-evaluated', reason: 'no capture' },
      verdict: { outcome: 'invalid', reasons: ['converter clip', 'hum'] },
    },
    { verdict: 'none', validity: 'invalid', value: '', reason: 'converter clip; hum; no capture' },
  ],
  [
    'not run',
    {
      outcome: { kind: 'not-evaluated', reason: 'the run was broken off' },
      verdict: { outcome: 'not-run' },
    },
    { verdict: 'none', validity: 'not run', reason: 'the run was broken off' },
  ],
];

for (const [name, change, cells] of changed) {
  test(`a result that is ${name} says so in its row`, () => {
    const { decision } = sampleCertificate();
    const certificate = sampleCertificate({
      decision: { ...decision, results: [{ ...first, ...change }] },
    });
    expect(outsideRows(certificate).find(({ section }) => section === 'result')).toMatchObject(
      cells,
    );
  });
}

test('an item accepted on condition says so in its outcome, and every rule is explained', () => {
  const { decision } = sampleCertificate();
  const verdict = { outcome: 'conditional', side: 'inside', word: 'ACCEPT' } as const;
  const certificate = sampleCertificate({ decision: { ...decision, verdict } });
  expect(itemIn(certificate, 'verdict')).toBe('ACCEPT');
  expect(itemIn(certificate, 'outcome')).toBe('conditionally conforming');
  expect(itemIn(certificate, 'statement of conformity')).toMatch(/only conditionally/u);
  const rule = outsideRows(certificate).find((row) => row['item'] === 'rule');
  for (const name of DECISION_RULES) expect(rule?.['text']).toContain(`${name}: `);
});

test('a certificate that lacks items is not written, and all of them are named', () => {
  const lacking = sampleCertificate({ operator: ' ', place: '' });
  const problems = problemsOf(() => certificateCsv(lacking));
  expect(problems.map(({ code }) => code)).toEqual([
    'certificate/missing-item',
    'certificate/missing-item',
  ]);
});

function problemsOf(work: () => unknown): StallmarkError['problems'] {
  try {
    work();
  } catch (error) {
    if (error instanceof StallmarkError) return error.problems;
    throw error;
  }
  throw new Error('nothing was refused');
}

const good = textOf(sampleCertificate());
const endRow = good.slice(good.lastIndexOf('end,'));
const damaged: readonly (readonly [string, string, string, RegExp])[] = [
  ['cut inside a row', good.slice(0, -20), 'truncated', /breaks off inside row/u],
  ['cut inside quotation marks', good.slice(0, 700), 'truncated', /breaks off/u],
  ['cut before the last line end', good.slice(0, -2), 'truncated', /breaks off/u],
  ['without its end row', good.replace(endRow, ''), 'truncated', /no end row/u],
  ['with a row less', withoutLine(good, 20), 'unreadable', /end row counts/u],
  ['with LF line ends', good.replaceAll('\r\n', '\n'), 'unreadable', /RFC 4180/u],
  ['with a byte order mark', `\u{feff}${good}`, 'unreadable', /begins with/u],
  ['of another version', good.replace('schema 2', 'schema 3'), 'unreadable', /another version/u],
  ['with another heading', good.replace(',reason,', ',Reason,'), 'unreadable', /headings/u],
  ['with a cell more', good.replace('result,', 'result,x,'), 'unreadable', /35 cells, not 34/u],
  ['with a decimal comma', good.replace(',2.712,', ',"2,712",'), 'unreadable', /plain number/u],
  [
    'with an unknown section',
    good.replace('\r\ngate,', '\r\ngates,'),
    'unreadable',
    /unknown section/u,
  ],
  [
    'of two records',
    good.replace('gate,TW1-2026-004711', 'gate,TW1-2026-004712'),
    'unreadable',
    /another record/u,
  ],
  ['with half a mark', good.replaceAll(',no,', ',SIMULATED,'), 'unreadable', /neither the mark/u],
  ['without its bench', good.replace(',bench,', ',bank,'), 'unreadable', /0 rows for "bench"/u],
  [
    'with a stray quotation mark',
    good.replace('symmetry', 'sym"metry'),
    'unreadable',
    /stray quotation/u,
  ],
  ['empty', '', 'unreadable', /begins with ""/u],
];

function withoutLine(text: string, line: number): string {
  return text.split('\r\n').toSpliced(line, 1).join('\r\n');
}

for (const [name, text, damage, sentence] of damaged) {
  test(`a table ${name} is ${damage}`, () => {
    const read = readCertificateCsv(new TextEncoder().encode(text));
    if (!('damage' in read)) throw new Error('was read');
    expect(read.damage).toBe(damage);
    expect(read.sentence).toMatch(sentence);
  });
}

test('bytes that are no UTF-8 are unreadable', () => {
  const bytes = certificateCsv(sampleCertificate());
  bytes[bytes.length - 3] = 0xff;
  expect(readCertificateCsv(bytes)).toMatchObject({ damage: 'unreadable' });
});

test('headings are unique', () => {
  expect(new Set(HEADINGS).size).toBe(HEADINGS.length);
});
