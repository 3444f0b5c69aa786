import { isoInstant } from '../base/clock.js';
import { StallmarkError } from '../base/error.js';
import type { Certificate } from './certificate.js';
import { detachedCms } from './cms-making.js';
import { readCertificateCsv, type CertificateTable } from './csv-table.js';
import { isOpenSeal, type Seal } from './keys.js';
import { findPlaceholder, readContents, SIGNATURE_BYTES } from './pdf-signature.js';
import type { Purpose } from './seal-certificate.js';

/** A certificate that a seal of purpose P may close: simulated or real, never either. */
export type SealedBy<P extends Purpose> = Certificate & {
  readonly simulated: P extends 'simulation' ? true : false;
};

/**
 * Narrows a certificate to what a seal may close.
 *
 * @throws keys/purpose when a simulated certificate meets a bench seal or a real one the simulation's.
 */
export function certificateFor<P extends Purpose>(
  certificate: Certificate,
  seal: Seal<P>,
): SealedBy<P> {
  refusePurpose(certificate.number, certificate.simulated, seal);
  return certificate as SealedBy<P>;
}

/** Loads what sealing needs, so that nobody waits for it after the last sample. */
export async function prepareSealing(): Promise<void> {
  await Promise.all([import('pkijs'), import('asn1js')]);
}

/** The files of one record that are sealed. */
export interface UnsealedRecord<P extends Purpose> {
  readonly certificate: SealedBy<P>;
  readonly csv: Uint8Array;
  /** Carries the same table as an embedded file, and a placeholder for the signature. */
  readonly pdf: Uint8Array;
}

export interface SealedRecord {
  readonly csv: Uint8Array;
  /** Detached CMS over the bytes of `csv`, DER. */
  readonly csvSeal: Uint8Array;
  readonly pdf: Uint8Array;
}

/**
 * Seals both files of a record.
 *
 * @param at - ms since the Unix epoch.
 * @throws keys/purpose when the seal is not for this record, when the files are of another record
 * than the certificate, or when the seal was not opened here; keys/expired.
 */
export async function sealRecord<P extends Purpose>(
  record: UnsealedRecord<P>,
  seal: Seal<P>,
  at: number,
): Promise<SealedRecord> {
  const { certificate, csv } = record;
  const table = tableIn(csv);
  if (
    table.number !== certificate.number ||
    table.revision !== certificate.revision ||
    table.simulated !== certificate.simulated
  ) {
    throw refusal(
      `The table is of record ${nameOf(table)}, the certificate of ${nameOf(certificate)}.`,
    );
  }
  if (Buffer.compare(embeddedTable(record.pdf), csv) !== 0) {
    throw refusal('The table inside the page is not the one beside it.');
  }
  const csvSeal = await sealCsv(csv, seal, at);
  const pdf = await sealPdf(record.pdf, seal, at);
  return { csv, csvSeal, pdf };
}

/**
 * Seals a certificate table with a detached CMS signature over its exact bytes. The bytes themselves
 * say whether the record is simulated, and that decides which seal may close them.
 *
 * @returns CMS SignedData, DER, with the certificates of seal and root.
 * @throws keys/purpose when the bytes are no table or the seal is for other records; keys/expired.
 *
 * Source: RFC 5652; RFC 5035 (signing-certificate-v2); RFC 2634, 2.9 (content hints).
 */
export async function sealCsv<P extends Purpose>(
  bytes: Uint8Array,
  seal: Seal<P>,
  at: number,
): Promise<Uint8Array> {
  const table = tableIn(bytes);
  refusePurpose(nameOf(table), table.simulated, seal);
  refuseExpired(seal, at);
  return detachedCms([bytes], seal, { at, hint: nameOf(table) });
}

/**
 * Seals a PDF over the whole file: fills the placeholder and changes nothing else. The table embedded
 * in it decides which seal may close it. The time of signing is the one the PDF carries.
 *
 * @returns The sealed PDF, of the same length.
 * @throws keys/purpose when no one table is embedded, when there is no placeholder or the seal is for
 * other records; keys/expired.
 *
 * Source: ETSI EN 319 142-1, baseline signatures (from memory): no signing-time attribute.
 */
export async function sealPdf<P extends Purpose>(
  unsigned: Uint8Array,
  seal: Seal<P>,
  at: number,
): Promise<Uint8Array> {
  const table = tableIn(embeddedTable(unsigned));
  refusePurpose(nameOf(table), table.simulated, seal);
  refuseExpired(seal, at);
  const place = findPlaceholder(unsigned);
  if (place === undefined) throw refusal('The PDF has not exactly one place for a signature.');
  const pdf = Buffer.from(unsigned);
  const range = `/ByteRange [0 ${String(place.from)} ${String(place.to)} ${String(pdf.length - place.to)}]`;
  pdf.write(range.padEnd(place.range.length), place.range.at, 'latin1');
  const covered = [pdf.subarray(0, place.from), pdf.subarray(place.to)];
  const der = await detachedCms(covered, seal, undefined);
  if (der.length > SIGNATURE_BYTES) throw new Error(`signature of ${String(der.length)} bytes`);
  pdf.write(Buffer.from(der).toString('hex'), place.from + 1, 'latin1');
  return new Uint8Array(pdf);
}

/** The number under which a seal names what it closes. */
const nameOf = (record: { readonly number: string; readonly revision: number }): string =>
  `${record.number} rev ${String(record.revision)}`;

function tableIn(bytes: Uint8Array): CertificateTable {
  const table = readCertificateCsv(bytes);
  if ('damage' in table) throw refusal(`What is to be sealed is no certificate. ${table.sentence}`);
  return table;
}

function embeddedTable(pdf: Uint8Array): Uint8Array {
  const contents = readContents(pdf);
  if ('damage' in contents) throw refusal(contents.sentence);
  const [table, ...others] = contents.attachments;
  if (table !== undefined && others.length === 0) return table;
  throw refusal(`The PDF carries ${String(contents.attachments.length)} embedded files, not one.`);
}

function refusePurpose(
  record: string,
  simulated: boolean,
  seal: { readonly purpose: Purpose },
): void {
  if (!isOpenSeal(seal)) throw refusal('The seal was not opened with openSeal.');
  const wanted: Purpose = simulated ? 'simulation' : 'bench';
  if (seal.purpose === wanted) return;
  throw refusal(
    `Record ${record} is ${simulated ? 'simulated' : 'of a real item'}, but the seal is for ${seal.purpose} records.`,
  );
}

function refusal(what: string): StallmarkError {
  const fix = 'Issue simulated records with the simulation seal and real ones with the bench seal.';
  return new StallmarkError([{ code: 'keys/purpose', what, fix }]);
}

function refuseExpired<P extends Purpose>(seal: Seal<P>, at: number): void {
  if (at <= seal.until) return;
  const what = `The seal may be used until ${isoInstant(seal.until)}; it is ${isoInstant(at)}.`;
  const fix = 'Retire the seal and issue another.';
  throw new StallmarkError([{ code: 'keys/expired', what, fix }]);
}
