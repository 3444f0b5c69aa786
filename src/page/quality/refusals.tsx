import type { JSX } from 'preact';
import type { Problem } from '../../base/error.js';
import { Refused } from '../link.js';

/** What keeps something from being shown or done, with what to do about it. */
export function Refusals({ problems }: { readonly problems: readonly Problem[] }): JSX.Element {
  return (
    <div class="q-refusals" role="alert">
      {problems.map(({ code, what, fix }) => (
        <div key={`${code} ${what}`} class="q-refusal">
          <code>{code}</code>
          <p>{what}</p>
          <p class="q-fix">Fix: {fix}</p>
        </div>
      ))}
    </div>
  );
}

/** The problems in an error; one that says that the page was left without an answer. */
export function problemsIn(error: unknown): readonly Problem[] {
  if (error instanceof Refused) return error.problems;
  const what = `There was no answer: ${error instanceof Error ? error.message : String(error)}.`;
  return [{ code: 'bench/unreachable', what, fix: 'See whether stallmark serve still runs.' }];
}
