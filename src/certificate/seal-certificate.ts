import type { X509Certificate } from 'node:crypto';

/** What a seal may close: records of real items, or records of the simulated bench. */
export const PURPOSES = ['bench', 'simulation'] as const;
export type Purpose = (typeof PURPOSES)[number];

/** What a certificate is for: a seal or its root, or the signature of a person. Never both. */
export type CertificateUse = Purpose | 'person';

/** Organizational unit in the certificate of a person's key; seals have another, roots none. */
export const PERSON_UNIT = 'person';

/** First word of the common name of everything that belongs to the simulation, root and seal. */
export const SIMULATED_NAME = 'SIMULATED';

/** Reads one attribute of the subject, e.g. CN; empty when it is absent or stands more than once. */
export function subjectPart(
  certificate: X509Certificate,
  attribute: 'CN' | 'O' | 'OU' | 'serialNumber',
): string {
  const parts = certificate.subject.split('\n').filter((line) => line.startsWith(`${attribute}=`));
  const written = parts.length === 1 ? (parts[0]?.slice(attribute.length + 1) ?? '') : '';
  return written.replace(/\\(.)/gu, '$1'); // node writes a backslash before commas, quotes and the like
}

/** What the certificate of a seal, a person or a root is for: its own subject says so. */
export function purposeOf(certificate: X509Certificate): CertificateUse {
  if (subjectPart(certificate, 'OU') === PERSON_UNIT) return 'person';
  return subjectPart(certificate, 'CN').startsWith(SIMULATED_NAME) ? 'simulation' : 'bench';
}

/** First and last instant at which a certificate may seal, ms since the Unix epoch, both included. */
export function validity(certificate: X509Certificate): {
  readonly from: number;
  readonly until: number;
} {
  return { from: Date.parse(certificate.validFrom), until: Date.parse(certificate.validTo) };
}
