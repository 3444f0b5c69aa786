import type { JSX } from 'preact';
import { VerdictShape, type VerdictKind } from '../drawn/verdict.js';
import type { Screen } from './screen.js';

const PLACES = [
  ['accept', 'ACCEPT'],
  ['hold', 'HOLD'],
  ['reject', 'REJECT'],
] as const satisfies readonly (readonly [VerdictKind, string])[];

/**
 * Three places in one column, always the same: the verdict given fills its own, the others shrink. The
 * word of the record stands below the word of the person's language.
 */
export function VerdictPlace({ screen }: { readonly screen: Screen }): JSX.Element {
  const { view, words } = screen;
  const result = view.phase.kind === 'verdict' ? view.phase.result : undefined;
  const given = PLACES.find(([, word]) => word === result?.word)?.[0];
  return (
    <section class={`verdict ${given ?? ''}`} aria-label={words.result.place}>
      {PLACES.map(([kind, word]) => {
        const isGiven = kind === given && result !== undefined;
        const own = words.verdict[word];
        return isGiven ? (
          <div key={kind} class={`slot is ${kind}`} role="status">
            <div class="plate">
              <VerdictShape kind={kind} given />
            </div>
            <strong class={own.length > 8 ? 'longer' : own.length > 7 ? 'long' : ''}>{own}</strong>
            {own !== word && (
              <span class="record-word" lang="en">
                {word}
              </span>
            )}
            <span class="who">{result.serial}</span>
          </div>
        ) : (
          <div key={kind} class="slot">
            <VerdictShape kind={kind} given={false} />
            {own}
            <span class="hidden">{words.result.before}</span>
          </div>
        );
      })}
    </section>
  );
}
