import { exactText, printed, showMeasured, showValue } from '../base/display.js';
import { BASE_UNIT, inUnit, unitOf, type Unit } from '../base/units.js';
import type { Component, Origin } from '../procedure/budget.js';
import type { Station } from '../procedure/station.js';
import { COVERAGE, type BudgetLine } from '../scoring/budget.js';
import type { Sheet } from './budget.js';
import { wrapped } from './characteristics.js';
import { columns } from './columns.js';

/** A number with so many digits, without power of ten. */
export function significant(value: number, digits: number): string {
  return exactText(Number(value.toPrecision(digits)), unitOf('1'));
}

/** As many degrees of freedom are as good as infinitely many. */
const MOST_SHOWN = 9999;

/** "= 16" or "> 9999". */
const freedomClause = (freedom: number): string => {
  const text = freedomText(freedom);
  return text.startsWith('>') ? text : `= ${text}`;
};

/** Degrees of freedom for people: whole, cut off. */
export function freedomText(freedom: number): string {
  if (freedom === Infinity) return '∞';
  const whole = Math.floor(freedom * (1 + 1e-12));
  return whole > MOST_SHOWN ? `> ${MOST_SHOWN}` : String(whole);
}

/** The unit in which a component is told: its own, or that of the result. */
function unitOfComponent({ component }: BudgetLine, { unit }: Sheet): Unit {
  const own = component.unit;
  return own === undefined || own.dimension === unit.dimension ? unit : own;
}

function originText(origin: Origin, { register, stand }: Station): string {
  switch (origin.kind) {
    case 'instrument': {
      const serial = register.find(({ id }) => id === origin.id)?.serial ?? 'not in the register';
      return `${origin.id} (${serial})`;
    }
    case 'stand':
      return `stand model ${stand.version}, ${origin.value.replace('-', ' ')}`;
    case 'repeats':
      return 'repeats (type A)';
    case 'resolution':
    case 'alignment':
    case 'judgement':
      return origin.kind;
  }
}

function sizeText({ relative, absolute, unit, dimension }: Component): string {
  const parts = [
    ...(relative > 0 ? [`${significant(100 * relative, 3)} % of value`] : []),
    ...(absolute > 0 ? [amount(absolute, unit ?? unitOf(BASE_UNIT[dimension ?? 'ratio']))] : []),
  ];
  return parts.join(' + ');
}

const amount = (value: number, unit: Unit): string =>
  withUnit(significant(inUnit(value, unit), 3), unit);

function distributionText({ distribution }: Component): string {
  return distribution.kind === 'normal' ? `normal, k = ${distribution.k}` : distribution.kind;
}

const sensitivityText = ({ sensitivity, sensitivityText: written }: Component): string =>
  written ?? printed(significant(sensitivity, 4));

/** The model of the measurement, in symbols that the table numbers. */
export function modelOf({ table }: Sheet): string {
  const numbered = table.lines.map(({ component }, i) => ({ ...component, i: i + 1 }));
  const term = ({ sensitivity, sensitivityText: written, i }: (typeof numbered)[number]): string =>
    sensitivity === 1 && written === undefined ? `δ${i}` : `c${i}·δ${i}`;
  const shares = numbered.filter(({ absolute }) => absolute === 0).map(term);
  const added = numbered.filter(({ absolute }) => absolute > 0).map(term);
  const factor = shares.length === 0 ? 'x' : `x·(1 + ${shares.join(' + ')})`;
  return `y = ${[factor, ...added].join(' + ')}`;
}

const LABEL = 12;
const HEADINGS = [
  '',
  'component',
  'from',
  'size',
  'distribution',
  'u(δ)',
  'c',
  'u(y)',
  'ν',
  'share',
];
/** Columns of numbers, set to the right. */
const RIGHT = [0, 5, 7, 8, 9];

/** Draws the budget of one characteristic as a sheet that a metrologist can sign. */
export function asText(sheet: Sheet, width: number): string {
  const { entry, station, budget, table, unit, at, warnings } = sheet;
  const columns = Math.min(120, Math.max(40, width));
  const row = (label: string, text: string): string =>
    wrapped(text, columns - LABEL)
      .map((line, i) => `${(i === 0 ? label : '').padEnd(LABEL)}${line}`)
      .join('\n');
  const { stand } = station;
  const whys = table.lines.flatMap(({ component: { why } }, i) =>
    why === undefined ? [] : [`${i + 1}: ${why}`],
  );
  return [
    `Uncertainty budget: ${entry.name} (${entry.id})`,
    '',
    row('bench', `${station.id}, ${station.place}; sha256 ${station.digest}`),
    row(
      'version',
      `${budget.version}, ${budget.date}; stand model ${stand.version} of ${stand.characterized}`,
    ),
    row('measurand', entry.definition),
    row('read as', entry.formula),
    row(
      'model',
      `${modelOf(sheet)}; x the value as read, each δ estimated as 0, c = 1 where none is written`,
    ),
    row('value', `${amountOf(table.value, unit)}, ${at}`),
    '',
    ...linesAsTable(sheet, Math.max(width, 40)),
    '',
    row('combined', `u = ${amount(table.standard, unit)}, ν eff ${freedomClause(table.freedom)}`),
    row(
      'result',
      `y = (${showMeasured(table.value, table.expanded, unit)})${unit.symbol === '1' ? '' : ` ${unit.symbol}`}, U = ${expandedText(sheet)}, k = ${table.k.toFixed(2)}`,
    ),
    row('coverage', coverageText(sheet)),
    ...(whys.length === 0 ? [] : [row('reasons', whys.join('; '))]),
    ...warnings.map((text) => row('warning', text)),
    '',
    'stated by ______________________   date ______________',
  ].join('\n');
}

const amountOf = (value: number, unit: Unit): string =>
  withUnit(printed(significant(inUnit(value, unit), 5)), unit);

function expandedText({ table, unit }: Sheet): string {
  const { expanded = '0' } = showValue(table.value, table.expanded, unit);
  return withUnit(expanded, unit);
}

const withUnit = (text: string, unit: Unit): string =>
  unit.symbol === '1' ? text : `${text} ${unit.symbol}`;

function coverageText({ table }: Sheet): string {
  const distribution =
    table.freedom > MOST_SHOWN
      ? 'a normal distribution'
      : `Student's distribution with ν eff ${freedomClause(table.freedom)}`;
  const share = significant(100 * COVERAGE, 4);
  return `U is the combined standard uncertainty times k = ${table.k.toFixed(2)}, for a coverage of ${share} % under ${distribution}; after JCGM 100:2008. Components are taken as independent. In a run, the scatter of its own repeats takes the place of a component from repeats.`;
}

function linesAsTable(sheet: Sheet, width: number): readonly string[] {
  const cells = sheet.table.lines.map((line, i) => cellsOf(line, i + 1, sheet));
  const whole = columns([HEADINGS, ...cells], RIGHT);
  const excess = Math.max(...whole.map((line) => line.length)) - width;
  const longest = Math.max(...cells.map((row) => (row[WHAT] ?? '').length));
  const rows = cells.flatMap((row) => broken(row, Math.max(NARROW, longest - Math.max(0, excess))));
  const [heading = '', ...lines] = columns([HEADINGS, ...rows], RIGHT);
  const bar = ruleUnder([heading, ...lines]);
  return [heading, bar, ...lines, bar];
}

/** Column of what a component is, and the fewest characters it is broken at. */
const WHAT = 1;
const NARROW = 24;

/** A row whose component takes several lines where it is too long. */
function broken(row: readonly string[], width: number): readonly (readonly string[])[] {
  const [number = '', what = '', ...others] = row;
  return wrapped(what, width).map((line, i) =>
    i === 0 ? [number, line, ...others] : ['', line, ...others.map(() => '')],
  );
}

/** A line as long as the longest of a table. */
export function ruleUnder(lines: readonly string[]): string {
  return '─'.repeat(Math.max(...lines.map((line) => line.length)));
}

function cellsOf(line: BudgetLine, number: number, sheet: Sheet): readonly string[] {
  const { component, u, contribution, freedom, share } = line;
  return [
    String(number),
    component.what,
    originText(component.origin, sheet.station),
    sizeText(component),
    distributionText(component),
    amount(u, unitOfComponent(line, sheet)),
    sensitivityText(component),
    amount(contribution, sheet.unit),
    freedomText(freedom),
    `${significant(100 * share, share < 0.01 ? 1 : 2)} %`,
  ];
}

/** The same for programs; null stands for infinitely many degrees of freedom. */
export function asJson(sheet: Sheet): object {
  const { entry, station, budget, table, unit, at, warnings } = sheet;
  return {
    characteristic: entry.id,
    name: entry.name,
    bench: station.id,
    benchDigest: station.digest,
    version: budget.version,
    date: budget.date,
    stand: { version: station.stand.version, characterized: station.stand.characterized },
    measurand: entry.definition,
    formula: entry.formula,
    model: modelOf(sheet),
    unit: unit.symbol,
    value: inUnit(table.value, unit),
    at,
    components: table.lines.map((line) => componentAsJson(line, sheet)),
    u: inUnit(table.standard, unit),
    freedom: finite(table.freedom),
    k: table.k,
    U: inUnit(table.expanded, unit),
    coverage: COVERAGE,
    warnings,
  };
}

const finite = (freedom: number): number | null => (freedom === Infinity ? null : freedom);

function componentAsJson(line: BudgetLine, sheet: Sheet): object {
  const { component, size, u, contribution, freedom, share } = line;
  const { origin, distribution } = component;
  const own = unitOfComponent(line, sheet);
  return {
    name: component.name,
    what: component.what,
    from: origin.kind,
    ...(origin.kind === 'instrument' ? { of: origin.id } : {}),
    ...(origin.kind === 'stand' ? { of: origin.value } : {}),
    ...(component.why === undefined ? {} : { why: component.why }),
    distribution: distribution.kind,
    ...(distribution.kind === 'normal' ? { k: distribution.k } : {}),
    unit: own.symbol,
    size: inUnit(size, own),
    u: inUnit(u, own),
    c: sensitivityText(component),
    contribution: inUnit(contribution, sheet.unit),
    freedom: finite(freedom),
    share,
  };
}
