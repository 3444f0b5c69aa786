import type { ComponentChildren, JSX } from 'preact';
import { useLayoutEffect, useRef, useState } from 'preact/hooks';
import type { Check } from '../../readiness/readiness.js';
import { VerdictMark } from '../drawn/verdict.js';
import { fill } from '../words/words.js';
import { BURST, PressButton } from './buttons.js';
import { inOrderOfNeed, isBlocking } from './check-groups.js';
import { timeText } from './numbers.js';
import type { Screen } from './screen.js';

/** Nobody works here from this page: take the bench, or look on. */
export function HoldSheet({ screen: { nest, words } }: { readonly screen: Screen }): JSX.Element {
  const { hold, mayHold } = nest.hold;
  const text = !mayHold
    ? words.hold.mayNot
    : hold === 'another'
      ? words.hold.another
      : words.hold.free;
  return (
    <div class="board drawing">
      <p class="notice">{text}</p>
      {hold === 'free' && mayHold && (
        <div class="act">
          <PressButton kind="main" act={nest.take}>
            {words.hold.take}
          </PressButton>
        </div>
      )}
    </div>
  );
}

/** What can be pressed when an item has come to its end: another one typed, or the bench taken that is free. */
export function AfterItem({
  screen: { nest, words, mayAct },
  open,
}: {
  readonly screen: Screen;
  readonly open: () => void;
}): JSX.Element | null {
  if (mayAct) return <PressButton act={open}>{words.scan.type}</PressButton>;
  if (nest.hold.hold !== 'free' || !nest.hold.mayHold) return null;
  return (
    <PressButton kind="main" act={nest.take}>
      {words.hold.take}
    </PressButton>
  );
}

/** Waits for a scan: where the label is, or why the last scan led nowhere. */
export function ScanSheet({
  screen: { words },
  broken,
  open,
  children,
}: {
  readonly screen: Screen;
  readonly broken: boolean;
  readonly open: () => void;
  readonly children?: ComponentChildren;
}): JSX.Element {
  return (
    <div class="board drawing">
      {children ?? (
        <div class="label">
          <LabelDrawing />
          <p class="large">{broken ? <b role="alert">{words.scan.broken}</b> : words.scan.where}</p>
          <p class="soft">{words.scan.nothing}</p>
        </div>
      )}
      <div class="act">
        <PressButton act={open}>{words.scan.type}</PressButton>
      </div>
    </div>
  );
}

/** Modules of the drawn code: a pattern of our own that no reader decodes, row by row. */
const MODULES = ['b9', '9c', 'e5', 'b2', 'd7', '8a', 'f1', 'ff'];

/** Draws the label and the line that reads it. */
function LabelDrawing(): JSX.Element {
  const code = MODULES.flatMap((row, y) =>
    Array.from(parseInt(row, 16).toString(2).padStart(8, '0'), (bit, x) =>
      bit === '1' ? `M${x * 12} ${y * 12}h12v12h-12z` : '',
    ),
  ).join('');
  return (
    <svg class="label-drawing" viewBox="0 0 480 200" aria-hidden="true">
      <rect x="60" y="22" width="360" height="156" rx="10" class="plate-outline" />
      <path transform="translate(86 52)" d={code} class="ink" />
      <path d="M210 72h150M210 136h110M210 156h80" class="lines" />
      <text x="210" y="112" font-size="25" font-weight="700" class="mono">
        H12-26-…
      </text>
      <path d="M20 100H460M20 90v20M460 90v20" class="beam" />
    </svg>
  );
}

/** A serial given by hand; the nest marks it as typed. */
export function TypingSheet({
  screen: { words },
  scan,
  close,
}: {
  readonly screen: Screen;
  readonly scan: (text: string) => void;
  readonly close: (isTyping: boolean) => void;
}): JSX.Element {
  const [text, setText] = useState('');
  const field = useRef<HTMLInputElement>(null);
  useLayoutEffect(() => {
    field.current?.focus();
    const clear = (): void => {
      setText(''); // the first character of a scan may have landed here
    };
    window.addEventListener(BURST, clear);
    return () => {
      window.removeEventListener(BURST, clear);
    };
  }, []);
  const send = (): void => {
    if (text.trim() !== '') scan(text.trim());
  };
  return (
    <form
      class="board drawing"
      onSubmit={(event) => {
        event.preventDefault();
        send();
      }}
    >
      <label class="typing">
        {words.scan.typed}
        <input
          ref={field}
          value={text}
          autocomplete="off"
          spellcheck={false}
          onInput={(event) => {
            setText(event.currentTarget.value);
          }}
        />
      </label>
      <div class="act">
        <PressButton
          act={() => {
            close(false);
          }}
        >
          {words.scan.back}
        </PressButton>
        <PressButton kind="main" act={send} disabled={text.trim() === ''}>
          {words.scan.send}
        </PressButton>
      </div>
    </form>
  );
}

/** Most lines of the list that fit the sheet. */
const LINES = 8;

/** Why the bench may not test, and who can change that. */
export function NotReadySheet({ screen }: { readonly screen: Screen }): JSX.Element {
  const { words, view, nest } = screen;
  const time = timeText(view.checkedAt, words.locale, true);
  return (
    <>
      <h2>
        {words.ready.heading} <small>{fill(words.ready.checkedAt, { time })}</small>
      </h2>
      <div class="board drawing">
        <CheckTable screen={screen} checks={inOrderOfNeed(view.checks).slice(0, LINES)} />
        <div class="act">
          <PressButton
            kind="main"
            act={() => {
              nest.ask({ kind: 'look' });
            }}
          >
            {words.ready.again}
          </PressButton>
        </div>
      </div>
    </>
  );
}

function CheckTable({
  screen: { words },
  checks,
}: {
  readonly screen: Screen;
  readonly checks: readonly Check[];
}): JSX.Element {
  return (
    <div class="scroll" tabIndex={0}>
      <table class="checks">
        <tbody>
          {checks.map((check) => (
            <tr key={check.name} class={isBlocking(check) ? 'blocks' : ''}>
              <td>{isBlocking(check) ? <VerdictMark kind="reject" /> : <span>i</span>}</td>
              <td>
                <b lang="en">{check.name}</b>
                <span class="state">{words.states[check.state]}</span>
                <span class="found" lang="en">
                  {check.found}
                </span>
              </td>
              <td>
                <small>{isBlocking(check) ? words.ready.clears : words.ready.told}</small>
                {isBlocking(check) && <b>{words.roles[check.clear]}</b>}
              </td>
            </tr>
          ))}
        </tbody>
      </table>
    </div>
  );
}
