import type { JSX } from 'preact';
import { VerdictMark } from './verdict.js';

/** A stage as the ruler draws it. */
export interface RulerStage {
  readonly id: string;
  readonly title: string;
  /** s. */
  readonly seconds: number;
  readonly powered: boolean;
  readonly state: 'to come' | 'now' | 'done' | 'hold' | 'reject';
}

/** States that are worth a name; the first such stage bears it. */
const NAMED = new Set<RulerStage['state']>(['now', 'hold', 'reject']);

/**
 * Draws the stages as wide as they take time: filled and ticked when done, in a heavy outline while
 * running, with bars or a cross where the verdict came from. The running one, or the first
 * of those, is named.
 */
export function StageRuler({
  stages,
  share,
  label,
}: {
  readonly stages: readonly RulerStage[];
  /** How much of the running stage is done, 0 … 1. */
  readonly share: number;
  readonly label: string;
}): JSX.Element {
  const named = stages.findIndex(({ state }) => NAMED.has(state));
  return (
    <ol class="stage-ruler" aria-label={label}>
      {stages.map((stage, index) => (
        <Stage
          key={stage.id}
          {...{ stage, share }}
          number={index + 1}
          isNamed={index === named}
          side={(index + 0.5) / stages.length}
        />
      ))}
    </ol>
  );
}

function Stage({
  stage,
  share,
  number,
  isNamed,
  side,
}: {
  readonly stage: RulerStage;
  readonly share: number;
  readonly number: number;
  readonly isNamed: boolean;
  /** Where on the ruler, 0 … 1: names at the ends grow inwards. */
  readonly side: number;
}): JSX.Element {
  const { state, title, powered } = stage;
  const towards = side < 0.3 ? 'right' : side > 0.7 ? 'left' : 'middle';
  const wide = (element: HTMLElement | null): void => {
    element?.style.setProperty('--seconds', String(Math.max(1, stage.seconds)));
    element?.style.setProperty('--share', String(share));
  };
  return (
    <li
      ref={wide}
      class={`${state.replace(' ', '-')} ${powered ? 'powered' : ''}`}
      {...(state === 'now' ? { 'aria-current': 'step' } : {})}
    >
      <span class="box">{boxOf(state, number)}</span>
      {isNamed ? (
        <span class={`name ${towards}`} lang="en">
          {title}
        </span>
      ) : (
        <span class="hidden" lang="en">
          {title}
        </span>
      )}
    </li>
  );
}

function boxOf(state: RulerStage['state'], number: number): JSX.Element {
  if (state === 'done') return <VerdictMark kind="accept" />;
  if (state === 'hold' || state === 'reject') return <VerdictMark kind={state} />;
  return <span class="number">{number}</span>;
}
