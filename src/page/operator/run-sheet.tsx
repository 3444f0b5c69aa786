import type { JSX } from 'preact';
import { useEffect, useState } from 'preact/hooks';
import type { Phase } from '../../serve/nest-view.js';
import { LiveTrace, TraceKey } from '../drawn/live-trace.js';
import { VerdictMark } from '../drawn/verdict.js';
import { fill } from '../words/words.js';
import { PressButton } from './buttons.js';
import { grouped } from './check-groups.js';
import type { Screen } from './screen.js';

type Of<K extends Phase['kind']> = Phase & { readonly kind: K };

/** The label was read; item and bench are being looked at. */
export function CheckingSheet({
  screen: { view, words },
}: {
  readonly screen: Screen;
}): JSX.Element {
  return (
    <div class="board drawing">
      <ul class="sums">
        {grouped(view.checks).map(({ group, state }) => (
          <li key={group}>
            {state === 'ok' ? <VerdictMark kind="accept" /> : <span>–</span>}
            <b>{words.groups[group]}</b>
            <span>{words.states[state]}</span>
          </li>
        ))}
      </ul>
    </div>
  );
}

/** A hand is asked for, without power. */
export function ArrangeSheet({
  screen: { words, nest, mayAct },
  instruction,
}: {
  readonly screen: Screen;
  readonly instruction: string;
}): JSX.Element {
  return (
    <>
      <h2>{words.run.byHand}</h2>
      <div class="board drawing">
        <p class="notice" lang="en">
          {instruction}
        </p>
        <div class="act">
          <PressButton
            kind="main"
            disabled={!mayAct}
            act={() => {
              nest.ask({ kind: 'arranged' });
            }}
          >
            {words.run.arranged}
          </PressButton>
        </div>
      </div>
    </>
  );
}

/** Power is coming: the seconds in large digits. */
export function CountdownSheet({
  screen: { words, view },
  phase,
}: {
  readonly screen: Screen;
  readonly phase: Of<'countdown'>;
}): JSX.Element {
  const left = useCountdown(phase.at);
  return (
    <>
      <StageHeading {...{ words, view }} index={phase.stage} />
      <div class="board drawing countdown">
        <p class="large">{words.run.powerIn}</p>
        <p class="digits" role="timer" aria-live="off">
          {left}
        </p>
      </div>
    </>
  );
}

/** Whole seconds left, changed at the very moment at which the tone sounds. */
function useCountdown(at: number): number {
  const leftNow = (): number => Math.min(3, Math.max(0, Math.ceil((at - Date.now()) / 1000)));
  const [left, set] = useState(leftNow);
  useEffect(() => {
    const timer = window.setInterval(() => {
      set(leftNow());
    }, 50);
    return () => {
      clearInterval(timer);
    };
  }, [at]);
  return left;
}

function StageHeading({
  words,
  view,
  index,
}: Pick<Screen, 'words' | 'view'> & { readonly index: number }): JSX.Element {
  const stages = view.item?.stages ?? [];
  return (
    <h2>
      {fill(words.run.stage, { n: index + 1, all: stages.length })}:{' '}
      <span lang="en">{stages[index]?.title ?? ''}</span>
    </h2>
  );
}

/** Torque as it comes. */
export function RunningSheet({
  screen: { words, view, nest },
  phase,
}: {
  readonly screen: Screen;
  readonly phase: Of<'running'>;
}): JSX.Element {
  const stage = view.item?.stages[phase.stage];
  const { command, produced, shaft } = words.run;
  return (
    <>
      <StageHeading {...{ words, view }} index={phase.stage} />
      <div class="board drawing trace">
        <TraceKey names={{ command, produced, torque: shaft }} />
        <LiveTrace
          traces={nest.traces}
          peak={stage?.peak ?? 0}
          words={words.run}
          locale={words.locale}
        />
      </div>
    </>
  );
}

/** Samples are complete; the verdict is being made. */
export function DecidingSheet({ screen: { words } }: { readonly screen: Screen }): JSX.Element {
  return (
    <div class="board drawing">
      <p class="notice">{words.run.deciding}</p>
    </div>
  );
}
