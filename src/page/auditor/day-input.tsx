import type { JSX } from 'preact';
import { useState } from 'preact/hooks';

const DAY = /^\d{4}-\d\d-\d\d$/u;

/** A day as records write it, e.g. 2026-11-25; told only once it is whole, or empty. */
export function DayInput({
  value,
  set,
}: {
  readonly value: string;
  readonly set: (day: string) => void;
}): JSX.Element {
  const [typed, setTyped] = useState<string>();
  const shown = typed ?? value;
  const isHalf = shown !== '' && !DAY.test(shown);
  return (
    <input
      type="search"
      inputMode="numeric"
      placeholder="yyyy-mm-dd"
      autocomplete="off"
      value={shown}
      aria-invalid={isHalf}
      onInput={(event) => {
        const text = event.currentTarget.value.trim();
        const isWhole = text === '' || DAY.test(text);
        setTyped(isWhole ? undefined : text);
        if (isWhole) set(text);
      }}
    />
  );
}
