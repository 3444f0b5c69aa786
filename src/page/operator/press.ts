/** A press of a button by the space bar or a pointer, from down to up. */
export type Press =
  | { readonly kind: 'none' }
  | { readonly kind: 'down'; readonly by: 'key' | 'pointer'; readonly since: number };

/** Shortest press by key that counts, ms: a scanner lets a key go after a few. Common practice, no source. */
export const LEAST_PRESS = 80;

export const NOT_PRESSED: Press = { kind: 'none' };

/** What happens to a button. Times in ms on one clock that does not go back. */
export type Touch =
  | {
      readonly kind: 'key-down';
      readonly key: string;
      readonly repeat: boolean;
      readonly at: number;
    }
  | { readonly kind: 'key-up'; readonly key: string; readonly at: number }
  | { readonly kind: 'pointer-down'; readonly at: number }
  | { readonly kind: 'pointer-up'; readonly at: number }
  /** The pointer left, focus went, another key came, or a scanner was heard. */
  | { readonly kind: 'away' };

/**
 * Follows a press. Only the space bar presses by key: scanners end with Enter or Tab. A key that was
 * down before the button had focus only repeats, and so never begins a press.
 *
 * @returns The press, and for how long it lasted when this touch ended it.
 */
export function touched(
  press: Press,
  touch: Touch,
): { readonly press: Press; readonly heldFor?: number } {
  switch (touch.kind) {
    case 'key-down':
      if (touch.key !== ' ') return { press: NOT_PRESSED };
      if (touch.repeat) return { press };
      return press.kind === 'none'
        ? { press: { kind: 'down', by: 'key', since: touch.at } }
        : { press: NOT_PRESSED };
    case 'key-up':
      return touch.key === ' ' ? ended(press, 'key', touch.at) : { press };
    case 'pointer-down':
      return press.kind === 'none'
        ? { press: { kind: 'down', by: 'pointer', since: touch.at } }
        : { press: NOT_PRESSED };
    case 'pointer-up':
      return ended(press, 'pointer', touch.at);
    case 'away':
      return { press: NOT_PRESSED };
  }
}

function ended(press: Press, by: 'key' | 'pointer', at: number): ReturnType<typeof touched> {
  if (press.kind !== 'down' || press.by !== by) return { press };
  return { press: NOT_PRESSED, heldFor: at - press.since };
}

/** Whether a press that has ended counts as one of an ordinary button. */
export function isPress(by: 'key' | 'pointer', heldFor: number): boolean {
  return by === 'pointer' || heldFor >= LEAST_PRESS;
}

/** Share of the time for which a button must be kept pressed, 0 … 1. */
export function shareHeld(press: Press, now: number, holdTime: number): number {
  return press.kind === 'none' ? 0 : Math.min(1, Math.max(0, (now - press.since) / holdTime));
}
