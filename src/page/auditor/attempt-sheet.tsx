import type { JSX } from 'preact';
import type { AttemptView } from '../../serve/auditor-views.js';
import { VerdictShape } from '../drawn/verdict.js';
import { ChecksList } from './checks-list.js';
import { Marks } from './found-list.js';
import { FilesOf } from './files-of.js';
import { RecordParts } from './record-parts.js';
import { instantText } from './told.js';
import { verdictKind } from './verdict-word.js';

/** One attempt as a sheet of paper: its record, what verification found, what became of the item. */
export function AttemptSheet({ view }: { readonly view: AttemptView }): JSX.Element {
  const { record, lost, suspect, line } = view;
  const number = line.certificate;
  return (
    <article class="a-sheet">
      <Head view={view} />
      {suspect === undefined ? null : (
        <p class="a-warned">
          <b>SUSPECT.</b> {suspect}
        </p>
      )}
      {line.superseded === undefined ? null : (
        <p class="a-warned">
          <b>Superseded by revision {line.superseded}.</b> This revision stays readable, but the
          later one counts.
        </p>
      )}
      {lost === undefined ? null : (
        <p class="a-warned">
          <b>The record is missing.</b> {lost} Ask for the backup of the records.
        </p>
      )}
      {record === undefined ? <NoRecord view={view} /> : null}
      {record === undefined ? null : (
        <>
          <ChecksList record={record} />
          <FilesOf number={number} record={record} />
        </>
      )}
      <ItemPart view={view} />
      {record?.table === undefined ? null : <RecordParts table={record.table} />}
    </article>
  );
}

function Head({ view: { line, record, lost } }: { readonly view: AttemptView }): JSX.Element {
  const word = record?.table?.verdict ?? line.word;
  const kind = verdictKind(word);
  const isConfirmed = record?.intact === true;
  const hasRecord = record !== undefined || lost !== undefined;
  const revision = hasRecord ? ` rev ${line.revision}` : '';
  const printed = !isConfirmed && hasRecord;
  // Where no table can be read, the ledger alone says what the verdict was.
  const source = record?.table === undefined ? 'entered' : 'printed';
  const table = record?.table;
  // The statement of a plain ACCEPT says all that its reason does.
  const isPlain = word === 'ACCEPT' && line.outcome === 'conforming';
  return (
    <header class="a-head">
      {line.simulated ? <p class="a-simulated">SIMULATED – NOT A PRODUCT RECORD</p> : null}
      <h2 class={printed ? 'a-printed' : ''}>
        {kind === undefined ? null : <VerdictShape kind={kind} given={isConfirmed} />}
        <span>{printed ? `${source}: ${word}` : word === '' ? 'not ended' : word}</span>
        <span class="mono a-number">
          {line.certificate}
          {revision}
        </span>
      </h2>
      <p class="a-lead">
        {printed ? (
          <b>Not confirmed. The {source === 'printed' ? 'file' : 'ledger'} says: </b>
        ) : null}
        Item <b class="mono">{line.serial}</b>
        {table === undefined ? `. ${line.reason}` : `. ${table.statement}`}
      </p>
      {table === undefined || isPlain ? null : <p>{table.reason}</p>}
      <dl class="a-band">
        <dt>begun</dt>
        <dd>
          {instantText(line.at)} UTC at bench {line.bench}
          {line.attempt === 0 ? '' : `, attempt ${line.attempt}`}, ledger entry {line.entry}
        </dd>
        <dt>operator</dt>
        <dd>{line.by}</dd>
        {line.ended === undefined ? null : (
          <>
            <dt>ended</dt>
            <dd>
              {instantText(line.ended)} UTC, ledger entry {line.ending} <Marks line={line} />
            </dd>
          </>
        )}
      </dl>
    </header>
  );
}

function NoRecord({
  view: { line, kept, lost },
}: {
  readonly view: AttemptView;
}): JSX.Element | null {
  if (lost !== undefined) return null;
  const { kind, word, certificate } = line;
  if (kind === 'refused') {
    return (
      <p class="a-note">The start was refused before power. It is no attempt and has no number.</p>
    );
  }
  if (word === '') {
    return <p class="a-note">The attempt goes on, or was interrupted and not yet recovered.</p>;
  }
  const left =
    kept.length === 0 ? 'It left no files.' : `What it left is kept in ${kept.join(', ')}.`;
  return (
    <p class="a-note">
      There is no record <span class="mono">{certificate}</span>: the attempt was broken off, and
      its number stays unused. {left}
    </p>
  );
}

function ItemPart({
  view: { item, others, moves, line },
}: {
  readonly view: AttemptView;
}): JSX.Element {
  return (
    <section class="a-part a-item">
      <h3>This item</h3>
      <p>
        <b class="mono">{line.serial}</b> is <b>{item.state}</b>
        {item.since === undefined ? '' : ` since ${instantText(item.since)} UTC`}.{' '}
        {/[.!]$/u.test(item.why) ? item.why : `${item.why}.`} {item.counted} of {item.allowed}{' '}
        attempts allowed without a disposition are used.
      </p>
      <ul class="a-others">
        {others.map((one) => (
          <li key={one.entry}>
            <a
              href={`#records/${one.entry}`}
              aria-current={one.entry === line.entry ? 'true' : undefined}
            >
              {one.attempt === 0 ? 'refused start' : `attempt ${one.attempt}`}
            </a>{' '}
            {instantText(one.at)} UTC, {one.word === '' ? 'not ended' : one.word}
            {one.certificate === '' ? '' : `, ${one.certificate}`}
            {one.revision > 0 ? ` rev ${one.revision}` : ''} <Marks line={one} />
          </li>
        ))}
        {moves.map(({ entry, at, by, words }) => (
          <li key={entry}>
            moved {instantText(at)} UTC by {by}: {words} (entry {entry})
          </li>
        ))}
      </ul>
    </section>
  );
}
