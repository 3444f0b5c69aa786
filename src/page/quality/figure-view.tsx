import type { JSX } from 'preact';
import { useState } from 'preact/hooks';
import type { FoundAttempt } from '../../readiness/stored-attempt.js';
import type { RecordRows, RowFigure } from '../../serve/quality-views.js';
import { read } from '../link.js';
import { useAsked } from './asked.js';
import { Refusals } from './refusals.js';
import { SvgImage } from './svg-image.js';

/** ms without another choice before samples are scored again: it takes a second. */
const PAUSE = 250;

/** One reading of one attempt, drawn with its construction lines from the stored samples. */
export function FigureView({ chosen }: { readonly chosen: readonly FoundAttempt[] }): JSX.Element {
  const [wanted, setWanted] = useState('');
  const [row, setRow] = useState('');
  const attempt = chosen.find(({ number }) => number === wanted) ?? chosen.at(-1);
  const which = { serial: attempt?.serial ?? '', number: attempt?.number ?? '' };
  const rows = useAsked(attempt?.number, () => read<RecordRows>('rows', which));
  const known = rows.state === 'here' ? rows.answer.rows : [];
  const names = known.map(({ stage, characteristic }) => `${stage}.${characteristic}`);
  const first = known.findIndex(({ verdict }) => verdict !== 'conforming');
  const shown = names.includes(row) ? row : (names[Math.max(0, first)] ?? '');
  const key = shown === '' ? undefined : `${which.number} ${shown}`;
  const figure = useAsked(key, () => read<RowFigure>('figure', { ...which, row: shown }), PAUSE);
  return (
    <div class="q-figure">
      <div class="q-choose">
        <label>
          Attempt{' '}
          <select
            value={which.number}
            onChange={(event) => {
              setWanted(event.currentTarget.value);
            }}
          >
            {chosen.map((one) => (
              <option key={one.number} value={one.number}>
                {one.serial}, attempt {one.attempt}, {one.number}
              </option>
            ))}
          </select>
        </label>
        <label>
          Reading{' '}
          <select
            value={shown}
            onChange={(event) => {
              setRow(event.currentTarget.value);
            }}
          >
            {known.map(({ stage, characteristic, label, verdict }) => (
              <option key={`${stage}.${characteristic}`} value={`${stage}.${characteristic}`}>
                {verdict === 'conforming' ? '' : `${verdict}: `}
                {label} ({stage})
              </option>
            ))}
          </select>
        </label>
      </div>
      {rows.state === 'refused' ? <Refusals problems={rows.problems} /> : null}
      {figure.state === 'waiting' ? <p class="q-wait">Scoring the stored samples again …</p> : null}
      {figure.state === 'refused' ? <Refusals problems={figure.problems} /> : null}
      {figure.state === 'here' ? <Drawn figure={figure.answer} /> : null}
    </div>
  );
}

function Drawn({ figure }: { readonly figure: RowFigure }): JSX.Element {
  const { svg, alternative, words, notes } = figure;
  return (
    <>
      {notes.map((note) => (
        <p key={note} class="q-note">
          {note}
        </p>
      ))}
      {svg === undefined ? (
        <p class="q-empty">{words}</p>
      ) : (
        <SvgImage svg={svg} alternative={alternative} />
      )}
    </>
  );
}
