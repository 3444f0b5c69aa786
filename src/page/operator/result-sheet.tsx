import type { JSX } from 'preact';
import type { Phase, ResultView } from '../../serve/nest-view.js';
import { VerdictShape } from '../drawn/verdict.js';
import { fill, type Blamed, type Words } from '../words/words.js';
import { localized, timeText } from './numbers.js';
import { ProblemList } from './problem-list.js';
import { blamedBy } from './say.js';
import { AfterItem } from './scan-sheet.js';
import type { Screen } from './screen.js';

/** Why the verdict is what it is, and what to do with the item. */
export function ResultSheet({
  screen,
  result,
  open,
}: {
  readonly screen: Screen;
  readonly result: ResultView;
  readonly open: () => void;
}): JSX.Element {
  const { words } = screen;
  return (
    <>
      <h2>{result.word === 'ACCEPT' ? words.result.accepted : words.result.why}</h2>
      <div class="board drawing">
        <p class="reason" lang="en">
          {result.reason}
        </p>
        <Causes {...{ words, result }} />
        {result.word === 'HOLD' && <BlameRow words={words} blamed={blamedBy(result)} />}
        {result.word === 'REJECT' && <RejectSteps {...{ words, result }} />}
        <div class="act after">
          <p>{isPutAway(result) && words.result.scanNext}</p>
          <AfterItem {...{ screen, open }} />
        </div>
      </div>
    </>
  );
}

/** Whether the item leaves the nest, so that the next one can come. */
const isPutAway = ({ word, blames }: ResultView): boolean =>
  word !== 'HOLD' || blames === undefined || blames === 'item';

/** Causes that fit beside what is to be done; how many more there are is told. */
const MOST = 4;

function Causes({
  words,
  result,
}: {
  readonly words: Words;
  readonly result: ResultView;
}): JSX.Element {
  const more = result.causes.length - MOST;
  return (
    <ul tabIndex={0} class={`causes ${result.causes.length > 2 ? 'many' : ''}`}>
      {result.causes.slice(0, MOST).map(({ stage, label, found, allowed }, index) => (
        <li key={index}>
          <span class="what" lang="en">
            {label} <small>{stage}</small>
          </span>
          <span class="found">
            <small>{words.result.found}</small> <b>{localized(found, words.locale)}</b>
          </span>
          <span class="allowed">
            <small>{words.result.allowed}</small> {localized(allowed, words.locale)}
          </span>
        </li>
      ))}
      {more > 0 && <li>+ {more}</li>}
    </ul>
  );
}

const BLAMED = ['item', 'stand', 'link', 'operator', 'nobody'] as const;

function BlameRow({
  words,
  blamed,
}: {
  readonly words: Words;
  readonly blamed: Blamed;
}): JSX.Element {
  return (
    <div class="blame">
      <ul aria-label={words.result.pointsAt}>
        {BLAMED.map((who) =>
          who === blamed ? (
            <li key={who} class="is">
              <VerdictShape kind="hold" given />
              <b>{words.blamed[who]}</b>
            </li>
          ) : (
            <li key={who} aria-hidden="true">
              {words.blamed[who]}
            </li>
          ),
        )}
      </ul>
      <p>{words.blame[blamed]}</p>
    </div>
  );
}

function RejectSteps({
  words,
  result,
}: {
  readonly words: Words;
  readonly result: ResultView;
}): JSX.Element {
  const { rejectSteps, rejectTag, rejectPut, rejectNoRetest } = words.result;
  return (
    <div class="steps">
      <div class="tag" aria-hidden="true">
        <b>{result.serial.slice(-5)}</b>
      </div>
      <ol aria-label={rejectSteps}>
        {[rejectTag, rejectPut, rejectNoRetest].map((step) => (
          <li key={step}>{step}</li>
        ))}
      </ol>
    </div>
  );
}

/** The attempt ended without a record: what happened, and that the torque is off if it is. */
export function EndedSheet({
  screen,
  phase,
  open,
}: {
  readonly screen: Screen;
  readonly open: () => void;
  readonly phase: Phase & { readonly kind: 'ended' };
}): JSX.Element {
  const { words, view, nest } = screen;
  const { item } = view;
  const time = timeText(phase.at, words.locale, true);
  return (
    <>
      <h2>
        {words.ended.whatHappened} <small>{fill(words.ended.at, { time })}</small>
      </h2>
      <div class="board drawing">
        {phase.how !== 'refused' && view.power === 'off' && (
          <p class="torque-off">{words.ended.torqueOff}</p>
        )}
        <ProblemList problems={[...phase.problems, ...nest.refusal]} words={words} />
        <p class="then">
          {words.ended.noVerdict}{' '}
          {item !== undefined && fill(words.ended.counts, { serial: item.serial, n: item.attempt })}
        </p>
        <div class="act after">
          <p class="do">{phase.how !== 'refused' && words.ended.reset}</p>
          <AfterItem {...{ screen, open }} />
        </div>
      </div>
    </>
  );
}
