import PDFDocument from 'pdfkit';
import { sha256 } from '../../src/base/canonical.js';
import {
  celsius,
  second,
  torquePerAmpere,
  torquePerSecond,
  unitOf,
  volt,
  type Quantity,
} from '../../src/base/units.js';
import { SIMULATED_MARK, type Certificate } from '../../src/certificate/certificate.js';
import { titleOf } from '../../src/certificate/words.js';
import type { Result } from '../../src/decision/decision.js';
import type { Limit } from '../../src/procedure/limits.js';
import type { Approval, Model, Warning } from '../../src/procedure/procedure.js';
import { gateAs, standModel } from './stand.js';

const ISSUED = Date.parse('2026-11-25T14:09:30.250Z');
const approval: Approval = {
  by: 'Q. Engineer',
  role: 'quality engineer',
  on: '2026-11-02',
  digest: sha256('approved'),
};

/** What the capture of a sample record holds; the certificate carries its digest. */
export const SAMPLE_CAPTURE = new TextEncoder().encode('PAR1 samples PAR1');

const model: Model = {
  code: 'H12',
  name: 'H12 console helm',
  gtin: '09520123401207',
  revision: 'C3',
  serial: '^H12-\\d{2}-\\d{5}$',
  torqueConstant: torquePerAmpere(0.6),
  resistance: 0.35 as Quantity<'Ω'>,
  continuousLoss: 52,
  slew: torquePerSecond(6000),
  firmware: ['4.2.0'],
};

const warning = (hazard: Warning['hazard'], sign: Warning['sign']): Warning => ({
  hazard,
  signal: 'WARNING',
  sign,
  issue: 2,
  texts: new Map([
    [
      'en',
      {
        heading: hazard === 'crushing' ? 'Crushing of hands' : 'Sudden torque',
        hazard: 'The wheel can turn suddenly, with up to 12 N·m.',
        consequence: 'Fingers between wheel, clamp and guard can be crushed.',
        avoidance: 'Keep hands clear; close the guard.',
      },
    ],
  ]),
});

const acknowledged = (hazard: Warning['hazard'], sign: Warning['sign'], serial: string) => ({
  hazard,
  warning: warning(hazard, sign),
  by: 'O. Operator',
  at: ISSUED - 260_000,
  serial,
  attempt: 1,
  language: 'en',
  textIssue: 2,
  means: 'held button' as const,
});

function result(
  key: string,
  label: string,
  limit: Pick<Limit, 'tolerance' | 'rule'> & { readonly unit: string },
  found: Pick<Result, 'outcome' | 'expanded' | 'verdict' | 'side'>,
): Result {
  const [stage = '', characteristic = ''] = key.split('.');
  const where = { file: 'limits/h12.yaml', line: 1, column: 1 };
  const unit = unitOf(limit.unit);
  return {
    limit: { stage, characteristic, label, where, ...limit, unit },
    name: label,
    ...found,
  };
}

export const SAMPLE_RESULTS: Certificate['decision']['results'] = [
  result(
    'steps-2.rise-time',
    'rise time 3 N·m, smoothing 2',
    { tolerance: { kind: 'between', lower: 0.0023, upper: 0.0031 }, rule: 'guarded', unit: 'ms' },
    {
      side: 'motor',
      outcome: { kind: 'measured', value: 0.002712345678901234, spread: 0.00001, repeats: 10 },
      expanded: 0.00006,
      verdict: { outcome: 'conforming' },
    },
  ),
  result(
    'static.symmetry',
    'symmetry',
    { tolerance: { kind: 'between', lower: -0.01, upper: 0.01 }, rule: 'guarded', unit: '%' },
    {
      side: 'shaft',
      outcome: { kind: 'measured', value: -0.0035 },
      expanded: 0.003,
      verdict: { outcome: 'conforming' },
    },
  ),
  result(
    'link.missing',
    'missing updates',
    { tolerance: { kind: 'at-most', upper: 0 }, rule: 'simple', unit: 'count' },
    {
      side: 'link',
      outcome: { kind: 'measured', value: 0 },
      expanded: undefined,
      verdict: { outcome: 'conforming' },
    },
  ),
];

/** A complete certificate of an invented item; `changes` replace whole members. */
export function sampleCertificate(changes: Partial<Certificate> = {}): Certificate {
  const serial = changes.serial ?? 'H12-26-04711';
  const document = { issue: 3, date: '2026-09-14', digest: sha256('document'), approval };
  return {
    number: 'TW1-2026-004711',
    revision: 0,
    simulated: false,
    maker: { name: 'Skarrowmere Helmworks', address: '1 Slipway, Tarnwick' },
    bench: 'TW-1',
    place: 'Tarnwick, line 2',
    nest: 1,
    serial,
    model,
    item: { model: 'H12', serial, firmware: '4.2.0', firmwareDigest: sha256('firmware') },
    attempt: 1,
    attemptsAllowed: 3,
    procedure: { id: 'h12-acceptance', title: 'H12 acceptance', ...document },
    limits: { id: 'AS-H12', title: 'Acceptance specification H12', ...document, issue: 7 },
    benchDigest: sha256('bench'),
    started: ISSUED - 250_000,
    ended: ISSUED - 10_000,
    issued: ISSUED,
    environment: { ambient: celsius(22.8), humidity: 0.41, supply: volt(48.1) },
    decision: {
      verdict: { outcome: 'conforming', word: 'ACCEPT' },
      reason: 'Every characteristic conforms.',
      results: SAMPLE_RESULTS,
      gates: [
        gateAs({
          name: 'converter clip',
          scope: 'run',
          holds: true,
          observed: 0,
          allowed: 0,
          unit: 'count',
          blames: 'stand',
          evidence: '0 samples at the end of the range.',
        }),
        gateAs({
          name: 'zero return',
          scope: 'close',
          holds: true,
          observed: -3.1,
          allowed: 15,
          unit: 'mN·m',
          blames: 'stand',
          evidence: 'The zero moved by -3.1 mN·m; 15 mN·m are allowed.',
        }),
      ],
    },
    acknowledgements: [
      acknowledged('crushing', 'W024', serial),
      acknowledged('sudden-torque', 'W001', serial),
    ],
    operator: 'O. Operator',
    operatorIdentity: 'identity stated, not checked',
    equipment: [
      {
        id: 'TT-07',
        what: 'torque transducer',
        serial: '20-88317',
        quantity: 'torque',
        range: '±20 N·m',
        certificate: 'K-2026-118',
        laboratory: 'Ostermoor Calibration',
        calibrated: '2026-03-02',
        due: '2027-03-02',
        uncertainty: '0.15 %',
        correction: 'none',
      },
    ],
    stand: standModel({ version: 4, torqueDelay: second(0.00114), currentDelay: second(0.0008) }),
    timing: { method: 'command', uncertainty: second(0.00002) },
    torqueConstant: { value: 0.6012, origin: 'measured' },
    deviations: [],
    figures: [],
    captureDigest: sha256(SAMPLE_CAPTURE),
    software: { version: '0.1.0', scoring: '1' },
    anchor: { entry: 12, digest: sha256('entry 11') },
    ...changes,
  };
}

/** The same item on the simulated bench. */
export const simulatedCertificate = (changes: Partial<Certificate> = {}): Certificate =>
  sampleCertificate({ number: 'SIM-2026-000001', simulated: true, ...changes });

/** Options of `blankPdf` that make it wrong. */
export interface BlankOptions {
  readonly attach?: Uint8Array | 'nothing';
  readonly title?: string;
}

/**
 * A one-page PDF with the placeholder and the embedded table that a certificate page has, and nothing
 * else of it: quick to make, and wrong on request.
 */
export async function blankPdf(
  certificate: Certificate,
  csv: Uint8Array,
  options: BlankOptions = {},
): Promise<Uint8Array> {
  const date = new Date(certificate.issued);
  const doc = new PDFDocument({
    pdfVersion: '1.7',
    info: {
      Title: options.title ?? titleFor(certificate),
      Subject: `Item ${certificate.serial}, AS-H12 issue 7`,
      CreationDate: date,
      ModDate: date,
    },
  });
  doc.text(certificate.number);
  if (options.attach !== 'nothing') {
    const name = 'certificate.csv';
    doc.file(Buffer.from(options.attach ?? csv), { name, creationDate: date, modifiedDate: date });
  }
  addPlaceholder(doc, date);
  const chunks: Buffer[] = [];
  return new Promise((resolve, reject) => {
    doc.on('data', (chunk: Buffer) => chunks.push(chunk));
    doc.on('end', () => {
      resolve(new Uint8Array(Buffer.concat(chunks)));
    });
    doc.on('error', reject);
    doc.end();
  });
}

const titleFor = (c: Certificate): string =>
  `${c.simulated ? `${SIMULATED_MARK}: ` : ''}${titleOf(c)} ${c.number} revision ${String(c.revision)}`;

/** The parts of pdfkit that its type declarations leave out. */
interface Inside {
  readonly page: { readonly dictionary: unknown; readonly annotations: unknown[] };
  readonly _root: { readonly data: Record<string, unknown> };
  _acroform: unknown;
  ref(data: Record<string, unknown>): { end(): void };
}

function addPlaceholder(document: PDFKit.PDFDocument, date: Date): void {
  const doc = document as unknown as Inside;
  const signature = doc.ref({
    Type: 'Sig',
    Filter: 'Adobe.PPKLite',
    SubFilter: 'ETSI.CAdES.detached',
    ByteRange: [0, 9999999999, 9999999999, 9999999999],
    Contents: Buffer.alloc(16_384),
    M: date,
  });
  const widget = doc.ref({
    Type: 'Annot',
    Subtype: 'Widget',
    FT: 'Sig',
    T: new String('Seal'),
    V: signature,
    F: 132,
    Rect: [0, 0, 0, 0],
    P: doc.page.dictionary,
  });
  doc.page.annotations.push(widget);
  doc._acroform = { fonts: {}, defaultFont: 'none' };
  doc._root.data['AcroForm'] = doc.ref({ SigFlags: 3, Fields: [widget], DR: { Font: {} } });
  signature.end();
  widget.end();
}
