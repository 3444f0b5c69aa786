import { expect, test } from 'vitest';
import { StallmarkError } from '../../src/base/error.js';
import { SIMULATED_MARK } from '../../src/certificate/certificate.js';
import type { Certificate } from '../../src/certificate/certificate.js';
import { requireComplete } from '../../src/certificate/complete.js';
import { renderPdf } from '../../src/certificate/pdf.js';
import { gateGroups, gateWords } from '../../src/certificate/words.js';
import type { ItemVerdict, Result } from '../../src/decision/decision.js';
import { reasonSentence } from '../../src/decision/reason.js';
import type { DecisionRule } from '../../src/procedure/limits.js';
import { readPdf } from '../support/read-pdf.js';
import type { Line, PdfFile } from '../support/read-pdf.js';
import { sampleCertificate } from '../support/sample-certificate.js';
import type { SampleKind } from '../support/sample-certificate.js';

const CSV = new TextEncoder().encode('section,name\r\nresult,"rise time; ""quoted"""\r\n');

async function read(certificate: Certificate): Promise<PdfFile> {
  return readPdf(await renderPdf(certificate, CSV));
}

/** All text of the file in one line, so that wrapped sentences can be searched. */
const flowed = (file: PdfFile): string => file.text.replaceAll('\n', ' ');

/** Text in the order it was drawn, which is the order of reading. */
const drawn = (file: PdfFile): string =>
  file.pages.map((p) => p.lines.map((l) => l.text).join(' ')).join(' ');

const TITLES: readonly (readonly [SampleKind, string, string, string])[] = [
  ['accept', 'Acceptance certificate', 'ACCEPT', '— end of certificate —'],
  ['reject', 'Nonconformity report', 'REJECT', '— end of report —'],
  ['hold', 'Report of a held item', 'HOLD', '— end of report —'],
  ['gate', 'Report of a held item', 'HOLD', '— end of report —'],
];

for (const [kind, title, word, end] of TITLES) {
  test(`${kind}: the title is "${title}", the word ${word}, the last line "${end}"`, async () => {
    const file = await read(sampleCertificate(kind));
    const lines = file.pages.map((p) => p.lines.map((l) => l.text));
    expect(lines[0]?.[0]).toBe(title);
    expect(lines[0]).toContain(word);
    const ends = lines.flatMap((page, at) => page.filter((l) => l === end).map(() => at));
    expect(ends).toEqual([lines.length - 1]);
    const others = TITLES.map(([, t]) => t).filter((t) => t !== title);
    for (const other of others) expect(file.text).not.toContain(other);
  });
}

test('components, parameters and adapter are told where the item and the nest tell them', async () => {
  const plain = sampleCertificate();
  const item = {
    ...{ ...plain.item, parametersDigest: `abcdef${'0'.repeat(54)}1234` },
    components: [
      { kind: 'motor', serial: 'M-40418331' },
      { kind: 'drive', serial: 'D-70011904' },
      { kind: 'encoder', serial: 'E-55120077' },
    ] as const,
  };
  const adapter = { id: 'AD-12', kind: 'h12-shaft', serial: 'HA-1204' };
  const environment = { ...plain.environment, adapter };
  const file = await read({ ...plain, item, environment });
  const front = file.pages[0]?.lines.map((l) => l.text).join(' ') ?? '';
  for (const told of ['motor M-40418331', 'drive D-70011904', 'encoder E-55120077']) {
    expect(front).toContain(told);
  }
  expect(front).toContain('parameters abcdef…1234');
  const back = drawn(file);
  expect(back).toContain('parameters of the item');
  expect(back.replaceAll(' ', '')).toContain(item.parametersDigest);
  expect(back).toContain('Adapter in the nest: AD-12, h12-shaft, serial HA-1204.');
  const bare = drawn(await read(plain));
  expect(bare).not.toContain('parameters of the item');
  expect(bare).not.toContain('Adapter in the nest');
});

test('number, revision and page n of m stand on every page', async () => {
  const { pages } = await read({ ...sampleCertificate(), revision: 3 });
  expect(pages.length).toBeGreaterThan(2);
  pages.forEach((page, i) => {
    expect(page.text).toContain('TW1-2026-004711 rev 3');
    expect(page.text).toContain(`page ${i + 1} of ${pages.length}`);
  });
});

test('an acceptance certificate carries every item an auditor looks for', async () => {
  const certificate = sampleCertificate();
  const text = drawn(await read(certificate));
  const items = [
    'Skarrowmere Helmworks',
    '3 Capstan Yard, Tarnwick',
    'tested at bench TW-1, nest 2, final test line, Tarnwick',
    'issued 2026-11-25 14:09:31 UTC',
    'H12-26-04711',
    'H12 console helm',
    'rev C3, GTIN 09520123401207',
    '4.2.0',
    'H12 acceptance, issue 3',
    'AS-H12 issue 7',
    '14:05:18 to 14:09:07 UTC',
    '22.8 °C',
    '41 % RH, 48.1 V',
    'The item conforms to AS-H12 issue 7 in all 37 characteristics.',
    'guarded acceptance, w = U; rows marked S by simple',
    'relate only to the item tested',
    'WARNING: Crushing of hands',
    '2026-11-25 14:05:12 UTC',
    'de, issue 3',
    'shown as: Plötzliches Drehmoment',
    'held button',
    'operator 17, operator',
    'R. Dunmallard, quality engineer',
    'standing release of AS-H12 issue 7 on 2026-11-02',
    'SL-26-0417',
    'Stand model 12',
    '0.6012 N·m/A, measured on this item',
    'openssl cms -verify -binary -inform DER',
    'pdfsig certificate.pdf',
    'sha256sum capture.parquet certificate.csv',
    certificate.captureDigest,
    certificate.procedure.digest,
    certificate.limits.digest,
    certificate.benchDigest,
    certificate.item.firmwareDigest,
    certificate.anchor.digest,
    'ledger entry 48213',
    'Program 1.0.0, scoring 12.',
    'copied only in full',
    'The test software is not a safety function; guards, emergency stop and safe torque off',
    'Local codes and licensed practice prevail.',
    'No accreditation is claimed',
  ];
  for (const item of items) expect(text).toContain(item);
});

test('each result is a row with value, U, unit, range, side and rule', async () => {
  const { pages } = await read(sampleCertificate());
  const row = (label: string): readonly string[] => {
    const page = pages.find((p) => p.lines.some((l) => l.text === label));
    const y = page?.lines.find((l) => l.text === label)?.y ?? NaN;
    return (page?.lines ?? []).filter((l) => l.y === y).map((l) => l.text);
  };
  expect(row('rise time 3 N·m, smoothing 2')).toEqual([
    'rise time 3 N·m, smoothing 2',
    '2.710',
    '0.060',
    'ms',
    '2.30 … 3.10',
    'motor',
    'G',
  ]);
  expect(row('zero offset, enabled').slice(1, 5)).toEqual(['−12.4', '8.0', 'mN·m', '−60.0 … 60.0']);
  expect(row('missing updates')).toEqual([
    'missing updates',
    '0',
    '–',
    'count',
    '≤ 0',
    'link',
    'S',
  ]);
  for (const result of sampleCertificate().decision.results) {
    expect(row(result.name)).toHaveLength(7);
  }
});

test('a rejected item: what was found comes before the table, with the row outside and a line for the disposition', async () => {
  const text = drawn(await read(sampleCertificate('reject')));
  const order = [
    'does not conform to AS-H12 issue 7 in 1 of 37',
    'What was found',
    'Full step, −12 to 12 N·m',
    'Outside: slew rate −12 → +12 N·m:',
    'Blamed on the item',
    'Disposition',
    'outside',
    'Results',
    'zero offset, enabled',
  ].map((part) => text.indexOf(part));
  expect(order).not.toContain(-1);
  expect(order).toEqual([...order].sort((a, b) => a - b));
  expect(text.split('Full step, −12 to 12 N·m')).toHaveLength(2); // drawn once
});

test('a held item: by uncertainty nobody is blamed, by a gate the stand is', async () => {
  const hold = flowed(await read(sampleCertificate('hold')));
  expect(hold).toContain('Held by uncertainty: nobody is blamed.');
  expect(hold).not.toContain('it points at');
  const gate = flowed(await read(sampleCertificate('gate')));
  expect(gate).toContain('Gate closed: stand resonance of the run, found 47.4 %, allowed ≤ 5 %.');
  expect(gate).toContain('it points at: STAND.');
  expect(gate).toContain('not evaluated: gate');
  expect(gate).not.toContain('nobody is blamed');
});

test('a simulated run carries its mark at head and foot of every page, in the title and pale behind the text', async () => {
  const file = await read(sampleCertificate('accept', true));
  for (const page of file.pages) {
    const marks = page.lines.filter((l) => l.text === SIMULATED_MARK);
    expect(marks.map((l) => (l.y < 60 ? 'head' : l.y > 800 ? 'foot' : 'elsewhere'))).toEqual([
      'head',
      'foot',
    ]);
  }
  const contents = [...file.objects.values()].filter((o) => o.includes('/Artifact'));
  expect(contents).toHaveLength(file.pages.length);
  for (const content of contents) {
    const [, red, green, blue] = /([\d.]+) ([\d.]+) ([\d.]+) scn/.exec(content) ?? [];
    const tint = [red, green, blue].map((part) => Math.round(Number(part) * 255));
    expect(tint).toEqual([0xe9, 0xeb, 0xed]); // drawn first: nothing lies under it
  }
  const title = Buffer.from(SIMULATED_MARK, 'utf16le').swap16().toString('latin1');
  expect([...file.objects.values()].some((o) => o.includes(title))).toBe(true);
  const product = await read(sampleCertificate());
  expect(product.text).not.toContain('SIMULATED');
});

test('nothing is transparent', async () => {
  const file = await renderPdf(sampleCertificate('reject', true), CSV);
  const { objects } = readPdf(file);
  for (const object of objects.values()) {
    expect(object).not.toMatch(/\/(ca|CA) 0?\.\d|\/SMask|\/ExtGState/);
  }
});

test('equal input gives equal bytes, another item other bytes', async () => {
  const [one, two] = [
    await renderPdf(sampleCertificate(), CSV),
    await renderPdf(sampleCertificate(), CSV),
  ];
  expect(Buffer.compare(one, two)).toBe(0);
  const other = await renderPdf({ ...sampleCertificate(), serial: 'H12-26-04712' }, CSV);
  expect(Buffer.compare(one, other)).not.toBe(0);
});

test('the place for the seal is one byte range and 16384 zero bytes', async () => {
  const file = Buffer.from(await renderPdf(sampleCertificate(), CSV)).toString('latin1');
  expect(file.split('/ByteRange [0 9999999999 9999999999 9999999999]')).toHaveLength(2);
  expect(file.split(`/Contents <${'00'.repeat(16_384)}>`)).toHaveLength(2);
  expect(file).toContain('/SubFilter /ETSI.CAdES.detached');
  expect(file).toContain('/M (D:20261125140931Z)');
  expect(file).toContain('/SigFlags 3');
  expect(file).not.toContain('NeedAppearances');
});

test('PDF/A-3b, tagged, in English, with the CSV inside as its data', async () => {
  const bytes = await renderPdf(sampleCertificate(), CSV);
  const file = Buffer.from(bytes).toString('latin1');
  const { objects } = readPdf(bytes);
  const all = [...objects.values()];
  expect(file).toContain('<pdfaid:part>3</pdfaid:part>');
  expect(file).toContain('<pdfaid:conformance>B</pdfaid:conformance>');
  expect(file).toContain('/Lang (en)');
  expect(file).toContain('/Marked true');
  expect(file).toContain('/AFRelationship /Data');
  expect(file).toContain('/Subtype /text#2Fcsv');
  expect(all.some((o) => o.endsWith(new TextDecoder().decode(CSV)))).toBe(true);
  for (const role of ['Document', 'H1', 'H2', 'P', 'Table', 'TR', 'TH', 'TD', 'Figure']) {
    expect(all.some((o) => new RegExp(`^<<\\n/S /${role}\\n`).test(o))).toBe(true);
  }
  const figures = all.filter((o) => o.startsWith('<<\n/S /Figure'));
  expect(figures.every((o) => o.includes('/Alt '))).toBe(true);
  expect(file.match(/\/FontFile2 /g)).toHaveLength(3);
});

test('a maker with & and < leaves the metadata readable as XML', async () => {
  const certificate = {
    ...sampleCertificate(),
    maker: { name: 'Helm & <Söhne>', address: 'Tarnwick' },
  };
  const file = Buffer.from(await renderPdf(certificate, CSV)).toString('utf8');
  const metadata = /<\?xpacket begin[\s\S]*?<\?xpacket end/.exec(file)?.[0] ?? '';
  expect(metadata).toContain('Helm &amp; &lt;Söhne&gt;, bench TW-1');
  expect(flowed(readPdf(Buffer.from(await renderPdf(certificate, CSV))))).toContain(
    'Helm & <Söhne>',
  );
});

test('a character the font lacks is refused by name, never drawn as a box', async () => {
  const certificate = { ...sampleCertificate(), operator: 'operator 漢' };
  await expect(renderPdf(certificate, CSV)).rejects.toThrow(
    /has no glyph for U\+6F22 "漢" in "operator 漢/,
  );
  const warned = sampleCertificate();
  const [first, second] = warned.acknowledgements;
  if (second === undefined) throw new Error('the sample has two acknowledgements');
  const texts = new Map(second.warning.texts).set('de', {
    heading: '突然のトルク',
    hazard: '',
    consequence: '',
    avoidance: '',
  });
  const shown = { ...second, warning: { ...second.warning, texts } };
  const text = drawn(await read({ ...warned, acknowledgements: [first, shown] }));
  expect(text).toContain('WARNING: Sudden torque');
  expect(text).not.toContain('shown as');
});

/** Long German text, a hostile serial, 43 results, many gates and instruments. */
function overfull(): Certificate {
  const c = sampleCertificate('reject', true);
  const [first, ...rest] = c.decision.results;
  const long = 'Überschwingweite der geformten Sprungantwort, Wellenseite, Glättungseinstellung 2';
  const gate = c.decision.gates[0];
  if (gate === undefined) throw new Error('the sample has gates');
  return {
    ...c,
    serial: '=1+1-H12-26-04711-VERY-LONG-SERIAL-TEXT-THAT-NEVER-ENDS-0123456789',
    number: 'TW1-2026-004711-WITH-A-LONG-NUMBER',
    maker: {
      name: 'Skarrowmere Helmworks & Söhne Gesellschaft mit beschränkter Haftung, Prüfwesen',
      address: '3 Capstan Yard, Hinterhaus, Aufgang links, Tarnwick-Oberhafenstraße',
    },
    place: 'Endprüfung, Halle 7, Prüfzelle mit Schutzumhausung, Tarnwick',
    limits: {
      ...c.limits,
      title: 'Abnahmespezifikation für Steuerradeinheiten, vollständige Fassung',
    },
    operator: 'Prüferin 17 der Spätschicht, Endprüfung',
    deviations: ['Die Stufe „thermal“ wurde 12 s statt 10 s entlastet. '.repeat(40).trim()],
    equipment: [
      c.equipment[0],
      ...Array.from({ length: 8 }, (_, i) => ({
        ...c.equipment[0],
        id: `TT-204-LANG-${i}`,
        laboratory: 'Kalibrierlaboratorium für mechanische Größen, Außenstelle Nord',
      })),
    ],
    decision: {
      ...c.decision,
      results: [
        { ...first, name: long },
        ...rest,
        ...rest.slice(0, 6).map((r, i) => ({ ...r, name: `${long} ${i}${'M'.repeat(40)}` })),
      ],
      gates: [
        ...c.decision.gates,
        ...Array.from({ length: 60 }, (_, i) => ({
          ...gate,
          name: `Nullpunktrückkehr nach der Prüfung ${i}`,
        })),
      ],
    },
  };
}

const VARIANTS: readonly (readonly [string, Certificate])[] = [
  ['accept', sampleCertificate('accept')],
  ['accept, simulated', sampleCertificate('accept', true)],
  ['reject', sampleCertificate('reject')],
  ['hold', sampleCertificate('hold')],
  ['gate', sampleCertificate('gate')],
  ['overfull', overfull()],
];

/** Two lines overlap when their letters share paper: letters reach 0.76 above and 0.2 below a baseline. */
function overlap(a: Line, b: Line): boolean {
  const top = (l: Line): number => l.y - 0.76 * l.size;
  const bottom = (l: Line): number => l.y + 0.2 * l.size;
  return a.x < b.right - 0.3 && b.x < a.right - 0.3 && top(a) < bottom(b) && top(b) < bottom(a);
}

for (const [name, certificate] of VARIANTS) {
  test(`${name}: no line leaves the page, overlaps another or is smaller than 7.2 points`, async () => {
    const { pages } = await read(certificate);
    for (const { lines } of pages) {
      for (const line of lines) {
        expect(line.size, line.text).toBeGreaterThanOrEqual(7.2);
        expect(line.x, line.text).toBeGreaterThanOrEqual(48 - 0.01);
        expect(line.right, line.text).toBeLessThanOrEqual(547.28 + 0.2);
        expect(line.y, line.text).toBeLessThan(836);
      }
      const found = lines.flatMap((a, i) =>
        lines
          .slice(i + 1)
          .filter((b) => overlap(a, b))
          .map((b) => `"${a.text}" over "${b.text}"`),
      );
      expect(found).toEqual([]);
    }
  });
}

test('a table that goes on repeats its header and its stage on the next page', async () => {
  const { pages } = await read(sampleCertificate());
  const second = pages[1]?.lines.map((l) => l.text) ?? [];
  expect(second.slice(0, 2)).toEqual(['characteristic', 'value']);
  expect(second).toContain('continued');
});

test('a hostile serial is printed as it is, in full', async () => {
  const file = await read(overfull());
  const serial = overfull().serial;
  const pieces = file.pages[0]?.lines.map((l) => l.text) ?? [];
  const at = pieces.indexOf('serial');
  expect(pieces.slice(at + 1, at + 4).join('')).toBe(serial);
});

test('a certificate without figures, gates or values can be issued', async () => {
  const c = sampleCertificate('gate');
  const results = c.decision.results.map((r) => ({
    ...r,
    outcome: { kind: 'not-evaluated', reason: 'not run' } as const,
    expanded: undefined,
    verdict: { outcome: 'not-run' } as const,
  }));
  const [first, ...rest] = results;
  if (first === undefined) throw new Error('the sample has results');
  const text = drawn(
    await read({
      ...c,
      figures: [],
      decision: {
        verdict: { outcome: 'aborted', word: 'HOLD' },
        reason: 'The attempt was broken off: the guard was opened.',
        results: [first, ...rest],
        gates: [],
      },
    }),
  );
  expect(text).toContain('the guard was opened');
  expect(text).toContain('No gate closed.');
  expect(text).toContain('not run');
  expect(text).toContain('No gate was judged.');
});

test('all missing items are refused at once, by name', () => {
  const c = sampleCertificate();
  const broken: Certificate = {
    ...c,
    number: ' ',
    maker: { ...c.maker, address: '' },
    issued: c.ended - 1,
    captureDigest: 'none',
    acknowledgements: [c.acknowledgements[0]],
    equipment: [{ ...c.equipment[0], due: 'soon' }],
    anchor: { entry: NaN, digest: c.anchor.digest },
  };
  const found = ((): unknown => {
    try {
      requireComplete(broken);
    } catch (error) {
      return error;
    }
    return undefined;
  })();
  if (!(found instanceof StallmarkError)) throw new Error('the certificate was accepted');
  expect(found.problems.every((p) => p.code === 'certificate/missing-item')).toBe(true);
  expect(
    found.problems.map((p) => p.what.replace(/^The certificate lacks (.*), or it .*$/, '$1')),
  ).toEqual([
    'the certificate number',
    'the address of the maker',
    'the date of issue',
    'the acknowledgement of the warning "sudden-torque"',
    'the calibration dates of instrument TT-204',
    'the digest of the capture',
    'the ledger entry',
  ]);
});

test('a guarded result without U is a missing item', () => {
  const c = sampleCertificate();
  const [first, ...rest] = c.decision.results;
  const decision = {
    ...c.decision,
    results: [{ ...first, expanded: undefined }, ...rest] as const,
  };
  expect(() => {
    requireComplete({ ...c, decision });
  }).toThrow('the uncertainty of result wake.zero-offset');
});

test('every sample is complete', () => {
  for (const [, certificate] of VARIANTS) requireComplete(certificate);
  expect(sampleCertificate().decision.results).toHaveLength(37);
});

const gate = sampleCertificate().decision.gates[0];
const GATES = [
  { sense: 'at-most', observed: 3.1, allowed: 15, holds: true, want: '≤ 15 mN·m' },
  { sense: 'at-most', observed: -20, allowed: 15, holds: false, want: '≤ 15 mN·m' },
  { sense: 'at-least', observed: 20, allowed: 15, holds: true, want: '≥ 15 mN·m' },
  { sense: 'at-least', observed: 12, allowed: 15, holds: false, want: '≥ 15 mN·m' },
  { sense: 'at-most', observed: 0, allowed: 0, holds: true, want: '≤ 0 mN·m' },
] as const;

for (const { sense, observed, allowed, holds, want } of GATES) {
  test(`a gate at ${observed} of ${allowed} that ${holds ? 'holds' : 'does not hold'} allows ${want}`, () => {
    if (gate === undefined) throw new Error('the sample has gates');
    const groups = gateGroups([{ ...gate, sense, observed, allowed, holds, unit: 'mN·m' }]);
    expect(groups.map((g) => g.allowed)).toEqual([want]);
    expect(groups.map((g) => g.closed.length)).toEqual([holds ? 0 : 1]);
  });
}

test('gates of one name with an allowance for each stage say which is which', () => {
  if (gate === undefined) throw new Error('the sample has gates');
  const at = (scope: string, allowed: number) => ({ ...gate, scope, observed: 50.5, allowed });
  const stated = { name: 'clock rate', unit: 'ppm', blames: 'stand', holds: true } as const;
  const group = [at('wake', 700), at('steps', 450), at('peak', 450)].map((g) => ({
    ...g,
    ...stated,
  }));
  const [only, ...others] = gateGroups(group);
  expect(others).toEqual([]);
  expect(only?.found).toBe('50.5 ppm of 700 ppm (wake); 50.5 ppm of 450 ppm (steps, peak)');
  expect(only?.allowed).toBe('≤ as stated');
});

test('where many stages differ and all hold, the one nearest to its limit is told', () => {
  if (gate === undefined) throw new Error('the sample has gates');
  const stages = ['wake', 'steps', 'peak', 'field', 'close'].map((scope, i) => ({
    ...gate,
    ...({ name: 'clock rate', unit: 'ppm', blames: 'stand', holds: true } as const),
    ...{ scope, observed: 50, allowed: 100 * (i + 1), margin: 1 - 50 / (100 * (i + 1)) },
  }));
  expect(gateGroups(stages)[0]?.found).toBe('50 ppm of 100 ppm (wake, nearest of 5 stages)');
  const closed = stages.map((one, i) => (i === 2 ? { ...one, holds: false, margin: -1 } : one));
  expect(gateGroups(closed)[0]?.found).toContain('50 ppm of 300 ppm (peak)');
});

const FINDINGS = [
  { observed: 1.1e-12, allowed: 2, holds: true, unit: 'ms', want: '0 ms' },
  { observed: 0.0004, allowed: 2, holds: true, unit: 'ms', want: '0.0004 ms' },
  { observed: 0.00312, allowed: 0.015, holds: true, unit: 'N·m', want: '3.12 mN·m' },
  { observed: -2.5, allowed: 15, holds: true, unit: 'mN·m', want: '−2.5 mN·m' },
  { observed: 1e-9, allowed: 1, holds: false, unit: 'ms', want: '1e-9 ms' },
  { observed: 3, allowed: 0, holds: false, unit: 'samples', want: '3 samples' },
  { observed: NaN, allowed: 0, holds: false, unit: 'samples', want: 'none' },
];

for (const { want, ...found } of FINDINGS) {
  test(`a finding of ${found.observed} ${found.unit} at a gate that allows ${found.allowed} reads ${want}`, () => {
    if (gate === undefined) throw new Error('the sample has gates');
    expect(gateWords({ ...gate, ...found }).found).toBe(want);
  });
}

test('of two rows outside, the worse one comes first and lends its figure', async () => {
  const c = sampleCertificate('reject');
  const results = c.decision.results.map((r) =>
    r.limit.characteristic === 'rise-time' && r.limit.stage === 'steps-2'
      ? {
          ...r,
          outcome: { ...r.outcome, kind: 'measured', value: 0.0032 } as const,
          verdict: { outcome: 'nonconforming' } as const,
        }
      : r,
  );
  const [first, ...rest] = results;
  if (first === undefined) throw new Error('the sample has results');
  const text = drawn(await read({ ...c, decision: { ...c.decision, results: [first, ...rest] } }));
  const order = ['What was found', 'Full step', 'Outside: slew rate', 'Outside: rise time 3 N·m'];
  const places = order.map((part) => text.indexOf(part));
  expect(places).not.toContain(-1);
  expect(places).toEqual([...places].sort((a, b) => a - b));
});

/** The accepted sample with its first rows decided otherwise. */
function withRows(
  verdict: ItemVerdict,
  changes: readonly (Pick<Result, 'verdict'> & { readonly rule: DecisionRule })[],
): Certificate {
  const c = sampleCertificate();
  const results = c.decision.results.map((r, i) => {
    const change = changes[i];
    if (change === undefined) return r;
    return { ...r, verdict: change.verdict, limit: { ...r.limit, rule: change.rule } };
  });
  const [first, ...rest] = results;
  if (first === undefined) throw new Error('the sample has results');
  const told = { results: [first, ...rest] as const, gates: c.decision.gates };
  const reason = reasonSentence(told, c.limits);
  return { ...c, decision: { ...c.decision, ...told, verdict, reason } };
}

test('an item accepted on condition says so in words, with its rows and its rule', async () => {
  const c = withRows({ outcome: 'conditional', side: 'inside', word: 'ACCEPT' }, [
    { rule: 'four-way', verdict: { outcome: 'conditional', side: 'inside' } },
  ]);
  const text = drawn(await read(c));
  expect(text).toContain(
    'The item conforms to AS-H12 issue 7; 1 of 37 characteristics only conditionally.',
  );
  expect(text).toContain('1 characteristic only conditionally: ');
  expect(text).toContain('rows marked F by four-way statement, w = U');
  expect(text).toContain('inside, on');
});

test('an item held on condition is told by the rows that are outside, not by those inside', async () => {
  const c = withRows({ outcome: 'conditional', side: 'outside', word: 'HOLD' }, [
    { rule: 'four-way', verdict: { outcome: 'conditional', side: 'outside' } },
    { rule: 'four-way', verdict: { outcome: 'conditional', side: 'inside' } },
  ]);
  const text = drawn(await read(c));
  const [outside, inside] = c.decision.results;
  expect(text).toContain('On condition the item does not conform to AS-H12 issue 7: 1 of 37');
  expect(text).toContain(`On condition, outside: ${outside.name}`);
  expect(text).not.toContain(`On condition, outside: ${inside?.name ?? ''}`);
});

test('a fault of the item stands in place of rows, with the evidence', async () => {
  const c = sampleCertificate('reject');
  const itemFault = { what: 'The device reports fault 14.', evidence: 'The supply was kept.' };
  const reason = `The item itself is at fault: ${itemFault.what} ${itemFault.evidence}`;
  const text = drawn(await read({ ...c, decision: { ...c.decision, itemFault, reason } }));
  expect(text).toContain(
    'The item does not conform to AS-H12 issue 7: a fault of its own kept it from being measured.',
  );
  expect(text).toContain('Fault of the item: The device reports fault 14.');
  expect(text).toContain('The supply was kept.');
  expect(text).toContain('Blamed on the item: no gate of stand, link or operator closed.');
  expect(text).not.toContain('Outside: slew rate');
});
