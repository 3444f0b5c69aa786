import { randomUUID, webcrypto, type X509Certificate } from 'node:crypto';
import { rm } from 'node:fs/promises';
import { join } from 'node:path';
import { systemDisk } from '../ledger/disk.js';
import { keyError, namesIn, readCertificate, writeNew, writing } from './key-files.js';
import { encryptedPem, newPersonKey, signingKey } from './key-making.js';
import {
  CERTIFICATE,
  KEY,
  PERSON_FOLDER,
  readPair,
  refuseOtherRoot,
  refuseOutdated,
  retire,
  rootCertificateFile,
  store,
} from './keys.js';
import { purposeOf, subjectPart, validity } from './seal-certificate.js';

declare const opened: unique symbol;

/**
 * The key of a person, open for one act. Only `openPersonKey` makes one. It is no seal and a seal is
 * none of these: the types share nothing, and their certificates say which they are.
 */
export interface PersonKey {
  readonly [opened]: 'person';
  readonly id: string;
  /** As the certificate names the person. */
  readonly name: string;
  /** Cannot be exported again. */
  readonly signer: webcrypto.CryptoKey;
  /** DER; the certificate of the person, then the plant root. */
  readonly chain: readonly [person: Uint8Array, root: Uint8Array];
  /** Last instant at which it may sign, ms since the Unix epoch. */
  readonly until: number;
}

const openKeys = new WeakSet<object>(); // a cast or a copy forges the type, not membership here

/** Whether `openPersonKey` of this process opened the key. */
export const isOpenPersonKey = (key: object): boolean => openKeys.has(key);

/** Who a key is for. */
export interface KeyHolder {
  /** Names a folder: an id of the register of people. */
  readonly id: string;
  readonly name: string;
}

export interface PersonSecrets {
  /** Opens the plant root, whose keeper issues the certificate. */
  readonly root: string;
  /** The person's own; the key opens with nothing else. */
  readonly secret: string;
}

const folderOf = (id: string): string => join(PERSON_FOLDER, id);
/** One way to write each letter, as the register has it. */
const normal = (secret: string): string => secret.normalize('NFC');

/** Whether a person has a key. @throws storage/unreadable. */
export async function hasPersonKey(keys: string, id: string): Promise<boolean> {
  return (await namesIn(join(keys, folderOf(id)))).length > 0;
}

/**
 * Makes the key of a person and has the plant root issue its certificate, valid for two years.
 *
 * @param keys - Key folder, the plant root in it.
 * @param now - ms since the Unix epoch.
 * @throws keys/exists when the person has one, keys/passphrase, keys/missing, keys/damaged,
 * storage/unwritable.
 */
export async function issuePersonKey(
  keys: string,
  holder: KeyHolder,
  secrets: PersonSecrets,
  now: number,
): Promise<void> {
  const root = await readPair(keys, 'plant-root', secrets.root);
  const maker = subjectPart(root.certificate, 'O');
  const pair = await newPersonKey(root, { maker, ...holder }, now);
  await store(keys, folderOf(holder.id), pair, normal(secrets.secret));
}

/**
 * Opens the key of a person for one act: this is the second time the secret is asked for.
 *
 * @param now - ms since the Unix epoch.
 * @throws keys/missing when the person has none, keys/passphrase, keys/purpose when the certificate
 * is another person's or a seal's, keys/expired, keys/damaged.
 */
export async function openPersonKey(
  keys: string,
  id: string,
  secret: string,
  now: number,
): Promise<PersonKey> {
  if (!(await hasPersonKey(keys, id))) {
    const what = `${id} has no key to sign with.`;
    const fix = `Have the keeper of the plant root issue one: stallmark people key ${id}.`;
    throw keyError('keys/missing', what, fix);
  }
  const root = await readCertificate(rootCertificateFile(keys, 'bench'));
  const { certificate, key } = await readPair(keys, folderOf(id), normal(secret));
  refuseOther(certificate, id);
  refuseOtherRoot(certificate, root, `key of ${id}`);
  refuseOutdated(certificate, now, `key of ${id}`);
  refuseOutdated(root, now, 'plant root');
  const open = Object.freeze({
    id,
    name: subjectPart(certificate, 'CN'),
    signer: await signingKey(key),
    chain: [new Uint8Array(certificate.raw), new Uint8Array(root.raw)],
    until: Math.min(validity(certificate).until, validity(root).until),
  }) as unknown as PersonKey;
  openKeys.add(open);
  return open;
}

function refuseOther(certificate: X509Certificate, id: string): void {
  if (purposeOf(certificate) === 'person' && subjectPart(certificate, 'serialNumber') === id)
    return;
  throw keyError(
    'keys/purpose',
    `"${certificate.subject.replaceAll('\n', ', ')}" lies where the key of ${id} belongs.`,
    'Put each key back into its own folder.',
  );
}

/** A change of files that is prepared, and takes place at once or not at all. */
export interface PreparedKey {
  /** @throws storage/*. */
  readonly enforce: () => void;
  /** Removes what is left of it. */
  readonly drop: () => Promise<void>;
}

/**
 * Writes the key of a person under a new secret beside the one in force; the certificate stays.
 *
 * @throws keys/missing, keys/passphrase when the old secret does not open it, storage/unwritable.
 */
export async function prepareSecret(
  keys: string,
  id: string,
  secrets: { readonly old: string; readonly fresh: string },
): Promise<PreparedKey> {
  const folder = join(keys, folderOf(id));
  const { key } = await readPair(keys, folderOf(id), normal(secrets.old));
  const der = key.export({ type: 'pkcs8', format: 'der' });
  const curve = { name: 'ECDSA', namedCurve: 'P-256' };
  const exportable = await webcrypto.subtle.importKey('pkcs8', der, curve, true, ['sign']);
  const made = join(folder, `${KEY}.making-${randomUUID()}`);
  const pem = await encryptedPem(exportable, normal(secrets.fresh));
  await writing(made, () => writeNew(made, pem));
  return {
    enforce: () => {
      systemDisk.rename(made, join(folder, KEY));
      systemDisk.sync(folder);
    },
    drop: () => rm(made, { force: true }),
  };
}

/**
 * Takes the key of a person out of use, if there is one; what it signed still verifies.
 *
 * @returns Where it lies now; undefined when there was none.
 * @throws storage/unwritable.
 */
export async function retirePersonKey(
  keys: string,
  id: string,
  reason: string,
  now: number,
): Promise<string | undefined> {
  return (await hasPersonKey(keys, id)) ? retire(keys, folderOf(id), reason, now) : undefined;
}

/** Where the certificate of a person lies. */
export const personCertificateFile = (keys: string, id: string): string =>
  join(keys, folderOf(id), CERTIFICATE);
