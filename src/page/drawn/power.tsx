import type { JSX } from 'preact';

/** Power as the page knows it: unknown when nothing tells it any more. */
export type Power = 'on' | 'off' | 'unknown';

/**
 * Draws the make contact of a circuit diagram: open without power, closed and with a torque arc under
 * power, dashed when nobody knows.
 */
export function PowerContact({ power }: { readonly power: Power }): JSX.Element {
  const isOn = power === 'on';
  return (
    <svg class="power-contact" viewBox="0 0 56 40" aria-hidden="true" fill="none">
      <path d="M1 31H13M43 31H55" stroke="currentColor" stroke-width="4" />
      {power === 'unknown' ? (
        <path
          d="M13 31L43 31M13 31L38 8"
          stroke="currentColor"
          stroke-width="4"
          stroke-dasharray="5 5"
        />
      ) : (
        <path
          d={isOn ? 'M13 31L43 31' : 'M13 31L38 8'}
          stroke="currentColor"
          stroke-width={isOn ? 8 : 4}
          stroke-linecap="round"
        />
      )}
      <circle cx="13" cy="31" r="4" fill="currentColor" />
      <circle cx="43" cy="31" r="4" fill="currentColor" />
      {isOn && (
        <>
          <path d="M10 20A20 17 0 0 1 43 15" stroke="currentColor" stroke-width="4" />
          <path d="M49 22l-12.5-3.5l9-9z" fill="currentColor" />
        </>
      )}
    </svg>
  );
}
