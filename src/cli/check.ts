import { systemClock } from '../base/clock.js';
import { EXIT } from '../base/codes.js';
import { isNote, problemsAsJson, problemsAsText } from '../base/report.js';
import { exitStatus } from '../base/codes.js';
import { checkDocuments } from '../run/check-documents.js';
import { DEFAULT_FOLDERS } from '../run/documents.js';
import type { Terminal } from './terminal.js';

/** Validates documents and prints every finding, then what each document is. */
export function check(paths: readonly string[], json: boolean, to: Terminal): number {
  const found = checkDocuments(paths.length === 0 ? DEFAULT_FOLDERS : paths, systemClock.now());
  const grave = found.problems.filter((p) => !isNote(p));
  if (json) to.out(problemsAsJson(found.problems));
  else {
    if (found.problems.length > 0)
      to.err(problemsAsText(found.problems, (file) => found.texts.get(file)));
    for (const line of found.summary) to.out(line);
    const notes = found.problems.length - grave.length;
    const noted = notes === 0 ? '' : `, ${String(notes)} ${notes === 1 ? 'note' : 'notes'}`;
    to.out(
      grave.length === 0
        ? `Nothing to correct${noted}.`
        : `${String(grave.length)} to correct${noted}.`,
    );
  }
  const [first] = grave;
  return first === undefined ? EXIT.conforming : exitStatus(first.code);
}
