import { StallmarkError, type Problem } from '../base/error.js';
import { isoInstant, systemClock } from '../base/clock.js';
import { AUDITING, trustOf } from './auditor-find.js';
import { checkFolder } from './auditor-folder-check.js';
import type { FolderState } from './auditor-views.js';
import type { Reading } from './reading.js';
import type { Site } from './site.js';

/** One check at a time for each folder; it goes on between the questions of pages. */
const states = new Map<string, FolderState>();

/** Begins a check of the whole folder, or tells how it stands. Nothing is written. */
export const folderReading: Reading<{ readonly begin: boolean }, FolderState> = {
  roles: AUDITING,
  args: (given) => ({ begin: given['begin'] === 'yes' }),
  read: ({ begin }, site) => {
    const state = states.get(site.root) ?? { kind: 'never' };
    if (!begin || state.kind === 'going') return state;
    return started(site);
  },
};

function started(site: Site): FolderState {
  const set = (state: FolderState): FolderState => {
    states.set(site.root, state);
    return state;
  };
  const at = (): string => isoInstant(systemClock.now());
  checkFolder(site.root, trustOf(site), (progress) => {
    set({ kind: 'going', ...progress });
  }).then(
    (found) => set({ kind: 'done', at: at(), found }),
    (error: unknown) => set({ kind: 'broken off', at: at(), problems: problemsIn(error) }),
  );
  return set({ kind: 'going', phase: 'reading the ledger', done: 0, of: 0 });
}

function problemsIn(error: unknown): readonly Problem[] {
  if (error instanceof StallmarkError) return error.problems;
  const fix = 'Report this to the makers of Stallmark.';
  return [{ code: 'run/defect', what: String(error), fix }];
}
