import type { JSX } from 'preact';

/** A verdict as people see it. */
export type VerdictKind = 'accept' | 'hold' | 'reject';

/** Outline and mark of each in a square of 100: disc with tick, diamond with bars, square with cross. */
const SHAPES: Readonly<Record<VerdictKind, { readonly outline: string; readonly mark: string }>> = {
  accept: {
    outline: 'M50 4A46 46 0 0 1 50 96A46 46 0 0 1 50 4z',
    mark: 'M28 52l16 17 29-36',
  },
  hold: { outline: 'M50 2L98 50L50 98L2 50z', mark: 'M40 34v32M60 34v32' },
  reject: { outline: 'M6 6H94V94H6z', mark: 'M29 29L71 71M71 29L29 71' },
};

/**
 * Draws the shape of a verdict, filled when it is given, dashed when it is not. The word stands beside it;
 * the shape says the same without words and without colour.
 */
export function VerdictShape({
  kind,
  given,
}: {
  readonly kind: VerdictKind;
  readonly given: boolean;
}): JSX.Element {
  const { outline, mark } = SHAPES[kind];
  const state = given ? 'given' : 'open';
  return (
    <svg class={`verdict-shape ${kind} ${state}`} viewBox="0 0 100 100" aria-hidden="true">
      <path
        class="outline"
        d={outline}
        {...(given ? {} : { 'stroke-width': 4, 'stroke-dasharray': '7 6' })}
      />
      <path
        class="mark"
        d={mark}
        fill="none"
        stroke-width={given ? 11 : 6}
        stroke-linecap="round"
        stroke-linejoin="round"
      />
    </svg>
  );
}

/** The mark of a verdict without its outline, for a stage of the ruler or a line of text. */
export function VerdictMark({ kind }: { readonly kind: VerdictKind }): JSX.Element {
  return (
    <svg class={`verdict-mark ${kind}`} viewBox="18 18 64 64" aria-hidden="true">
      <path
        d={SHAPES[kind].mark}
        fill="none"
        stroke="currentColor"
        stroke-width="12"
        stroke-linecap="round"
        stroke-linejoin="round"
      />
    </svg>
  );
}
