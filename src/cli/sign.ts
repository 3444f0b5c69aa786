import { existsSync, statSync } from 'node:fs';
import { join } from 'node:path';
import { EXIT } from '../base/codes.js';
import { StallmarkError } from '../base/error.js';
import { openPersonKey } from '../certificate/person-keys.js';
import { MEANINGS, statementSentence, type Meaning } from '../certificate/statement.js';
import { rootsIn } from '../certificate/trusted-roots.js';
import { RECORD_FILES } from '../certificate/verify.js';
import type { Ledger } from '../ledger/ledger.js';
import { signRecord, signReview, type Signed } from '../people/signature.js';
import { act, type ActOptions } from './act.js';
import type { Terminal } from './terminal.js';

export interface SignOptions extends ActOptions {
  readonly meaning: string;
  readonly why: string;
}

export interface ReviewOptions extends ActOptions {
  readonly why: string;
}

/**
 * Has a person sign a sealed record with a stated meaning.
 *
 * @param what - Number of the record, or its folder.
 */
export async function sign(what: string, options: SignOptions, to: Terminal): Promise<number> {
  const meaning = meaningOf(options.meaning);
  return act(options, to, async ({ session, secret, keys, ledger, now }) => {
    const folder = folderOf(what, options.data, ledger);
    const key = await openPersonKey(keys, session.id, secret, now);
    const roots = rootsIn(keys);
    const { why } = options;
    // No document says otherwise yet, so two persons are always asked for.
    const order = { session, key, why, now, meaning, folder, ledger, roots, secondPerson: true };
    return tell(await signRecord(order), options, to);
  });
}

/** Has a person sign off that the audit trail was reviewed up to its end. */
export async function review(options: ReviewOptions, to: Terminal): Promise<number> {
  return act(options, to, async ({ session, secret, keys, ledger, now }) => {
    const key = await openPersonKey(keys, session.id, secret, now);
    const order = { session, key, why: options.why, now, ledger, simulated: false };
    return tell(await signReview(order), options, to);
  });
}

function tell({ statement, entry, files }: Signed, options: ActOptions, to: Terminal): number {
  if (options.json === true) {
    to.out(JSON.stringify({ statement, entry: entry.number, files }, null, 2));
  } else {
    to.out(statementSentence(statement));
    for (const file of files) to.out(`Written: ${file}`);
    to.out(
      `Entry ${entry.number} of the ledger. This is a personal signature, not the seal of a bench.`,
    );
  }
  return EXIT.conforming;
}

function meaningOf(text: string): Meaning {
  const meaning = MEANINGS.find((known) => known === text);
  if (meaning !== undefined) return meaning;
  const what = `"${text}" is no meaning of a signature.`;
  const fix = `Give one of: ${MEANINGS.join(', ')}.`;
  throw new StallmarkError([{ code: 'usage/argument', what, fix }]);
}

function folderOf(what: string, data: string, ledger: Ledger): string {
  const isFolder = existsSync(what) && statSync(what).isDirectory();
  if (isFolder && existsSync(join(what, RECORD_FILES.table))) return what;
  for (const { kind, body } of ledger.newestFirst()) {
    const { certificate, folder } = body;
    if (kind !== 'record-issued' || certificate !== what || typeof folder !== 'string') continue;
    return join(data, folder);
  }
  const said = `There is no record "${what}", neither as a folder nor as a number in "${data}".`;
  const fix = 'List the records with: stallmark ledger list.';
  throw new StallmarkError([{ code: 'usage/argument', what: said, fix }]);
}
