import type { JSX } from 'preact';
import type { Problem } from '../../base/error.js';

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
