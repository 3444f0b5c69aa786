import type { JSX } from 'preact';
import { useState } from 'preact/hooks';
import type { FoundAttempt } from '../../readiness/stored-attempt.js';
import type { Searching } from '../../serve/auditor-views.js';
import { read } from '../link.js';
import { useAsked } from './asked.js';
import { FigureView } from './figure-view.js';
import { OverlayView } from './overlay-view.js';
import { Refusals } from './refusals.js';
import { SmoothingView } from './smoothing-view.js';

/** Attempts that are laid over each other at most: more lines cannot be told apart. */
const MOST = 10;

const VIEWS = [
  ['figure', 'One reading'],
  ['overlay', 'Overlay'],
  ['smoothing', 'Lag against grain'],
] as const;
type View = (typeof VIEWS)[number][0];

/** Traces of any attempt: one reading with its construction lines, several attempts, small multiples. */
export function TracesArea(): JSX.Element {
  const [find, setFind] = useState('');
  const [view, setView] = useState<View>('figure');
  const [chosen, setChosen] = useState<readonly FoundAttempt[]>([]);
  const asked = useAsked(find, () => attemptsWith(find));
  const toggle = (attempt: FoundAttempt): void => {
    const others = chosen.filter(({ number }) => number !== attempt.number);
    setChosen(others.length < chosen.length ? others : [...chosen, attempt].slice(-MOST));
  };
  return (
    <div class="q-traces">
      <section class="q-attempts" aria-label="Attempts">
        <form
          onSubmit={(event) => {
            event.preventDefault();
            const field = event.currentTarget.elements.namedItem('find');
            if (field instanceof HTMLInputElement) setFind(field.value);
          }}
        >
          <label>
            Serial or number
            <input name="find" autocomplete="off" />
          </label>
          <button type="submit">Find</button>
        </form>
        {asked.state === 'refused' ? <Refusals problems={asked.problems} /> : null}
        {asked.state === 'here' ? (
          <AttemptList attempts={asked.answer} chosen={chosen} toggle={toggle} />
        ) : null}
        <p class="q-soft">
          {chosen.length} chosen, at most {MOST}
        </p>
      </section>
      <section class="q-view" aria-label="Drawing">
        <nav class="q-views" aria-label="Kind of drawing">
          {VIEWS.map(([id, words]) => (
            <button
              key={id}
              type="button"
              aria-pressed={view === id}
              onClick={() => {
                setView(id);
              }}
            >
              {words}
            </button>
          ))}
        </nav>
        {chosen.length === 0 ? (
          <p class="q-empty">Choose attempts in the list on the left.</p>
        ) : (
          <Drawing view={view} chosen={chosen} />
        )}
      </section>
    </div>
  );
}

/** Asks again until the index of the ledger is made: each question takes a part of it over. */
async function attemptsWith(find: string): Promise<readonly FoundAttempt[]> {
  for (;;) {
    const found = await read<Searching<readonly FoundAttempt[]>>('attempts', { find });
    if (found.kind === 'answer') return found.answer;
  }
}

function Drawing({
  view,
  chosen,
}: {
  readonly view: View;
  readonly chosen: readonly FoundAttempt[];
}): JSX.Element {
  switch (view) {
    case 'figure':
      return <FigureView chosen={chosen} />;
    case 'overlay':
      return <OverlayView chosen={chosen} />;
    case 'smoothing':
      return <SmoothingView chosen={chosen} />;
  }
}

function AttemptList({
  attempts,
  chosen,
  toggle,
}: {
  readonly attempts: readonly FoundAttempt[];
  readonly chosen: readonly FoundAttempt[];
  readonly toggle: (attempt: FoundAttempt) => void;
}): JSX.Element {
  if (attempts.length === 0) return <p>No attempt is found.</p>;
  return (
    <ul class="q-attempt-list">
      {attempts.map((attempt) => (
        <li key={attempt.number}>
          <label title={attempt.reason}>
            <input
              type="checkbox"
              checked={chosen.some(({ number }) => number === attempt.number)}
              disabled={attempt.verdict === undefined}
              onChange={() => {
                toggle(attempt);
              }}
            />
            <code>{attempt.serial}</code>
            <b>{attempt.verdict ?? 'no record'}</b>
            <span class="q-soft">
              attempt {attempt.attempt}, {attempt.at.slice(0, 16).replace('T', ' ')}
              {attempt.verdict === undefined ? `: ${attempt.reason}` : ''}
            </span>
          </label>
        </li>
      ))}
    </ul>
  );
}
