import type { ComponentChildren, HTMLAttributes, JSX } from 'preact';
import { useEffect, useRef } from 'preact/hooks';
import { isPress, NOT_PRESSED, shareHeld, touched, type Press, type Touch } from './press.js';

/** Told on the window when a scanner is heard: whatever is being pressed is let go. */
export const BURST = 'stallmark-burst';

/** Follows the press of one button; `ended` hears how long each press lasted. */
function usePress(ended: (by: 'key' | 'pointer', heldFor: number) => void): {
  readonly press: { current: Press };
  readonly touch: (touch: Touch) => void;
} {
  const press = useRef<Press>(NOT_PRESSED);
  const touch = (next: Touch): void => {
    const before = press.current;
    const after = touched(before, next);
    press.current = after.press;
    if (after.heldFor !== undefined && before.kind === 'down') ended(before.by, after.heldFor);
  };
  useEffect(() => {
    const away = (): void => {
      press.current = NOT_PRESSED;
    };
    window.addEventListener(BURST, away);
    window.addEventListener('blur', away);
    document.addEventListener('visibilitychange', away);
    return () => {
      window.removeEventListener(BURST, away);
      window.removeEventListener('blur', away);
      document.removeEventListener('visibilitychange', away);
    };
  }, []);
  return { press, touch };
}

type ButtonEvents = Pick<
  HTMLAttributes<HTMLButtonElement>,
  'onKeyDown' | 'onKeyUp' | 'onBlur' | 'onContextMenu'
>;

function keyEvents(touch: (touch: Touch) => void): ButtonEvents {
  return {
    onKeyDown: (event) => {
      const { key, repeat, timeStamp } = event;
      // The browser presses a button on Enter at once and on the space bar by itself: neither may happen.
      if (key === 'Enter' || key === ' ') event.preventDefault();
      touch({ kind: 'key-down', key, repeat, at: timeStamp });
    },
    onKeyUp: (event) => {
      if (event.key === ' ') event.preventDefault();
      touch({ kind: 'key-up', key: event.key, at: event.timeStamp });
    },
    onBlur: () => {
      touch({ kind: 'away' });
    },
    onContextMenu: (event) => {
      event.preventDefault(); // a long press of a finger
    },
  };
}

/**
 * An ordinary button: pressed by a pointer, or by the space bar when it comes up after long enough a time
 * for a hand. Enter does nothing, because scanners send it.
 */
export function PressButton({
  act,
  children,
  kind = 'plain',
  disabled = false,
  pressed,
}: {
  readonly act: () => void;
  readonly children: ComponentChildren;
  readonly kind?: 'plain' | 'main' | 'stop';
  readonly disabled?: boolean;
  /** For one of several of which one is chosen. */
  readonly pressed?: boolean;
}): JSX.Element {
  const { touch } = usePress((by, heldFor) => {
    if (by === 'key' && isPress(by, heldFor) && !disabled) act();
  });
  return (
    <button
      type="button"
      class={`press ${kind}`}
      disabled={disabled}
      {...(pressed === undefined ? {} : { 'aria-pressed': pressed })}
      {...keyEvents(touch)}
      onClick={(event) => {
        if (event.detail > 0) act(); // 0: made by a key, which is followed above
      }}
    >
      {children}
    </button>
  );
}

/**
 * A button that acts when it has been kept pressed for `holdTime` ms, by pointer or space bar, and only
 * then. A bar shows how long; letting go, another key or a scan begins anew.
 */
export function KeepButton({
  holdTime,
  held,
  children,
}: {
  readonly holdTime: number;
  /** Hears for how many ms it was kept pressed. */
  readonly held: (heldFor: number) => void;
  readonly children: ComponentChildren;
}): JSX.Element {
  const button = useRef<HTMLButtonElement>(null);
  const { press, touch } = usePress(() => undefined);
  const told = useRef(held);
  told.current = held;
  useEffect(() => {
    let next = requestAnimationFrame(watch);
    function watch(): void {
      next = requestAnimationFrame(watch);
      const [now, down] = [performance.now(), press.current];
      const share = shareHeld(down, now, holdTime);
      button.current?.style.setProperty('--held', String(share));
      if (down.kind === 'none' || share < 1) return;
      press.current = NOT_PRESSED;
      told.current(Math.floor(now - down.since));
    }
    return () => {
      cancelAnimationFrame(next);
    };
  }, [holdTime, press]);
  return (
    <button
      ref={button}
      type="button"
      class="keep"
      {...keyEvents(touch)}
      onPointerDown={(event) => {
        if (!event.isPrimary || event.button !== 0) return;
        event.currentTarget.releasePointerCapture(event.pointerId); // a finger may slide off
        touch({ kind: 'pointer-down', at: event.timeStamp });
      }}
      onPointerUp={(event) => {
        touch({ kind: 'pointer-up', at: event.timeStamp });
      }}
      onPointerLeave={() => {
        touch({ kind: 'away' });
      }}
      onPointerCancel={() => {
        touch({ kind: 'away' });
      }}
    >
      <span>{children}</span>
      <i aria-hidden="true" />
    </button>
  );
}
