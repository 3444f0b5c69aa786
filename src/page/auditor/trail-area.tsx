import type { JSX } from 'preact';
import { useState } from 'preact/hooks';
import type { ReviewLine, TrailLine, TrailPage } from '../../serve/auditor-views.js';
import { useSearching } from './asking.js';
import { DayInput } from './day-input.js';
import { grouped, instantText, NoAnswer } from './told.js';

const NOTHING = { from: '', to: '', person: '', serial: '', kind: '' };
type Wish = Readonly<typeof NOTHING>;

const KINDS: readonly (readonly [kind: string, words: string])[] = [
  ['changed', 'changes'],
  ['refused', 'refusals'],
  ['signed', 'signatures and reviews'],
  ['item-moved', 'items moved'],
  ['note', 'sessions and notes'],
  ['attempt-aborted', 'recoveries'],
];

/** Who did what, when, from what to what, and why; filtered, paged and printable. */
export function TrailArea(): JSX.Element {
  const [wish, setWish] = useState<Wish>(NOTHING);
  /** Where each page that was turned to begins. */
  const [turned, setTurned] = useState<readonly number[]>([]);
  const before = turned.at(-1);
  const asked = useSearching<TrailPage>('trail', {
    ...wish,
    ...(before === undefined ? {} : { before: String(before) }),
  });
  const set = (name: keyof Wish, value: string): void => {
    setTurned([]);
    setWish({ ...wish, [name]: value });
  };
  return (
    <main class="a-trail">
      <form
        class="a-ask"
        role="search"
        onSubmit={(event) => {
          event.preventDefault();
        }}
      >
        <Field name="from" words="from (UTC)" {...{ wish, set }} />
        <Field name="to" words="to, that day too" {...{ wish, set }} />
        <Field name="person" words="person: id or name" {...{ wish, set }} />
        <Field name="serial" words="serial, or a part of it" {...{ wish, set }} />
        <label>
          kind
          <select
            value={wish.kind}
            onChange={(event) => {
              set('kind', event.currentTarget.value);
            }}
          >
            <option value="">all</option>
            {KINDS.map(([kind, words]) => (
              <option key={kind} value={kind}>
                {words}
              </option>
            ))}
          </select>
        </label>
        <button
          type="button"
          onClick={() => {
            print();
          }}
        >
          Print these lines
        </button>
      </form>
      <NoAnswer asked={asked} />
      {asked.kind === 'answer' ? (
        <Lines
          page={asked.answer}
          wish={wish}
          isFirst={turned.length === 0}
          turn={(way) => {
            const next = asked.answer.before;
            if (way === 'newer') setTurned(turned.slice(0, -1));
            else if (next !== undefined) setTurned([...turned, next]);
          }}
        />
      ) : null}
    </main>
  );
}

function Field({
  name,
  words,
  wish,
  set,
}: {
  readonly name: 'from' | 'to' | 'person' | 'serial';
  readonly words: string;
  readonly wish: Wish;
  readonly set: (name: keyof Wish, value: string) => void;
}): JSX.Element {
  const isDay = name === 'from' || name === 'to';
  return (
    <label>
      {words}
      {isDay ? (
        <DayInput
          value={wish[name]}
          set={(day) => {
            set(name, day);
          }}
        />
      ) : (
        <input
          type="search"
          value={wish[name]}
          onInput={(event) => {
            set(name, event.currentTarget.value);
          }}
        />
      )}
    </label>
  );
}

function Lines({
  page,
  wish,
  isFirst,
  turn,
}: {
  readonly page: TrailPage;
  readonly wish: Wish;
  readonly isFirst: boolean;
  readonly turn: (way: 'newer' | 'older') => void;
}): JSX.Element {
  const { rows, entries, before, reviews } = page;
  return (
    <>
      <p class="a-found" role="status">
        <b>{rows.length === 1 ? '1 line' : `${rows.length} lines`}, newest first;</b> the ledger has{' '}
        {grouped(entries)} entries. Attempts and records are under Records. {wished(wish)} Times are
        UTC.
      </p>
      <div class="a-scroll" tabIndex={0} role="region" aria-label="Audit trail">
        <table class="a-trail-lines">
          <thead>
            <tr>
              <th scope="col">entry</th>
              <th scope="col">when, UTC</th>
              <th scope="col">who</th>
              <th scope="col">what</th>
              <th scope="col">from → to</th>
              <th scope="col">why</th>
            </tr>
          </thead>
          <tbody>
            {rows.map((row) => (
              <Line key={row.entry} row={row} />
            ))}
          </tbody>
        </table>
        <Reviews reviews={reviews} entries={entries} />
      </div>
      <p class="a-pages">
        <button
          type="button"
          disabled={isFirst}
          onClick={() => {
            turn('newer');
          }}
        >
          Newer
        </button>
        <button
          type="button"
          disabled={before === undefined}
          onClick={() => {
            turn('older');
          }}
        >
          Older
        </button>
      </p>
    </>
  );
}

function wished({ from, to, person, serial, kind }: Wish): string {
  const words = KINDS.find(([id]) => id === kind)?.[1] ?? '';
  const parts = [
    ...(from === '' ? [] : [`from ${from}`]),
    ...(to === '' ? [] : [`to ${to}`]),
    ...(person === '' ? [] : [`person ${person}`]),
    ...(serial === '' ? [] : [`serial ${serial}`]),
    ...(words === '' ? [] : [`only ${words}`]),
  ];
  return parts.length === 0 ? '' : `Chosen: ${parts.join(', ')}.`;
}

function Line({ row }: { readonly row: TrailLine }): JSX.Element {
  const { entry, at, by, what, from, to, why } = row;
  return (
    <tr>
      <td>{entry}</td>
      <td class="a-when">{instantText(at)}</td>
      <td>{by}</td>
      <td>{what}</td>
      <td>{from === '' && to === '' ? '' : `${from === '' ? '(nothing)' : from} → ${to}`}</td>
      <td>{why}</td>
    </tr>
  );
}

/** How far the trail was reviewed by whom. */
function Reviews({
  reviews,
  entries,
}: {
  readonly reviews: readonly ReviewLine[];
  readonly entries: number;
}): JSX.Element {
  const sound = reviews.filter(({ broken }) => broken.length === 0);
  const end = Math.max(0, ...sound.map(({ to }) => to));
  return (
    <section class="a-part">
      <h2>Reviews</h2>
      <ul class="a-plain">
        {reviews.map(({ entry, person, from, to, broken }) => (
          <li key={entry}>
            Entry {entry}: {person} reviewed entries {from} to {to}.{' '}
            {broken.length === 0 ? 'The signature holds.' : <b>{broken.join(' ')}</b>}
          </li>
        ))}
        {end < entries ? (
          <li>
            {end === 0 && reviews.length === 0 ? 'Nobody has reviewed the trail yet: ' : ''}entries{' '}
            {end + 1} to {entries} are not reviewed.
          </li>
        ) : null}
      </ul>
    </section>
  );
}
