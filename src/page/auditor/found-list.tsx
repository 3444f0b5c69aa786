import type { JSX } from 'preact';
import type { FoundLine, FoundPage } from '../../serve/auditor-views.js';
import { VerdictShape } from '../drawn/verdict.js';
import { grouped } from './told.js';
import { verdictKind } from './verdict-word.js';

/** Lines of one page, as the server gives them. */
const PAGE = 50;

/** What was found, newest first, with how each attempt ended. */
export function FoundList({
  found,
  page,
  entry,
  turn,
  showAll,
  refuted,
}: {
  readonly found: FoundPage;
  readonly page: number;
  readonly entry: number | undefined;
  readonly turn: (page: number) => void;
  /** Takes back what was asked for; undefined when nothing was. */
  readonly showAll: (() => void) | undefined;
  /** The entry whose record was just found not to hold. */
  readonly refuted: number | undefined;
}): JSX.Element {
  const { lines, total, entries } = found;
  const pages = Math.max(1, Math.ceil(total / PAGE));
  return (
    <>
      <p class="a-found" role="status">
        <b>{grouped(total)} found, newest first.</b>{' '}
        {showAll === undefined ? (
          'Every attempt is listed, however it ended, and every start that was refused.'
        ) : (
          <button type="button" onClick={showAll}>
            Show all
          </button>
        )}
      </p>
      <div class="a-scroll" tabIndex={0} role="region" aria-label="What was found">
        <table class="a-list">
          <thead>
            <tr>
              <th scope="col">ended</th>
              <th scope="col">serial, record</th>
              <th scope="col">begun, UTC</th>
              <th scope="col">attempt</th>
              <th scope="col">remark</th>
            </tr>
          </thead>
          <tbody>
            {lines.map((line) => (
              <Line
                key={line.entry}
                line={line}
                isOpen={line.entry === entry}
                isRefuted={line.entry === refuted}
              />
            ))}
          </tbody>
        </table>
      </div>
      <p class="a-pages">
        <button
          type="button"
          disabled={page <= 1}
          onClick={() => {
            turn(page - 1);
          }}
        >
          Newer
        </button>
        <span>
          page {page} of {grouped(pages)}
        </span>
        <button
          type="button"
          disabled={page >= pages}
          onClick={() => {
            turn(page + 1);
          }}
        >
          Older
        </button>
        <small class="soft">
          Found by an index of the ledger’s {grouped(entries)} entries; it proves nothing. Open a
          record to have it verified.
        </small>
      </p>
    </>
  );
}

function Line({
  line,
  isOpen,
  isRefuted,
}: {
  readonly line: FoundLine;
  readonly isOpen: boolean;
  /** Verification found just now that its record does not hold. */
  readonly isRefuted: boolean;
}): JSX.Element {
  const { entry, serial, attempt, certificate, revision, at, word } = line;
  const kind = verdictKind(word);
  return (
    <tr class={isOpen ? 'is' : ''}>
      <td>
        <span class="a-ended">
          {kind === undefined ? (
            <span class="a-no-shape">–</span>
          ) : (
            <VerdictShape kind={kind} given={!isRefuted} />
          )}
          <span>{word === '' ? 'not ended' : word}</span>
        </span>
      </td>
      <td>
        <a class="mono" href={`#records/${entry}`} aria-current={isOpen ? 'true' : undefined}>
          {serial}
        </a>
        <small class="mono">
          {certificate === '' ? 'no record' : certificate}
          {revision > 0 ? ` rev ${revision}` : ''}
        </small>
      </td>
      <td>
        {at.slice(0, 10)}
        <small>{at.slice(11, 16)}</small>
      </td>
      <td>{attempt === 0 ? '–' : attempt}</td>
      <td class="a-remark">
        <Marks line={line} />
        <small>{isRefuted ? 'does not hold: see the checks' : remark(line)}</small>
      </td>
    </tr>
  );
}

/** What a reader must not miss: that a record is suspect, superseded or simulated. */
export function Marks({ line }: { readonly line: FoundLine }): JSX.Element {
  const { suspect, superseded } = line;
  return (
    <>
      {suspect === undefined ? null : <b class="a-mark">SUSPECT</b>}
      {superseded === undefined ? null : <b class="a-mark">superseded by rev {superseded}</b>}
    </>
  );
}

/** Nothing that the word says already. */
function remark({ word, reason, outcome, by }: FoundLine): string {
  if (word === 'ACCEPT') return outcome === 'conditional' ? `on condition; ${by}` : by;
  return reason === '' ? by : reason;
}
