import type { JSX } from 'preact';
import type { Choices } from '../../serve/auditor-views.js';
import { DayInput } from './day-input.js';

/** What is asked for; empty texts ask for nothing. */
export interface AskedFor extends Readonly<Record<string, string>> {
  readonly text: string;
  readonly from: string;
  readonly to: string;
  readonly model: string;
  readonly verdict: string;
  readonly operator: string;
  readonly state: string;
}

export const NOTHING_ASKED: AskedFor = {
  ...{ text: '', from: '', to: '', model: '', verdict: '', operator: '', state: '' },
};

const VERDICTS = ['ACCEPT', 'REJECT', 'HOLD'];
const STATES = ['suspect', 'superseded', 'broken off', 'refused', 'not ended'];

/** Asks which attempts are wanted. Everything that is filled in must hold. */
export function AskForm({
  wish,
  choices,
  change,
}: {
  readonly wish: AskedFor;
  readonly choices: Choices | undefined;
  readonly change: (wish: AskedFor) => void;
}): JSX.Element {
  const set = (name: keyof AskedFor & string, value: string): void => {
    change({ ...wish, [name]: value });
  };
  return (
    <form
      class="a-ask"
      role="search"
      onSubmit={(event) => {
        event.preventDefault();
      }}
    >
      <label class="a-wide">
        serial or record number, or a part of it
        <input
          class="mono"
          type="search"
          autocomplete="off"
          spellcheck={false}
          value={wish.text}
          onInput={(event) => {
            set('text', event.currentTarget.value);
          }}
        />
      </label>
      <Day name="from" words="begun from (UTC)" wish={wish} set={set} />
      <Day name="to" words="to, that day too" wish={wish} set={set} />
      <Choice name="model" words="model" of={choices?.models ?? []} wish={wish} set={set} />
      <Choice name="verdict" words="verdict" of={VERDICTS} wish={wish} set={set} />
      <Choice
        name="operator"
        words="operator"
        of={choices?.operators ?? []}
        wish={wish}
        set={set}
      />
      <Choice name="state" words="state" of={STATES} wish={wish} set={set} />
    </form>
  );
}

interface Field {
  readonly words: string;
  readonly wish: AskedFor;
  readonly set: (name: keyof AskedFor & string, value: string) => void;
}

function Day({ name, words, wish, set }: Field & { readonly name: 'from' | 'to' }): JSX.Element {
  return (
    <label>
      {words}
      <DayInput
        value={wish[name]}
        set={(day) => {
          set(name, day);
        }}
      />
    </label>
  );
}

function Choice({
  name,
  words,
  of,
  wish,
  set,
}: Field & {
  readonly name: 'model' | 'verdict' | 'operator' | 'state';
  readonly of: readonly string[];
}): JSX.Element {
  const chosen = wish[name];
  const options = chosen === '' || of.includes(chosen) ? of : [...of, chosen];
  return (
    <label>
      {words}
      <select
        value={chosen}
        onChange={(event) => {
          set(name, event.currentTarget.value);
        }}
      >
        <option value="">any</option>
        {options.map((one) => (
          <option key={one} value={one}>
            {one}
          </option>
        ))}
      </select>
    </label>
  );
}
