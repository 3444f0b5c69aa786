import { readFileSync, renameSync, writeFileSync } from 'node:fs';
import { isoInstant, systemClock } from '../base/clock.js';
import { StallmarkError } from '../base/error.js';
import { approve } from '../procedure/approval.js';
import type { Terminal } from './terminal.js';

/** Writes an approval of its present content into a document; comments and order stay. */
export function approveFile(
  file: string,
  options: { readonly by: string; readonly role: string },
  to: Terminal,
): number {
  const on = isoInstant(systemClock.now()).slice(0, 10);
  try {
    const approved = approve(readFileSync(file, 'utf8'), file, { ...options, on });
    writeFileSync(`${file}.approved`, approved, { flag: 'wx' });
    renameSync(`${file}.approved`, file);
  } catch (cause) {
    if (cause instanceof StallmarkError) throw cause;
    const what = `"${file}" cannot be read or written: ${String(cause)}.`;
    const fix = 'Check the name and the rights of the file.';
    throw new StallmarkError([{ code: 'storage/unwritable', what, fix }], { cause });
  }
  to.out(`${file} is approved by ${options.by}, ${options.role}, ${on}.`);
  to.out('This guards against accidental change; it is not a personal signature.');
  return 0;
}
