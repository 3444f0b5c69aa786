import { isoInstant, systemClock } from '../base/clock.js';
import { initKeys, listKeys, retireKey, rootCertificateFile } from '../certificate/keys.js';
import { PURPOSES, type Purpose } from '../certificate/seal-certificate.js';
import { StallmarkError } from '../base/error.js';
import { defaultKeys } from '../run/places.js';
import type { Terminal } from './terminal.js';

export interface KeyOptions {
  readonly keys?: string;
  readonly json?: true;
}

/** Makes the plant root, the bench seal and the simulation keys. */
export async function keysInit(
  options: KeyOptions & { readonly bench: string; readonly maker: string },
  to: Terminal,
): Promise<number> {
  const folder = options.keys ?? defaultKeys();
  const seal =
    process.env['STALLMARK_PASSPHRASE'] ?? (await to.ask('Passphrase of the bench seal: '));
  const root =
    process.env['STALLMARK_ROOT_PASSPHRASE'] ?? (await to.ask('Passphrase of the plant root: '));
  await initKeys(folder, options, { root, seal }, systemClock.now());
  to.out(`Keys are in ${folder}.`);
  to.out('Move plant-root/key.pem to a safe place: the bench does not need it.');
  to.out(`Give auditors ${rootCertificateFile(folder, 'bench')}.`);
  return 0;
}

/** Lists every key with its purpose and validity. */
export async function keysList(options: KeyOptions, to: Terminal): Promise<number> {
  const keys = await listKeys(options.keys ?? defaultKeys(), systemClock.now());
  if (options.json === true) to.out(JSON.stringify(keys, null, 2));
  else if (keys.length === 0) to.out('There are no keys yet.');
  for (const key of options.json === true ? [] : keys) {
    const days = `${isoInstant(key.from).slice(0, 10)} to ${isoInstant(key.until).slice(0, 10)}`;
    to.out(
      `${key.name.padEnd(18)} ${key.state.padEnd(8)} ${key.role.padEnd(5)} ${days}  ${key.subject.replaceAll('\n', ', ')}`,
    );
  }
  return 0;
}

/** Takes a seal out of use. */
export async function keysRetire(
  name: string,
  options: KeyOptions & { readonly reason: string },
  to: Terminal,
): Promise<number> {
  const purpose = PURPOSES.find((p): p is Purpose => p === name);
  if (purpose === undefined) {
    const what = `There is no seal "${name}".`;
    const fix = `Give one of: ${PURPOSES.join(', ')}.`;
    throw new StallmarkError([{ code: 'usage/argument', what, fix }]);
  }
  const place = await retireKey(
    options.keys ?? defaultKeys(),
    purpose,
    options.reason,
    systemClock.now(),
  );
  to.out(`The ${name} seal is retired and lies in ${place}; what it sealed still verifies.`);
  return 0;
}
