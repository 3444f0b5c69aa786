import type { X509Certificate } from 'node:crypto';

/** What a seal may close: records of real items, or records of the simulated bench. */
export const PURPOSES = ['bench', 'simulation'] as const;
export type Purpose = (typeof PURPOSES)[number];

/** First word of the common name of everything that belongs to the simulation, root and seal. */
export const SIMULATED_NAME = 'SIMULATED';

/** Reads one attribute of the subject, e.g. CN; empty when it is absent or stands more than once. */
export function subjectPart(certificate: X509Certificate, attribute: 'CN' | 'O'): string {
  const parts = certificate.subject.split('\n').filter((line) => line.startsWith(`${attribute}=`));
  return parts.length === 1 ? (parts[0]?.slice(attribute.length + 1) ?? '') : '';
}

/** What the certificate of a seal or of a root is for: its own subject says so. */
export function purposeOf(certificate: X509Certificate): Purpose {
  return subjectPart(certificate, 'CN').startsWith(SIMULATED_NAME) ? 'simulation' : 'bench';
}

/** First and last instant at which a certificate may seal, ms since the Unix epoch, both included. */
export function validity(certificate: X509Certificate): {
  readonly from: number;
  readonly until: number;
} {
  return { from: Date.parse(certificate.validFrom), until: Date.parse(certificate.validTo) };
}
