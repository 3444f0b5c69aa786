import { readFileSync, renameSync, writeFileSync } from 'node:fs';
import { sha256 } from '../base/canonical.js';
import { isoInstant, systemClock } from '../base/clock.js';
import { StallmarkError, throwIfAny } from '../base/error.js';
import { openLedger } from '../ledger/sqlite.js';
import { readRegister } from '../people/register.js';
import { roleProblems } from '../people/session.js';
import { approve } from '../procedure/approval.js';
import { defaultKeys, ledgerFile } from '../run/places.js';
import type { Terminal } from './terminal.js';
import { actorFor, type ActorOptions } from './who.js';

/** Options of `approve`. */
export interface ApproveOptions extends ActorOptions {
  /** Folder of the ledger in which an approval by a registered person is entered. */
  readonly data: string;
  readonly why?: string;
}

/**
 * Writes an approval of its present content into a document; comments and order stay. Where there is a
 * register of people, a quality engineer logs in for it, and the ledger tells it.
 */
export async function approveFile(
  file: string,
  options: ApproveOptions,
  to: Terminal,
): Promise<number> {
  if (readRegister(options.keys ?? defaultKeys()) === undefined) {
    if (options.as !== undefined || (options.by ?? '').trim() === '') {
      const what = 'Nobody is named who approves, and there is no register of people.';
      const fix = 'Give --by with the name, or make a register: stallmark people init.';
      throw new StallmarkError([{ code: 'usage/argument', what, fix }]);
    }
    const { by = '', role = 'quality engineer' } = options;
    write(file, { by, role });
    told(file, by, role, to);
    to.out('This guards against accidental change; it is not a personal signature.');
    return 0;
  }
  const ledger = openLedger(ledgerFile(options.data));
  try {
    const actor = await actorFor(options, ledger, to);
    throwIfAny(roleProblems(actor, ['quality engineer'], 'approve a document'));
    const role = 'quality engineer';
    const { from, now } = write(file, { by: actor.by, role });
    const body = { what: 'document approved', file, from, to: now, why: options.why ?? '' };
    const entry = { kind: 'changed', serial: '', attempt: 0, by: actor.by, body } as const;
    ledger.append(entry, systemClock.now());
    told(file, actor.by, role, to);
    return 0;
  } finally {
    ledger.close();
  }
}

const told = (file: string, by: string, role: string, to: Terminal): void => {
  to.out(`${file} is approved by ${by}, ${role}, ${today()}.`);
};

const today = (): string => isoInstant(systemClock.now()).slice(0, 10);

/** Writes the approval and returns the digests of the file before and after. */
function write(
  file: string,
  approver: { readonly by: string; readonly role: string },
): { readonly from: string; readonly now: string } {
  try {
    const text = readFileSync(file, 'utf8');
    const approved = approve(text, file, { ...approver, on: today() });
    writeFileSync(`${file}.approved`, approved, { flag: 'wx' });
    renameSync(`${file}.approved`, file);
    return { from: sha256(text), now: sha256(approved) };
  } catch (cause) {
    if (cause instanceof StallmarkError) throw cause;
    const what = `"${file}" cannot be read or written: ${String(cause)}.`;
    const fix = 'Check the name and the rights of the file.';
    throw new StallmarkError([{ code: 'storage/unwritable', what, fix }], { cause });
  }
}
