import type { JSX } from 'preact';
import type { ResultLine, StageResults } from '../../serve/auditor-views.js';
import { LimitStrip } from '../drawn/limit-strip.js';

/** Results by stage, each with its limit strip; ticks of the column form two plumb lines. */
export function ResultsTable({
  stages,
}: {
  readonly stages: readonly StageResults[];
}): JSX.Element {
  return (
    <table class="a-results">
      <thead>
        <tr>
          <th scope="col">characteristic</th>
          <th scope="col" class="end">
            value
          </th>
          <th scope="col" class="end">
            ± U
          </th>
          <th scope="col">unit</th>
          <th scope="col">allowed</th>
          <th scope="col">limit strip</th>
          <th scope="col">rule</th>
          <th scope="col">verdict</th>
        </tr>
      </thead>
      {stages.map(({ stage, rows }) => (
        <tbody key={stage}>
          <tr class="stage">
            <th colSpan={8} scope="rowgroup">
              Stage {stage}
            </th>
          </tr>
          {rows.map((row) => (
            <Row key={row.label} row={row} />
          ))}
        </tbody>
      ))}
    </table>
  );
}

function Row({ row }: { readonly row: ResultLine }): JSX.Element {
  const { label, value, expanded, unit, allowed, strip, rule, ruleName, verdict, mark, reason } =
    row;
  const words = `${label}: ${value} ± ${expanded} ${unit}, allowed ${allowed}`;
  return (
    <>
      <tr class={mark === 'tick' ? '' : 'other'}>
        <th scope="row">{label}</th>
        <td class="end">{value}</td>
        <td class="end">{expanded}</td>
        <td class="soft">{unit}</td>
        <td class="allowed">{allowed}</td>
        <td>{strip === undefined ? null : <LimitStrip strip={strip} alternative={words} />}</td>
        <td>
          <abbr title={ruleName}>{rule}</abbr>
        </td>
        <td class="verdict">
          <svg class="a-tick" viewBox="0 0 20 20" role="img" aria-label={WORDS[mark]}>
            <path d={PATHS[mark]} />
          </svg>
          {verdict}
        </td>
      </tr>
      {reason === '' ? null : (
        <tr class="reason">
          <td colSpan={8}>
            <small>{reason}</small>
          </td>
        </tr>
      )}
    </>
  );
}

const WORDS = {
  tick: 'accepted',
  cross: 'outside',
  bars: 'not decided',
  none: 'no verdict',
} as const;
const PATHS = {
  tick: 'M3 10l5 5.2L17 4',
  cross: 'M4.5 4.5l11 11m0 -11l-11 11',
  bars: 'M6.5 4v12M13.5 4v12',
  none: 'M5 10h10',
} as const;
