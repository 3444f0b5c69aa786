import { beforeAll, expect, test } from 'vitest';
import { StallmarkError } from '../../src/base/error.js';
import { certificateCsv } from '../../src/certificate/csv.js';
import { readSeal } from '../../src/certificate/cms.js';
import type { Seal } from '../../src/certificate/keys.js';
import { readSignature, SIGNATURE_BYTES } from '../../src/certificate/pdf-signature.js';
import { certificateFor, sealCsv, sealPdf, sealRecord } from '../../src/certificate/sign.js';
import { blankPdf, sampleCertificate, simulatedCertificate } from '../support/record.js';
import { sealed, sharedSeal } from '../support/sealed-record.js';

const real = sampleCertificate();
const simulated = simulatedCertificate();
let bench: Seal<'bench'>;
let simulation: Seal<'simulation'>;

beforeAll(async () => {
  bench = await sharedSeal('bench');
  simulation = await sharedSeal('simulation');
});

async function refusal(work: () => unknown): Promise<{ code: string; what: string }> {
  try {
    await work();
  } catch (error) {
    if (error instanceof StallmarkError) return error.problems[0];
    throw error;
  }
  throw new Error('nothing was refused');
}

test('the seal of a table says when, by whom and of which record', async () => {
  const { csvSeal } = await sealed(real, bench);
  const seal = await readSeal(csvSeal);
  expect(seal).toMatchObject({
    hash: 'sha256',
    signingTime: Date.parse('2026-11-25T14:09:30Z'),
    hint: 'TW1-2026-004711 rev 0',
  });
  expect(typeof seal === 'string' ? '' : seal.signer?.subject).toContain('CN=TW-1');
});

test('the seal of a page has no time of its own and changes nothing but its place', async () => {
  const blank = await blankPdf(real, certificateCsv(real));
  const pdf = await sealPdf(blank, bench, real.issued);
  expect(pdf).toHaveLength(blank.length);
  const differing = blank.filter((byte, i) => byte !== pdf[i]).length;
  expect(differing).toBeLessThan(2 * SIGNATURE_BYTES);
  const signature = readSignature(pdf);
  if ('damage' in signature) throw new Error(signature.sentence);
  expect(signature.at).toBe(Date.parse('2026-11-25T14:09:30Z'));
  expect(await readSeal(signature.der)).toMatchObject({ signingTime: undefined, hint: undefined });
});

test('a seal of the other purpose is refused at run time, for the certificate and for bare bytes', async () => {
  const pairs = [
    { certificate: simulated, seal: bench },
    { certificate: real, seal: simulation },
  ];
  for (const { certificate, seal } of pairs) {
    const csv = certificateCsv(certificate);
    const pdf = await blankPdf(certificate, csv);
    const found = [
      await refusal(() => certificateFor<'bench' | 'simulation'>(certificate, seal as never)),
      await refusal(() => sealCsv(csv, seal as never, certificate.issued)),
      await refusal(() => sealPdf(pdf, seal as never, certificate.issued)),
    ];
    expect(found.map(({ code }) => code)).toEqual(['keys/purpose', 'keys/purpose', 'keys/purpose']);
  }
});

test('a seal of the other purpose does not compile', async () => {
  const csv = certificateCsv(simulated);
  const record = { certificate: { ...simulated, simulated: true as const }, csv, pdf: csv };
  // @ts-expect-error -- a simulated record and a bench seal
  expect((await refusal(() => sealRecord(record, bench, 0))).code).toBe('keys/purpose');
  const wrong = { certificate: { ...real, simulated: false as const }, csv, pdf: csv };
  // @ts-expect-error -- a real record and the simulation seal
  expect((await refusal(() => sealRecord(wrong, simulation, 0))).code).toBe('keys/purpose');
  const unseen = { ...wrong, certificate: simulated };
  // @ts-expect-error -- nobody has looked whether it is simulated
  expect((await refusal(() => sealRecord(unseen, bench, 0))).code).toBe('keys/purpose');
});

test('files of another record than the certificate are refused', async () => {
  const other = sampleCertificate({ number: 'TW1-2026-004712' });
  const csv = certificateCsv(other);
  const pdf = await blankPdf(other, csv);
  const certificate = certificateFor(real, bench);
  const mixed = await refusal(() => sealRecord({ certificate, csv, pdf }, bench, real.issued));
  expect(mixed.what).toContain('TW1-2026-004712 rev 0');
  const ofReal = { certificate, csv: certificateCsv(real), pdf };
  expect((await refusal(() => sealRecord(ofReal, bench, real.issued))).what).toContain('inside');
});

test('what is no certificate is not sealed', async () => {
  const csv = certificateCsv(real);
  const seal = (bytes: Uint8Array): Promise<unknown> => sealCsv(bytes, bench, real.issued);
  expect((await refusal(() => seal(csv.subarray(0, -2)))).what).toContain('breaks off');
  const page = async (pdf: Uint8Array): Promise<string> =>
    (await refusal(() => sealPdf(pdf, bench, real.issued))).what;
  expect(await page(csv)).toContain('no cross-reference table');
  expect(await page(await blankPdf(real, csv, { attach: 'nothing' }))).toContain(
    '0 embedded files',
  );
  const twice = await sealPdf(await blankPdf(real, csv), bench, real.issued);
  expect(await page(twice)).toContain('not exactly one place for a signature');
});

test('a seal that expired, or was not opened here, seals nothing', async () => {
  const csv = certificateCsv(real);
  expect((await refusal(() => sealCsv(csv, bench, bench.until + 1))).code).toBe('keys/expired');
  const copied = { ...bench } as Seal<'bench'>;
  expect((await refusal(() => sealCsv(csv, copied, real.issued))).what).toContain('openSeal');
});
