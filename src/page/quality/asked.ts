import { useEffect, useState } from 'preact/hooks';
import type { Problem } from '../../base/error.js';
import { problemsIn } from '../link.js';

/** Something that was asked of the server. */
export type Asked<T> =
  | { readonly state: 'nothing' }
  | { readonly state: 'waiting' }
  | { readonly state: 'here'; readonly answer: T }
  | { readonly state: 'refused'; readonly problems: readonly Problem[] };

/**
 * Asks the server, and again when the key changes; an answer that comes too late is dropped.
 *
 * @param key - What is asked for; nothing is asked while it is undefined.
 * @param pause - ms for which the key must stay the same before it is asked for.
 */
export function useAsked<T>(key: string | undefined, ask: () => Promise<T>, pause = 0): Asked<T> {
  const [asked, setAsked] = useState<Asked<T>>({ state: 'nothing' });
  useEffect(() => {
    if (key === undefined) {
      setAsked({ state: 'nothing' });
      return undefined;
    }
    let isWanted = true;
    setAsked({ state: 'waiting' });
    const timer = setTimeout(() => {
      ask().then(
        (answer) => {
          if (isWanted) setAsked({ state: 'here', answer });
        },
        (error: unknown) => {
          if (isWanted) setAsked({ state: 'refused', problems: problemsIn(error) });
        },
      );
    }, pause);
    return () => {
      isWanted = false;
      clearTimeout(timer);
    };
  }, [key]);
  return asked;
}
