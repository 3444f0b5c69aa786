import type { JSX } from 'preact';

/** Meanings of ISO 7010 (2019, from memory) that this page draws, each in a drawing of its own. */
export type SignNumber = 'W024' | 'W001';

/** The hand between two plates, drawn for this program. */
const HAND =
  'M22 80c0-5 2-8 6-9l11-2.5c4-5 9-7.5 15-8l2 3.2c-3 1-5.5 2.8-6.5 5h27.5c3 0 3 4.2 0 4.2h6c3 0 3 4.2 0 4.2h-4c2.6 0 2.6 3 0 3z';

/** Draws the yellow triangle with the meaning of W024 (crushing of hands) or W001 (general warning). */
export function HazardSign({ sign }: { readonly sign: SignNumber }): JSX.Element {
  return (
    <svg class="hazard-sign" viewBox="0 0 112 100" aria-hidden="true">
      <path
        d="M56 5L108 95H4z"
        fill="var(--safety-yellow)"
        stroke="#000"
        stroke-width="8"
        stroke-linejoin="round"
      />
      {sign === 'W024' ? (
        <>
          <path d="M26 84.5H86M40 51.5H72" fill="none" stroke="#000" stroke-width="5" />
          <path d="M56 30v11" stroke="#000" stroke-width="4.5" />
          <path d="M56 49l-7-9h14z" />
          <path d={HAND} />
        </>
      ) : (
        <>
          <path d="M49.5 34h13l-3 32h-7z" />
          <circle cx="56" cy="77" r="6.6" />
        </>
      )}
    </svg>
  );
}

/** Draws the safety alert symbol that stands before a signal word (ISO 3864-2, ANSI Z535.4; from memory). */
export function AlertSymbol(): JSX.Element {
  return (
    <svg class="alert-symbol" viewBox="0 0 112 100" aria-hidden="true">
      <path d="M56 4L109 96H3z" stroke="#000" stroke-width="6" stroke-linejoin="round" />
      <path d="M50 34h12l-2.6 33h-6.8z" fill="var(--signal)" />
      <circle cx="56" cy="79" r="6.4" fill="var(--signal)" />
    </svg>
  );
}
