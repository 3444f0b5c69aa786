import type { JSX } from 'preact';
import { useEffect, useState } from 'preact/hooks';
import type { FolderLine, FolderState, FolderView } from '../../serve/auditor-views.js';
import { problemsIn, read } from '../link.js';
import { grouped, instantText, NoAnswer } from './told.js';

/** ms between two questions how far the check is. */
const AGAIN = 400;

/** The whole folder of records verified, with gaps in the numbering and the ledger audited. */
export function FolderArea(): JSX.Element {
  const [state, set] = useState<FolderState>({ kind: 'never' });
  const ask = (begin: boolean): void => {
    read<FolderState>('folder-check', begin ? { begin: 'yes' } : {}).then(set, (error: unknown) => {
      set({ kind: 'broken off', at: '', problems: problemsIn(error) });
    });
  };
  useEffect(() => {
    ask(false);
  }, []);
  useEffect(() => {
    if (state.kind !== 'going') return undefined;
    const timer = setTimeout(() => {
      ask(false);
    }, AGAIN);
    return () => {
      clearTimeout(timer);
    };
  }, [state]);
  return (
    <main class="a-folder-area">
      <div class="a-begin">
        <button
          type="button"
          disabled={state.kind === 'going'}
          onClick={() => {
            ask(true);
          }}
        >
          {state.kind === 'done' ? 'Verify everything again' : 'Verify everything'}
        </button>
        <p>
          Every record in the folder is read and verified, numbers that are missing are named, and
          every entry of the ledger is held against the one before.
        </p>
      </div>
      <Standing state={state} />
    </main>
  );
}

function Standing({ state }: { readonly state: FolderState }): JSX.Element | null {
  switch (state.kind) {
    case 'never':
      return <p class="a-note">It was not verified since this server was started.</p>;
    case 'going': {
      const { phase, done, of } = state;
      return (
        <div class="a-going" role="status">
          <progress max={Math.max(1, of)} value={done} aria-label={phase} />
          <p>
            {phase}: {grouped(done)} of {of === 0 ? '…' : grouped(of)}
          </p>
        </div>
      );
    }
    case 'broken off':
      return <NoAnswer asked={{ kind: 'refused', problems: state.problems }} />;
    case 'done':
      return <Found at={state.at} found={state.found} />;
    default:
      return state satisfies never;
  }
}

function Found({ at, found }: { readonly at: string; readonly found: FolderView }): JSX.Element {
  const { recordsSentence, ledgerSentence, ledgerFindings, duplicates, intact } = found;
  return (
    <>
      <p class={intact ? 'a-conclusion' : 'a-conclusion no'} role="status">
        {recordsSentence}
      </p>
      <p class={ledgerFindings.length === 0 ? 'a-ledger' : 'a-ledger no'}>{ledgerSentence}</p>
      <p class="a-quiet">Verified {instantText(at)} UTC.</p>
      <ul class="a-broken">
        {[...ledgerFindings, ...duplicates].map((sentence) => (
          <li key={sentence}>
            <span />
            <div>{sentence}</div>
          </li>
        ))}
      </ul>
      <div class="a-scroll" tabIndex={0} role="region" aria-label="Records of the folder">
        <FolderTable found={found} />
      </div>
    </>
  );
}

type TableLine =
  | { readonly kind: 'record'; readonly number: string; readonly record: FolderLine }
  | {
      readonly kind: 'gap';
      readonly number: string;
      readonly sentence: string;
      readonly explained: boolean;
    };

/** Records and numbers without one in a single order, so that a gap stands where it is missing. */
function linesOf({ records, missing }: FolderView): readonly TableLine[] {
  const lines: TableLine[] = [
    ...records.map((record) => ({ kind: 'record', number: record.number, record }) as const),
    ...missing.map((gap) => ({ kind: 'gap', ...gap }) as const),
  ];
  return lines.sort((a, b) => (a.number < b.number ? -1 : Number(a.number > b.number)));
}

/** Lines that are drawn at most. */
const MOST = 1000;

function FolderTable({ found }: { readonly found: FolderView }): JSX.Element {
  const [isShort, shorten] = useState(false);
  const lines = linesOf(found);
  const odd = lines.filter((line) => line.kind === 'gap' || line.record.state !== 'intact');
  const shown = isShort ? odd : lines;
  return (
    <>
      <label class="a-only">
        <input
          type="checkbox"
          checked={isShort}
          onChange={(event) => {
            shorten(event.currentTarget.checked);
          }}
        />{' '}
        only what is not intact ({odd.length})
      </label>
      <table class="a-list">
        <thead>
          <tr>
            <th scope="col">state</th>
            <th scope="col">record</th>
            <th scope="col">serial</th>
            <th scope="col">printed verdict</th>
            <th scope="col">what does not hold</th>
          </tr>
        </thead>
        <tbody>
          {shown.slice(0, MOST).map((line) =>
            line.kind === 'gap' ? (
              <tr key={line.number} class={line.explained ? 'gap' : 'gap no'}>
                <td>{line.explained ? 'no record' : <b>MISSING</b>}</td>
                <td class="mono">{line.number}</td>
                <td colSpan={3}>{line.sentence}</td>
              </tr>
            ) : (
              <Line key={line.record.folder} record={line.record} />
            ),
          )}
        </tbody>
      </table>
      {shown.length > MOST ? (
        <p class="a-note">
          {grouped(shown.length - MOST)} more lines are not shown here. All of them:{' '}
          <code>stallmark verify</code>, with the folder.
        </p>
      ) : null}
    </>
  );
}

function Line({ record }: { readonly record: FolderLine }): JSX.Element {
  const { state, number, revision, serial, verdict, folder, broken } = record;
  const isDamaged = state === 'damaged';
  return (
    <tr class={isDamaged ? 'no' : ''}>
      <td>{isDamaged ? <b>DAMAGED</b> : state}</td>
      <td class="mono">{number === '' ? folder : `${number} rev ${revision}`}</td>
      <td class="mono">{serial}</td>
      <td>{isDamaged && verdict !== '' ? `printed: ${verdict}` : verdict}</td>
      <td class="a-remark">
        {broken.map((sentence) => (
          <p key={sentence}>{sentence}</p>
        ))}
      </td>
    </tr>
  );
}
