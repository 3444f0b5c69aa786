import type { JSX } from 'preact';
import { useEffect, useState } from 'preact/hooks';
import type { NestView } from '../../serve/nest-view.js';
import type { ReferenceChart, ReferenceItems } from '../../serve/quality-views.js';
import { listen, read } from '../link.js';
import { useAsked } from './asked.js';
import { Refusals } from './refusals.js';
import { SvgImage } from './svg-image.js';

type Check = NestView['checks'][number];

/** The bench: whether it may test, and what its reference items say of it. */
export function BenchArea(): JSX.Element {
  return (
    <div class="q-bench">
      <Readiness />
      <References />
    </div>
  );
}

/** Shapes that differ without colour; the word stands beside each. */
const MARKS: Readonly<Record<Check['state'], string>> = {
  ok: '✓',
  'due soon': '!',
  overdue: '✕',
  failed: '✕',
  'not run': '–',
};

function Readiness(): JSX.Element {
  const [nest, setNest] = useState<NestView | undefined>();
  const [isLost, setLost] = useState(false);
  useEffect(
    () =>
      listen({
        nest: (view) => {
          setNest(view);
        },
        frame: () => undefined,
        lost: () => {
          setLost(true);
        },
        back: () => {
          setLost(false);
        },
      }),
    [],
  );
  if (nest === undefined || nest.checkedAt === 0) {
    return (
      <section class="q-ready" aria-label="Readiness">
        <h2>Readiness</h2>
        <p>{isLost ? 'The bench does not answer.' : 'No list was drawn up yet.'}</p>
      </section>
    );
  }
  const isOk = ({ state }: Check): boolean => state === 'ok' || state === 'due soon';
  const against = nest.checks.filter((check) => !isOk(check));
  const inOrder = [...against, ...nest.checks.filter(isOk)];
  const at = new Date(nest.checkedAt).toISOString().slice(0, 19).replace('T', ' ');
  return (
    <section class="q-ready" aria-label="Readiness">
      <h2>
        {nest.bench}: {nest.mayTest ? 'may test' : 'may not test'}
      </h2>
      <p class="q-soft">
        As of {at} UTC{isLost ? '; the bench does not answer now' : ''}. Not ok: {against.length} of{' '}
        {nest.checks.length} checks.
      </p>
      <div class="q-scroll" tabIndex={0} role="region" aria-label="List of checks">
        <table>
          <thead>
            <tr>
              <th scope="col">State</th>
              <th scope="col">Check</th>
              <th scope="col">Found</th>
              <th scope="col">Cleared by</th>
            </tr>
          </thead>
          <tbody>
            {inOrder.map((check) => (
              <tr key={check.name} class={check.state === 'ok' ? '' : 'q-not-ok'}>
                <td>
                  {MARKS[check.state]} {check.state}
                  {check.blocks === false && check.state !== 'ok' ? ' (no lock)' : ''}
                </td>
                <td>{check.name}</td>
                <td>{check.found}</td>
                <td>{check.clear}</td>
              </tr>
            ))}
          </tbody>
        </table>
      </div>
    </section>
  );
}

function References(): JSX.Element {
  const asked = useAsked('items', () => read<ReferenceItems>('reference-items'));
  return (
    <section class="q-references" aria-label="Reference items">
      <h2>Reference items</h2>
      {asked.state === 'refused' ? <Refusals problems={asked.problems} /> : null}
      {asked.state === 'here' ? <Items found={asked.answer} /> : null}
    </section>
  );
}

function Items({ found }: { readonly found: ReferenceItems }): JSX.Element {
  const [item, setItem] = useState(found.items[0]?.item ?? '');
  const [row, setRow] = useState('');
  const chosen = found.items.find((one) => one.item === item);
  const shown = chosen?.rows.includes(row) === true ? row : (chosen?.rows[0] ?? '');
  const key = shown === '' ? undefined : `${item} ${shown}`;
  const chart = useAsked(key, () => read<ReferenceChart>('reference-chart', { item, row: shown }));
  return (
    <>
      {found.unchecked.map((serial) => (
        <p key={serial}>
          <code>{serial}</code> was never checked on {found.bench} in this ledger.
        </p>
      ))}
      {chosen === undefined ? null : (
        <>
          <div class="q-choose">
            <label>
              Item{' '}
              <select
                value={item}
                onChange={(event) => {
                  setItem(event.currentTarget.value);
                }}
              >
                {found.items.map((one) => (
                  <option key={one.item} value={one.item}>
                    {one.item}, {one.kind}
                  </option>
                ))}
              </select>
            </label>
            <label>
              Value{' '}
              <select
                value={shown}
                onChange={(event) => {
                  setRow(event.currentTarget.value);
                }}
              >
                {chosen.rows.map((name) => (
                  <option key={name}>{name}</option>
                ))}
              </select>
            </label>
          </div>
          <p>
            {chosen.checks} {chosen.checks === 1 ? 'check' : 'checks'}; the last,{' '}
            {chosen.last.slice(0, 16).replace('T', ' ')} UTC, {chosen.ok ? 'held' : 'did not hold'}.
          </p>
          {chart.state === 'refused' ? <Refusals problems={chart.problems} /> : null}
          {chart.state === 'here' ? (
            <SvgImage svg={chart.answer.svg} alternative={chart.answer.alternative} />
          ) : null}
        </>
      )}
      <h2>Studies</h2>
      <p class="q-later">Repeatability, stability and correlation studies: not in this version.</p>
    </>
  );
}
