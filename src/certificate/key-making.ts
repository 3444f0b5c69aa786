import { webcrypto, type KeyObject, type X509Certificate } from 'node:crypto';
import { PERSON_UNIT } from './seal-certificate.js';

/** Passphrase guesses cost this many rounds of HMAC-SHA-256 each; about 0.1 s to open a key. */
const KEY_ITERATIONS = 600_000;
const YEAR = 365 * 86_400_000; // ms
const ROOT_YEARS = 20;
const SEAL_YEARS = 2;
const PERSON_YEARS = 2;
const CURVE = { name: 'ECDSA', namedCurve: 'P-256' } as const;

/** A key that was made a moment ago, and its certificate as PEM. */
export interface NewPair {
  readonly key: webcrypto.CryptoKey;
  readonly certificate: string;
}

/** A key that was read and opened, and its certificate. */
export interface Pair {
  readonly key: KeyObject;
  readonly certificate: X509Certificate;
}

export interface SealOwner {
  readonly maker: string;
  /** Common name: the bench, or the mark of the simulation. */
  readonly name: string;
}

/** Makes a self-signed root that may issue seals and nothing below them. */
export async function newRoot(maker: string, name: string, now: number): Promise<NewPair> {
  const x509 = await loadX509();
  const keys = await webcrypto.subtle.generateKey(CURVE, true, ['sign', 'verify']);
  const certificate = await x509.X509CertificateGenerator.createSelfSigned({
    serialNumber: serialNumber(),
    name: [{ O: [maker] }, { CN: [name] }],
    ...lifetime(now, ROOT_YEARS),
    signingAlgorithm: { ...CURVE, hash: 'SHA-256' },
    keys,
    extensions: [
      new x509.BasicConstraintsExtension(true, 0, true),
      new x509.KeyUsagesExtension(
        x509.KeyUsageFlags.keyCertSign | x509.KeyUsageFlags.cRLSign,
        true,
      ),
      await x509.SubjectKeyIdentifierExtension.create(keys.publicKey),
    ],
  });
  return { key: keys.privateKey, certificate: `${certificate.toString('pem').trim()}\n` };
}

/** Makes a seal under a root. */
export async function newSeal(root: Pair, owner: SealOwner, now: number): Promise<NewPair> {
  const subject = [{ O: [owner.maker] }, { OU: ['Bench seal'] }, { CN: [owner.name] }];
  return issued(root, subject, lifetime(now, SEAL_YEARS));
}

export interface PersonOwner {
  readonly maker: string;
  /** Common name, as printed. */
  readonly name: string;
  /** Id in the register of people. */
  readonly id: string;
}

/** Makes the key of a person under the plant root; its subject keeps it from being a seal. */
export async function newPersonKey(root: Pair, owner: PersonOwner, now: number): Promise<NewPair> {
  const { maker, name, id } = owner;
  const subject = [
    { O: [maker] },
    { OU: [PERSON_UNIT] },
    { CN: [name] },
    { [SERIAL_NUMBER]: [id] },
  ];
  return issued(root, subject, lifetime(now, PERSON_YEARS));
}

/** The attribute "serialNumber", which tells persons of one name apart. Source: ITU-T X.520 (from memory). */
const SERIAL_NUMBER = '2.5.4.5';

/** Makes a key and has the root issue its certificate: good for signatures, not for issuing others. */
async function issued(
  root: Pair,
  subject: readonly Readonly<Record<string, string[]>>[],
  valid: ReturnType<typeof lifetime>,
): Promise<NewPair> {
  const x509 = await loadX509();
  const keys = await webcrypto.subtle.generateKey(CURVE, true, ['sign', 'verify']);
  const issuer = new x509.X509Certificate(new Uint8Array(root.certificate.raw));
  const certificate = await x509.X509CertificateGenerator.create({
    serialNumber: serialNumber(),
    subject: [...subject],
    issuer: issuer.subjectName,
    ...valid,
    signingAlgorithm: { ...CURVE, hash: 'SHA-256' },
    publicKey: keys.publicKey,
    signingKey: await signingKey(root.key),
    // No extended key usage: PDF readers refuse seals that have one without emailProtection.
    extensions: [
      new x509.BasicConstraintsExtension(false, undefined, true),
      new x509.KeyUsagesExtension(
        x509.KeyUsageFlags.digitalSignature | x509.KeyUsageFlags.nonRepudiation,
        true,
      ),
      await x509.AuthorityKeyIdentifierExtension.create(issuer.publicKey),
      await x509.SubjectKeyIdentifierExtension.create(keys.publicKey),
    ],
  });
  return { key: keys.privateKey, certificate: `${certificate.toString('pem').trim()}\n` };
}

/** Gives a key to the web cryptography of node, from which it cannot be exported again. */
export async function signingKey(key: KeyObject): Promise<webcrypto.CryptoKey> {
  const der = key.export({ type: 'pkcs8', format: 'der' });
  return webcrypto.subtle.importKey('pkcs8', der, CURVE, false, ['sign']);
}

/** Costs a quarter of a second to load, and only making keys needs it. */
async function loadX509(): Promise<typeof import('@peculiar/x509')> {
  await import('reflect-metadata');
  const x509 = await import('@peculiar/x509');
  x509.cryptoProvider.set(webcrypto);
  return x509;
}

function lifetime(
  now: number,
  years: number,
): { readonly notBefore: Date; readonly notAfter: Date } {
  const second = Math.floor(now / 1000) * 1000;
  return { notBefore: new Date(second), notAfter: new Date(second + years * YEAR) };
}

/** 128 random bits; the two leading ones keep it positive and of one length. */
function serialNumber(): string {
  const bytes = webcrypto.getRandomValues(new Uint8Array(16));
  bytes[0] = ((bytes[0] ?? 0) & 0x3f) | 0x40;
  return Buffer.from(bytes).toString('hex');
}

/** PKCS#8 under AES-256-CBC and PBKDF2; node's own export derives with 2 048 rounds only. */
export async function encryptedPem(key: webcrypto.CryptoKey, passphrase: string): Promise<string> {
  const { PKCS8ShroudedKeyBag, PrivateKeyInfo } = await import('pkijs');
  const plain = await webcrypto.subtle.exportKey('pkcs8', key);
  const bag = new PKCS8ShroudedKeyBag({ parsedValue: PrivateKeyInfo.fromBER(plain) });
  await bag.makeInternalValues({
    password: new TextEncoder().encode(passphrase).buffer,
    contentEncryptionAlgorithm: { name: 'AES-CBC', length: 256 } as never,
    hmacHashAlgorithm: 'SHA-256',
    iterationCount: KEY_ITERATIONS,
  });
  const der = Buffer.from((bag.toSchema() as { toBER(): ArrayBuffer }).toBER());
  const lines = der.toString('base64').match(/.{1,64}/gu) ?? [];
  const label = 'ENCRYPTED PRIVATE KEY';
  return `-----BEGIN ${label}-----\n${lines.join('\n')}\n-----END ${label}-----\n`;
}
