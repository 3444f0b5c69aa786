import { isoInstant } from '../base/clock.js';
import { StallmarkError } from '../base/error.js';
import { detachedCms } from './cms-making.js';
import { isOpenPersonKey, type PersonKey } from './person-keys.js';
import { hintOf, statementText, type Statement } from './statement.js';

/**
 * Signs a statement with the key of the person it names.
 *
 * @returns Detached CMS over the exact bytes of `statementText`, DER.
 * @throws keys/purpose when the key is a seal, was not opened here, or is another person's;
 * keys/expired.
 */
export async function signStatement(statement: Statement, key: PersonKey): Promise<Uint8Array> {
  const { person, at } = statement;
  const fix = 'Have the person sign with the own secret.';
  if (!isOpenPersonKey(key)) {
    const what = 'A statement is signed with the key of a person, opened for it, and with no seal.';
    throw new StallmarkError([{ code: 'keys/purpose', what, fix }]);
  }
  if (key.id !== person.id || key.name !== person.name) {
    const what = `The statement is of ${person.name} (${person.id}), the key of ${key.name} (${key.id}).`;
    throw new StallmarkError([{ code: 'keys/purpose', what, fix }]);
  }
  if (at > key.until) {
    const what = `The key of ${key.id} may sign until ${isoInstant(key.until)}; it is ${isoInstant(at)}.`;
    const order = `Have another one issued: stallmark people key ${key.id}.`;
    throw new StallmarkError([{ code: 'keys/expired', what, fix: order }]);
  }
  const bytes = new TextEncoder().encode(statementText(statement));
  const signer = { key: key.signer, certificates: key.chain };
  return detachedCms([bytes], signer, { at, hint: hintOf(statement) });
}
