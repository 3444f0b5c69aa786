import { randomUUID } from 'node:crypto';
import { existsSync, readFileSync } from 'node:fs';
import { mkdir, rm } from 'node:fs/promises';
import { dirname, join } from 'node:path';
import { digestOf, type Json } from '../base/canonical.js';
import { StallmarkError, throwIfAny } from '../base/error.js';
import { writeNew, writing } from '../certificate/key-files.js';
import { systemDisk } from '../ledger/disk.js';
import type { Person, Register } from './people.js';
import { checkRegister, SCHEMA } from './register-check.js';

/** Where the register lies: beside the keys, never among the documents. */
export const registerFile = (keys: string): string => join(keys, 'people.json');

/**
 * Reads the register.
 *
 * @returns Undefined when there is none.
 * @throws people/register with everything that is wrong with it; storage/unreadable.
 */
export function readRegister(keys: string): Register | undefined {
  const file = registerFile(keys);
  if (!existsSync(file)) return undefined;
  const read = checkRegister(parsed(textOf(file), file), file);
  if ('people' in read) return read;
  throwIfAny(read);
  throw new Error(`${file} is neither a register nor wrong`);
}

function textOf(file: string): string {
  try {
    return readFileSync(file, 'utf8');
  } catch (cause) {
    const what = `"${file}" cannot be read: ${String(cause)}.`;
    const fix = 'Make the file readable for this account.';
    throw new StallmarkError([{ code: 'storage/unreadable', what, fix }], { cause });
  }
}

function parsed(text: string, file: string): unknown {
  try {
    return JSON.parse(text);
  } catch (cause) {
    const where = { file, line: 1, column: 1, length: 0 };
    const what = `The register is not JSON: ${String(cause)}.`;
    const fix = 'Restore the last good copy of the register.';
    throw new StallmarkError([{ code: 'people/register', where, what, fix }], { cause });
  }
}

/** Finds a person, retired or not. @throws people/unknown. */
export function personOf(register: Register, id: string): Person {
  const found = register.people.find((person) => person.id === id);
  if (found !== undefined) return found;
  const what = `Nobody in the register has the id "${id}".`;
  const fix = 'List everybody with: stallmark people list.';
  throw new StallmarkError([{ code: 'people/unknown', what, fix }]);
}

/** Digest of all that the register says of a person, the kept secret included. */
export function personDigest(person: Person): string {
  return digestOf(person as unknown as Json); // a person is texts, numbers and lists of them
}

/** A register that is written under another name and not in force yet. */
export interface PreparedRegister {
  /** Puts it in force, at once or not at all. @throws storage/*. */
  readonly enforce: () => void;
  /** Removes what is left of it. */
  readonly drop: () => Promise<void>;
}

/**
 * Writes a register beside the one in force, readable by its owner only.
 *
 * @throws people/register when it would not be read again; storage/unwritable.
 */
export async function prepareRegister(keys: string, register: Register): Promise<PreparedRegister> {
  const file = registerFile(keys);
  const text = `${JSON.stringify({ schema: SCHEMA, ...register }, null, 2)}\n`;
  const checked = checkRegister(JSON.parse(text), file);
  if (!('people' in checked)) throwIfAny(checked);
  const made = `${file}.making-${randomUUID()}`;
  await writing(file, async () => {
    await mkdir(dirname(file), { recursive: true, mode: 0o700 });
    await writeNew(made, text);
  });
  return {
    enforce: () => {
      systemDisk.rename(made, file);
      systemDisk.sync(dirname(file));
    },
    drop: () => rm(made, { force: true }),
  };
}

/** A person by id or name; somebody who is in no register is looked for by what was given. */
export function personNamed(
  person: string,
  keys: string,
): { readonly id: string; readonly name: string } {
  const people = readRegister(keys)?.people ?? [];
  return people.find((p) => p.id === person || p.name === person) ?? { id: person, name: person };
}
