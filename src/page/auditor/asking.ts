import { useEffect, useState } from 'preact/hooks';
import type { Problem } from '../../base/error.js';
import type { Searching } from '../../serve/auditor-views.js';
import { problemsIn, read } from '../link.js';

/** What became of a question to the server. */
export type Asked<T> =
  | { readonly kind: 'waiting' }
  /** The index of the ledger is made first. */
  | { readonly kind: 'making'; readonly seen: number; readonly of: number }
  | { readonly kind: 'answer'; readonly answer: T }
  | { readonly kind: 'refused'; readonly problems: readonly Problem[] };

type Args = Readonly<Record<string, string>>;

/** ms for which somebody must have stopped typing. */
const PAUSE = 150;

/**
 * Asks for a reading that searches the index, and again until the index is made. An answer that comes
 * after another question was asked is dropped.
 *
 * @param args - Undefined while nothing is asked.
 */
export function useSearching<T>(name: string, args: Args | undefined): Asked<T> {
  const [asked, set] = useState<Asked<T>>({ kind: 'waiting' });
  useEffect(() => {
    if (args === undefined) return undefined;
    let isWanted = true;
    const ask = async (): Promise<void> => {
      const found = await read<Searching<T>>(name, args);
      if (!isWanted) return;
      set(found);
      if (found.kind === 'making') await ask();
    };
    const timer = setTimeout(() => {
      ask().catch((error: unknown) => {
        if (isWanted) set({ kind: 'refused', problems: problemsIn(error) });
      });
    }, PAUSE);
    return () => {
      isWanted = false;
      clearTimeout(timer);
    };
  }, [name, JSON.stringify(args)]);
  return asked;
}
