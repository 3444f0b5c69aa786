import { existsSync, readFileSync } from 'node:fs';
import { dirname, join } from 'node:path';
import { StallmarkError } from '../base/error.js';
import { readReferences, type ReferenceRegister } from '../procedure/reference-items.js';
import type { Station } from '../procedure/station.js';
import { decodeText } from '../procedure/yaml.js';

/** Name of the register in the folder of the bench descriptions that it belongs to. */
const REGISTER_FILE = 'reference-items.yaml';

/**
 * Reads the register that lies beside the description of a bench. It is never named on a command
 * line, so that naming other documents cannot leave it out.
 *
 * @returns Undefined when there is none.
 * @throws storage/unreadable, and every problem of the register.
 */
export function registerBeside({ file }: Pick<Station, 'file'>): ReferenceRegister | undefined {
  const path = join(dirname(file), REGISTER_FILE);
  if (!existsSync(path)) return undefined;
  return readReferences(textOf(path), path);
}

function textOf(path: string): string {
  try {
    return decodeText(readFileSync(path), path);
  } catch (cause) {
    if (cause instanceof StallmarkError) throw cause;
    const what = `"${path}" cannot be read: ${String(cause)}.`;
    const fix = 'Check the rights of the file.';
    throw new StallmarkError([{ code: 'storage/unreadable', what, fix }], { cause });
  }
}
