import { EXIT } from '../base/codes.js';
import { printed } from '../base/display.js';
import { StallmarkError, throwIfAny, unreachable } from '../base/error.js';
import { inUnit, type Unit } from '../base/units.js';
import { rowRisk, type Acceptance, type RowRisk } from '../decision/row-risk.js';
import { DECISION_RULES, type Limits, type Tolerance } from '../procedure/limits.js';
import type { Station } from '../procedure/station.js';
import { RULES } from '../decision/rules.js';
import { DEFAULT_FOLDERS, readDocuments } from '../run/documents.js';
import type { Terminal } from './terminal.js';

export interface RiskOptions {
  readonly bench?: string;
  readonly json?: true;
}

/**
 * Prints what each limit risks: acceptance limits, U, and the probabilities of false accept and false
 * reject, for the limits named or for all that are shipped.
 *
 * @throws every problem of the documents, limits/empty when there are none, document/mismatch
 * without exactly one bench.
 */
export function risk(limits: string | undefined, options: RiskOptions, to: Terminal): number {
  const { stations } = read(options.bench === undefined ? DEFAULT_FOLDERS : [options.bench]);
  const station = onlyBench(stations);
  const files = read(limits === undefined ? DEFAULT_FOLDERS : [limits]).limits;
  if (files.length === 0) {
    const what = `There are no limits in ${limits ?? 'the shipped folders'}.`;
    throw new StallmarkError([{ code: 'limits/empty', what, fix: 'Name a limits file.' }]);
  }
  const found = files.map((file) => ({ file, rows: risksOf(file, station) }));
  if (options.json === true) {
    to.out(
      JSON.stringify(
        found.map(({ file, rows }) => asJson(file, station, rows)),
        null,
        2,
      ),
    );
  } else {
    to.out(found.map(({ file, rows }) => asText(file, station, rows)).join('\n\n'));
  }
  return EXIT.conforming;
}

/** Reads documents. @throws every problem of them. */
export function read(paths: readonly string[]): ReturnType<typeof readDocuments> {
  const found = readDocuments(paths);
  throwIfAny(found.problems);
  return found;
}

/** The bench whose uncertainties count. @throws document/mismatch without exactly one. */
export function onlyBench(stations: readonly Station[]): Station {
  const [station, ...others] = stations;
  if (station !== undefined && others.length === 0) return station;
  const what = `There are ${stations.length} bench descriptions, but U comes from one.`;
  const fix = 'Name it with --bench.';
  throw new StallmarkError([{ code: 'document/mismatch', what, fix }]);
}

const risksOf = (limits: Limits, station: Station): readonly RowRisk[] =>
  limits.rows.map((row) => rowRisk(row, station.uncertainty.get(row.characteristic)));

const NOT_STATED = 'not stated';

const HEADINGS = ['row', 'rule', 'accepted', 'unit', 'U', 'U/T', 'at limit', 'PFA', 'PFR'];
/** Columns of numbers, set to the right. */
const RIGHT = [4, 5, 6, 7, 8];

function asText(limits: Limits, station: Station, risks: readonly RowRisk[]): string {
  const rows = risks.flatMap((one) => one.acceptances.map((a) => cellsOf(one, a)));
  const widths = HEADINGS.map((heading, i) =>
    Math.max(heading.length, ...rows.map((row) => row[i]?.length ?? 0)),
  );
  const line = (row: readonly string[]): string =>
    row
      .map((cell, i) =>
        RIGHT.includes(i) ? cell.padStart(widths[i] ?? 0) : cell.padEnd(widths[i] ?? 0),
      )
      .join('  ')
      .trimEnd();
  const bar = '─'.repeat(widths.reduce((sum, width) => sum + width + 2, -2));
  const used = DECISION_RULES.filter((rule) => risks.some(({ limit }) => limit.rule === rule));
  return [
    `${limits.id} issue ${limits.issue}, ${limits.date}, with the uncertainties of bench ${station.id}`,
    '',
    line(HEADINGS),
    bar,
    ...rows.map(line),
    bar,
    ...used.map((rule) => `${RULES[rule].mark}: ${RULES[rule].name}`),
    'accepted: acceptance limits · U: greatest at the limits, about 95 % · T: width of the tolerance, from 0 below a most',
    'at limit: greatest probability that a value on an acceptance limit belongs to an item outside the tolerance',
    'PFA: accepted and outside · PFR: inside and not accepted, HOLD included; of all items of the process as stated',
  ].join('\n');
}

function cellsOf({ limit, expanded, share }: RowRisk, acceptance: Acceptance): readonly string[] {
  const { unit, rule, process } = limit;
  const { condition, accepted, atLimit, drawn } = acceptance;
  const without = process === undefined || expanded === undefined ? NOT_STATED : '–';
  return [
    `${limit.stage}.${limit.characteristic}`,
    condition === 'without' ? RULES[rule].mark : `${RULES[rule].mark} on condition`,
    accepted === undefined ? 'nothing' : endsIn(accepted, unit),
    unit.symbol,
    expanded === undefined ? NOT_STATED : rounded(expanded, unit, 2),
    share === undefined ? '–' : `${(100 * share).toFixed(0)} %`,
    atLimit === undefined ? NOT_STATED : percent(atLimit),
    drawn === undefined ? without : percent(drawn.falseAccept),
    drawn === undefined ? without : percent(drawn.falseReject),
  ];
}

function endsIn(tolerance: Tolerance, unit: Unit): string {
  switch (tolerance.kind) {
    case 'at-least':
      return `≥ ${rounded(tolerance.lower, unit, 4)}`;
    case 'at-most':
      return `≤ ${rounded(tolerance.upper, unit, 4)}`;
    case 'between':
      return `${rounded(tolerance.lower, unit, 4)} … ${rounded(tolerance.upper, unit, 4)}`;
    default:
      return unreachable(tolerance);
  }
}

const rounded = (value: number, unit: Unit, digits: number): string =>
  printed(String(Number(inUnit(value, unit).toPrecision(digits))));

/** Below one in a million the model says more than anyone knows. */
const LEAST = 1e-6;

function percent(probability: number): string {
  if (probability < LEAST) return '< 0.0001 %';
  return `${String(Number((100 * probability).toPrecision(2)))} %`;
}

function asJson(limits: Limits, station: Station, risks: readonly RowRisk[]): object {
  return {
    limits: limits.id,
    issue: limits.issue,
    bench: station.id,
    rows: risks.map(({ limit, expanded, k, share, acceptances }) => {
      const { unit, process } = limit;
      return {
        row: `${limit.stage}.${limit.characteristic}`,
        rule: limit.rule,
        unit: unit.symbol,
        ...endsAsJson(limit.tolerance, unit),
        U: expanded === undefined ? null : inUnit(expanded, unit),
        k: k ?? null,
        ratio: share ?? null,
        process:
          process === undefined
            ? null
            : { mean: inUnit(process.mean, unit), sd: inUnit(process.deviation, unit) },
        acceptances: acceptances.map(({ condition, accepted, atLimit, drawn }) => ({
          condition,
          accepted: accepted === undefined ? null : endsAsJson(accepted, unit),
          falseAcceptAtLimit: atLimit ?? null,
          falseAccept: drawn?.falseAccept ?? null,
          falseReject: drawn?.falseReject ?? null,
        })),
      };
    }),
  };
}

function endsAsJson(tolerance: Tolerance, unit: Unit): object {
  return {
    ...(tolerance.kind === 'at-most' ? {} : { lower: inUnit(tolerance.lower, unit) }),
    ...(tolerance.kind === 'at-least' ? {} : { upper: inUnit(tolerance.upper, unit) }),
  };
}
