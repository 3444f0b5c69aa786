import { useEffect, useRef } from 'preact/hooks';
import { BURST } from './buttons.js';
import { hear, NOTHING_HEARD, settle, SETTLED, type Scan } from './wedge.js';

/** Keys that move the focus besides Tab. */
const STEPS: Readonly<Record<string, 1 | -1>> = {
  ArrowRight: 1,
  ArrowDown: 1,
  ArrowLeft: -1,
  ArrowUp: -1,
};

/**
 * Listens to the keyboard of the whole page, before any button does: a scanner needs no focus and presses
 * nothing, Escape stops, arrow keys move the focus.
 */
export function useKeyboard(on: {
  readonly scanned: (scan: Scan) => void;
  readonly stop: () => void;
}): void {
  const told = useRef(on);
  told.current = on;
  useEffect(() => {
    let wedge = NOTHING_HEARD;
    let timer = 0;
    const down = (event: KeyboardEvent): void => {
      const { key, repeat, ctrlKey, timeStamp } = event;
      if (key === 'Escape' && !repeat) told.current.stop();
      const heard = hear(wedge, { key, at: timeStamp, repeat, control: ctrlKey && !event.altKey });
      wedge = heard.wedge;
      if (heard.isBurst) {
        event.preventDefault();
        event.stopImmediatePropagation();
        window.dispatchEvent(new Event(BURST));
      } else {
        step(event);
      }
      if (repeat) return; // a held key must not keep a scan waiting
      clearTimeout(timer);
      timer = window.setTimeout(finish, SETTLED);
    };
    const finish = (): void => {
      const scan = settle(wedge);
      wedge = NOTHING_HEARD;
      if (scan !== undefined) told.current.scanned(scan);
    };
    window.addEventListener('keydown', down, { capture: true });
    return () => {
      clearTimeout(timer);
      window.removeEventListener('keydown', down, { capture: true });
    };
  }, []);
}

/** Moves the focus to the next or the previous thing that can be pressed. */
function step(event: KeyboardEvent): void {
  const by = STEPS[event.key];
  if (by === undefined || event.target instanceof HTMLInputElement) return;
  const all = [...document.querySelectorAll<HTMLElement>('button:enabled, input:enabled')];
  const at = all.findIndex((element) => element === document.activeElement);
  const next = at < 0 ? (by === 1 ? 0 : all.length - 1) : (at + by + all.length) % all.length;
  all[next]?.focus();
  event.preventDefault();
}
