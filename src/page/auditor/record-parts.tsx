import type { JSX } from 'preact';
import type { Facts, TableView } from '../../serve/auditor-views.js';
import { ResultsTable } from './results-table.js';

/** Everything that the table of a record says, part by part. */
export function RecordParts({ table }: { readonly table: TableView }): JSX.Element {
  const closed = table.gates.filter(({ holds }) => !holds);
  const open = table.gates.length - closed.length;
  return (
    <>
      <section class="a-part">
        <h3>Results</h3>
        <p class="a-quiet">{table.rule}</p>
        <ResultsTable stages={table.stages} />
      </section>
      <section class="a-part">
        <h3>Gates</h3>
        <p>
          {closed.length === 0
            ? `All ${table.gates.length} gates hold: the measurements mean something.`
            : `${closed.length} of ${table.gates.length} gates do not hold.`}
        </p>
        <ul class="a-broken">
          {closed.map(({ name, stage, found, blames }) => (
            <li key={name + stage}>
              <span class="a-gate">{name}</span>
              <div>
                {found}
                <small>
                  stage {stage}, points at the {blames}
                </small>
              </div>
            </li>
          ))}
        </ul>
        <details>
          <summary>The {open} gates that hold</summary>
          <table class="a-gates">
            <tbody>
              {table.gates
                .filter(({ holds }) => holds)
                .map(({ name, stage, found }) => (
                  <tr key={`${name} ${stage}`}>
                    <td>{stage}</td>
                    <td>{name}</td>
                    <td>{found}</td>
                  </tr>
                ))}
            </tbody>
          </table>
        </details>
      </section>
      <section class="a-part">
        <h3>Warnings acknowledged</h3>
        {table.acknowledgements.map((facts, i) => (
          <Acknowledged key={String(i)} facts={facts} />
        ))}
      </section>
      <section class="a-part">
        <h3>Deviations</h3>
        <ul class="a-plain">
          {table.deviations.map((sentence) => (
            <li key={sentence}>{sentence}</li>
          ))}
        </ul>
      </section>
      <section class="a-part">
        <h3>Equipment, as it was on that day</h3>
        <Equipment parts={table.equipment} />
      </section>
      <section class="a-part">
        <h3>Identity, persons, documents and conditions</h3>
        <FactList facts={table.facts} />
      </section>
    </>
  );
}

const textOf = (facts: Facts, name: string): string =>
  facts.find(([one]) => one === name)?.[1] ?? '';

function Acknowledged({ facts }: { readonly facts: Facts }): JSX.Element {
  const text = (name: string): string => textOf(facts, name);
  return (
    <p class="a-acknowledged">
      <b>
        {text('signal word')}: {text('heading')}.
      </b>{' '}
      {text('hazard text')} {text('consequence')} {text('avoidance')}
      <small>
        acknowledged by {text('by')}, {text('at').slice(0, 19).replace('T', ' ')} UTC,{' '}
        {text('means')}; wording {text('language')} issue {text('wording issue')}
      </small>
    </p>
  );
}

const EQUIPMENT = ['id', 'what', 'calibration certificate', 'laboratory', 'calibrated', 'due'];

function Equipment({ parts }: { readonly parts: readonly Facts[] }): JSX.Element {
  return (
    <table class="a-gates">
      <thead>
        <tr>
          {EQUIPMENT.map((name) => (
            <th key={name} scope="col">
              {name}
            </th>
          ))}
        </tr>
      </thead>
      <tbody>
        {parts.map((facts) => (
          <tr key={textOf(facts, 'id')}>
            {EQUIPMENT.map((name) => (
              <td key={name}>{textOf(facts, name)}</td>
            ))}
          </tr>
        ))}
      </tbody>
    </table>
  );
}

const IS_DIGEST = /^[0-9a-f]{64}$/u;

function FactList({ facts }: { readonly facts: Facts }): JSX.Element {
  return (
    <dl class="a-facts">
      {facts.map(([name, text]) => (
        <div key={name}>
          <dt>{name}</dt>
          <dd class={IS_DIGEST.test(text) ? 'mono a-digest' : ''}>{text}</dd>
        </div>
      ))}
    </dl>
  );
}
