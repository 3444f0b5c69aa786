import { expect, test } from 'vitest';
import { certificateCsv } from '../../src/certificate/csv.js';
import {
  readCertificateCsv,
  type CertificateTable,
  type Row,
} from '../../src/certificate/csv-table.js';
import { decisionCheck } from '../../src/certificate/verify-decisions.js';
import { sampleCertificate } from '../support/record.js';

function sample(): CertificateTable {
  const read = readCertificateCsv(certificateCsv(sampleCertificate()));
  if ('damage' in read) throw new Error(read.sentence);
  return read;
}

const table = sample();

/** The same table with some cells of its first accepted result changed. */
function changed(cells: Partial<Row>, verdict = table.verdict): CertificateTable {
  const at = table.rows.findIndex((r) => r.section === 'result' && r.verdict === 'conforming');
  const rows = table.rows.map((row, i) => (i === at ? { ...row, ...cells } : row));
  return { ...table, verdict, rows };
}

test('a table of this program follows from its own values', () => {
  expect(decisionCheck(table)).toMatchObject({ outcome: 'holds', finding: 'decisions' });
});

const BROKEN: readonly (readonly [what: string, table: CertificateTable, sentence: string])[] = [
  ['a value that is not accepted', changed({ value: '1000000000' }), 'is printed as conforming'],
  ['another verdict', changed({ verdict: 'nonconforming' }), 'is printed as nonconforming'],
  [
    'a wider uncertainty',
    changed({ U: '1000000000', rule: 'guarded' }),
    'is printed as conforming',
  ],
  ['a valid row without a value', changed({ value: '' }), 'has no value'],
  ['an unknown unit', changed({ unit: 'furlong' }), 'not known here'],
  ['an unknown rule', changed({ rule: 'kind' }), 'not known here'],
  [
    'ACCEPT with a row that was not run',
    changed({ validity: 'not run', verdict: 'none' }, 'ACCEPT'),
    'The verdict is ACCEPT, but not accepted',
  ],
];

for (const [what, forged, sentence] of BROKEN) {
  test(`finds ${what}`, () => {
    const check = decisionCheck(forged);
    expect(check).toMatchObject({ outcome: 'broken', finding: 'decisions/differ' });
    expect(check.sentence).toContain(sentence);
  });
}
