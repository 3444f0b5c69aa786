import { sha256 } from '../../src/base/canonical.js';
import { mkdirSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import type { Certificate } from '../../src/certificate/certificate.js';
import { certificateCsv } from '../../src/certificate/csv.js';
import { openSeal, type Seal } from '../../src/certificate/keys.js';
import type { Purpose } from '../../src/certificate/seal-certificate.js';
import { certificateFor, sealRecord, type SealedRecord } from '../../src/certificate/sign.js';
import { RECORD_FILES } from '../../src/certificate/verify.js';
import { KEYS_MADE, madeKeys, PASSPHRASES } from './keys.js';
import { blankPdf, SAMPLE_CAPTURE, type BlankOptions } from './record.js';

/** The opened seal for a purpose, of the shared key folder. */
export async function sharedSeal<P extends Purpose>(purpose: P): Promise<Seal<P>> {
  const passphrase = purpose === 'bench' ? PASSPHRASES.seal : undefined;
  return openSeal(await madeKeys(), purpose, passphrase, KEYS_MADE);
}

/** Seals a certificate with a plain page. */
export async function sealed<P extends Purpose>(
  certificate: Certificate,
  seal: Seal<P>,
  options: BlankOptions = {},
): Promise<SealedRecord> {
  const csv = certificateCsv(certificate);
  const pdf = await blankPdf(certificate, csv, options);
  const record = { certificate: certificateFor(certificate, seal), csv, pdf };
  return sealRecord(record, seal, certificate.issued);
}

export type RecordFiles = Record<string, Uint8Array>;

/** The files of a record by name. */
export function filesOf({ csv, csvSeal, pdf }: SealedRecord): RecordFiles {
  return {
    [RECORD_FILES.capture]: SAMPLE_CAPTURE,
    [RECORD_FILES.table]: csv,
    [RECORD_FILES.seal]: csvSeal,
    [RECORD_FILES.page]: pdf,
    [RECORD_FILES.log]: new TextEncoder().encode('{"msg":"sealed"}\n'),
  };
}

/** Writes files into a folder that is made when it is not there. */
export function writeFiles(folder: string, files: RecordFiles): string {
  mkdirSync(folder, { recursive: true });
  for (const [name, bytes] of Object.entries(files)) writeFileSync(join(folder, name), bytes);
  return folder;
}

/** SHA-256 of each file. */
export const digestsOf = (files: RecordFiles): Readonly<Record<string, string>> =>
  Object.fromEntries(Object.entries(files).map(([name, bytes]) => [name, sha256(bytes)]));
