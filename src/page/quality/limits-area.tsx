import type { JSX } from 'preact';
import { useEffect, useRef, useState } from 'preact/hooks';
import { unreachable, type Problem } from '../../base/error.js';
import { isNote } from '../../base/report.js';
import type { CheckedLimits, EditedLimits } from '../../serve/quality-views.js';
import { change, problemsIn, read } from '../link.js';
import { useAsked } from './asked.js';
import { ChangesPanel } from './changes-panel.js';
import type { LimitsEditor } from './limits-editor.js';
import { Refusals } from './refusals.js';

/** ms without a key before the text is checked. */
const PAUSE = 350;
/** Items whose values stand in the margin. */
const LAST = '200';

/** Limits as text: checked while they are typed, compared in words, saved as a draft. */
export function LimitsArea(): JSX.Element {
  const [file, setFile] = useState('');
  const [turn, setTurn] = useState(0);
  const asked = useAsked(`${file} ${turn}`, () => read<EditedLimits>('limits', { file }));
  switch (asked.state) {
    case 'here':
      return (
        <Editing
          key={`${asked.answer.file} ${turn}`}
          edited={asked.answer}
          choose={setFile}
          reload={() => {
            setTurn(turn + 1);
          }}
        />
      );
    case 'refused':
      return <Refusals problems={asked.problems} />;
    case 'nothing':
    case 'waiting':
      return <p class="q-wait">Reading the limits …</p>;
    default:
      return unreachable(asked);
  }
}

interface EditingProps {
  readonly edited: EditedLimits;
  readonly choose: (file: string) => void;
  readonly reload: () => void;
}

function Editing({ edited, choose, reload }: EditingProps): JSX.Element {
  const host = useRef<HTMLDivElement>(null);
  const editor = useRef<LimitsEditor | undefined>(undefined);
  const [checked, setChecked] = useState<CheckedLimits | undefined>();
  const [refused, setRefused] = useState<readonly Problem[]>([]);
  const [isChanged, setChanged] = useState(false);
  const begin = edited.draft?.text ?? edited.text;

  useEffect(() => {
    let timer: ReturnType<typeof setTimeout> | undefined;
    let turn = 0;
    let isOpen = true;
    const check = async (): Promise<void> => {
      const mine = (turn += 1);
      const text = editor.current?.text() ?? begin;
      try {
        const args = { file: edited.file, text, last: LAST };
        const found = await read<CheckedLimits>('check-limits', args);
        if (!isOpen || mine !== turn) return;
        setChecked(found);
        editor.current?.show(findingsOf(found, edited.file));
      } catch (error) {
        if (isOpen && mine === turn) setRefused(problemsIn(error));
      }
    };
    const onChange = (): void => {
      setChanged(editor.current?.text() !== begin);
      clearTimeout(timer);
      timer = setTimeout(() => void check(), PAUSE);
    };
    void import('./limits-editor.js').then(({ openEditor }) => {
      if (!isOpen || host.current === null) return;
      const { vocabulary } = edited;
      editor.current = openEditor(host.current, { text: begin, vocabulary, onChange });
      void check();
    });
    return () => {
      isOpen = false;
      clearTimeout(timer);
      editor.current?.close();
    };
  }, []);

  return (
    <div class="q-limits">
      <section class="q-edit" aria-label="Text of the limits">
        <EditHead {...{ edited, choose, isChanged }} items={checked?.preview?.items} />
        <div class="q-code" ref={host} />
      </section>
      <section class="q-words" aria-label="What changes">
        <ChangesPanel
          checked={checked}
          goTo={(line, column) => editor.current?.goTo(line, column)}
        />
        {refused.length === 0 ? null : <Refusals problems={refused} />}
        <SavePanel
          edited={edited}
          text={() => editor.current?.text() ?? begin}
          isChanged={isChanged}
          restore={() => editor.current?.replace(edited.text)}
          saved={reload}
        />
      </section>
    </div>
  );
}

/** What the editor draws of what was found. Notes are told beside, not between the lines. */
function findingsOf(
  { problems, changes = [], preview }: CheckedLimits,
  file: string,
): Parameters<LimitsEditor['show']>[0] {
  return {
    problems: problems.filter((problem) => !isNote(problem) && problem.where?.file === file),
    rows: preview?.rows ?? [],
    changed: changes.flatMap(({ line }) => line ?? []),
  };
}

interface HeadProps extends Pick<EditingProps, 'edited' | 'choose'> {
  readonly isChanged: boolean;
  readonly items: number | undefined;
}

function EditHead({ edited, choose, isChanged, items }: HeadProps): JSX.Element {
  const { files, file, draft } = edited;
  const here = files.find((one) => one.file === file);
  const told =
    here === undefined
      ? ''
      : `${here.id} issue ${here.issue}, ${here.date}, ${here.isInForce ? 'in force' : 'no route leads to it'}`;
  const saved = draft?.saved;
  return (
    <header class="q-edit-head">
      {files.length > 1 ? (
        <label>
          File{' '}
          <select
            value={file}
            onChange={(event) => {
              choose(event.currentTarget.value);
            }}
          >
            {files.map((one) => (
              <option key={one.file} value={one.file}>
                {one.file}
                {one.isInForce ? ', in force' : ''}
              </option>
            ))}
          </select>
        </label>
      ) : (
        <code>{file}</code>
      )}
      <span>
        {draft === undefined
          ? told
          : `draft${saved === undefined ? '' : ` by ${saved.by}, ${saved.at.slice(0, 16).replace('T', ' ')} UTC`}, against issue ${String(here?.issue ?? '')}`}
        {isChanged ? ', not saved' : ''}
      </span>
      <span class="q-margin-head">
        {items === undefined ? 'limit to limit' : `last ${items} items, limit to limit`}
      </span>
    </header>
  );
}

interface SaveProps {
  readonly edited: EditedLimits;
  readonly text: () => string;
  readonly isChanged: boolean;
  readonly restore: () => void;
  readonly saved: () => void;
}

function SavePanel({ edited, text, isChanged, restore, saved }: SaveProps): JSX.Element {
  const [why, setWhy] = useState('');
  const [refused, setRefused] = useState<readonly Problem[]>([]);
  const save = async (): Promise<void> => {
    const seen = { effective: edited.digest, draft: edited.draft?.digest ?? '' };
    try {
      await change('save-limits-draft', { file: edited.file, text: text(), why, seen });
      saved();
    } catch (error) {
      setRefused(problemsIn(error));
    }
  };
  return (
    <form
      class="q-save"
      onSubmit={(event) => {
        event.preventDefault();
        void save();
      }}
    >
      {refused.length === 0 ? null : <Refusals problems={refused} />}
      <label>
        Reason for the change
        <input
          value={why}
          maxLength={500}
          onInput={(event) => {
            setWhy(event.currentTarget.value);
          }}
        />
      </label>
      <div class="q-buttons">
        <button type="submit" disabled={!isChanged || why.trim() === ''}>
          Save draft
        </button>
        <button type="button" onClick={restore}>
          Back to the text in force
        </button>
      </div>
      <p class="q-later">
        A draft decides nothing: items are tested to the limits in force. Submit for approval: not
        in this version.
      </p>
    </form>
  );
}
