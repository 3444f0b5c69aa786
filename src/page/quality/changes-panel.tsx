import type { JSX } from 'preact';
import type { Problem } from '../../base/error.js';
import { isNote } from '../../base/report.js';
import type { LimitChange } from '../../procedure/limits-difference.js';
import type { CheckedLimits, MarginRow } from '../../serve/quality-views.js';

type GoTo = (line: number, column: number) => void;

/** Beside the text: what stops it, what it changes, and what that does to the last items. */
export function ChangesPanel({
  checked,
  goTo,
}: {
  readonly checked: CheckedLimits | undefined;
  readonly goTo: GoTo;
}): JSX.Element {
  if (checked === undefined) return <p class="q-wait">Checking …</p>;
  const { problems, changes, unread = [], unchanged, preview } = checked;
  const grave = problems.filter((problem) => !isNote(problem));
  const notes = problems.filter(isNote);
  return (
    <div class="q-panel">
      <h2>{grave.length === 0 ? 'Nothing to correct' : `${grave.length} to correct`}</h2>
      <ProblemItems problems={grave} goTo={goTo} />
      <h2>What changes, in words</h2>
      {changes === undefined ? (
        <p class="q-soft">Cannot be compared until the text can be read.</p>
      ) : (
        <ChangeItems changes={changes} rows={preview?.rows ?? []} goTo={goTo} />
      )}
      {unread.map(({ row, line }) => (
        <p key={row} class="q-unread">
          <b>unread</b> {row}: cannot be compared until line {line} is settled.
        </p>
      ))}
      {unchanged === undefined ? null : <p class="q-soft">{unchanged} rows say what they said.</p>}
      {preview === undefined ? null : <Consequence preview={preview} />}
      {notes.length === 0 ? null : (
        <details>
          <summary>{notes.length === 1 ? '1 note' : `${notes.length} notes`}</summary>
          <ProblemItems problems={notes} goTo={goTo} />
        </details>
      )}
    </div>
  );
}

function ProblemItems({
  problems,
  goTo,
}: {
  readonly problems: readonly Problem[];
  readonly goTo: GoTo;
}): JSX.Element {
  return (
    <ol class="q-problems">
      {problems.map((problem) => {
        const { code, where, what, fix } = problem;
        const place = where === undefined ? '' : `${where.file}:${where.line}:${where.column}`;
        return (
          <li key={`${place} ${code} ${what}`}>
            <button
              type="button"
              class="q-place"
              onClick={() => {
                if (where !== undefined) goTo(where.line, where.column);
              }}
            >
              {place} {code}
            </button>
            <p>{what}</p>
            <p class="q-fix">Fix: {fix}</p>
          </li>
        );
      })}
    </ol>
  );
}

function ChangeItems({
  changes,
  rows,
  goTo,
}: {
  readonly changes: readonly LimitChange[];
  readonly rows: readonly MarginRow[];
  readonly goTo: GoTo;
}): JSX.Element {
  if (changes.length === 0) {
    return <p>Nothing: comments and layout do not count.</p>;
  }
  return (
    <ol class="q-changes">
      {changes.map(({ way, words, line, row }) => {
        const consequence = consequenceOf(rows.find((one) => one.row === row));
        return (
          <li key={words}>
            <b>{way}</b>
            <div>
              {line === undefined ? (
                <p>{words}</p>
              ) : (
                <button
                  type="button"
                  class="q-link"
                  onClick={() => {
                    goTo(line, 1);
                  }}
                >
                  {words}
                </button>
              )}
              {way === 'wording' || consequence === '' ? null : <p class="q-soft">{consequence}</p>}
            </div>
          </li>
        );
      })}
    </ol>
  );
}

function consequenceOf(row: MarginRow | undefined): string {
  if (row === undefined || row.at.length === 0) return '';
  const { lost, won } = row;
  if (lost + won === 0) return `On this row none of ${row.at.length} items would change.`;
  return `On this row ${lost} of ${row.at.length} items would no longer be accepted, ${won} newly.`;
}

/** How many items a list names before it only counts. */
const MOST = 12;

function Consequence({
  preview,
}: {
  readonly preview: NonNullable<CheckedLimits['preview']>;
}): JSX.Element {
  const { items, unread, changed } = preview;
  return (
    <div class="q-effect">
      <h2>
        Of the last {items} items {changed.length} would have another verdict
      </h2>
      <ul>
        {changed.slice(0, MOST).map(({ serial, number, before, after, rows }) => (
          <li key={number}>
            <code>{serial}</code> {before} → {after} <span class="q-soft">{rows.join(', ')}</span>
          </li>
        ))}
      </ul>
      {changed.length > MOST ? <p>and {changed.length - MOST} more</p> : null}
      <p class="q-soft">
        A preview from stored values and U; no samples are scored again.
        {unread === 0 ? '' : ` ${unread} records could not be read.`}
      </p>
    </div>
  );
}
