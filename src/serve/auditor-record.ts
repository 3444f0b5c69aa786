import { readFileSync, readdirSync } from 'node:fs';
import { join } from 'node:path';
import { sha256 } from '../base/canonical.js';
import { printed } from '../base/display.js';
import { resultIn } from '../certificate/csv-result.js';
import type { CertificateTable, Row } from '../certificate/csv-table.js';
import { stripGeometry } from '../certificate/strip.js';
import { rowWords, verdictWords } from '../certificate/words.js';
import type { RecordReport } from '../certificate/verify.js';
import { RULES } from '../decision/rules.js';
import type {
  Check,
  Facts,
  FileFacts,
  GateLine,
  RecordView,
  ResultLine,
  StageResults,
  TableView,
} from './auditor-views.js';

/** @param folder - Seen from the root. @param more - Checks beside those of the report. */
export function recordView(
  root: string,
  folder: string,
  report: RecordReport,
  more: readonly Check[],
): RecordView {
  const checks = [...report.checks, ...more];
  const intact = checks.every(({ outcome }) => outcome !== 'broken');
  return {
    ...{ folder, intact, checks },
    conclusion: conclusionOf(checks),
    files: filesIn(join(root, folder)),
    ...(report.table === undefined ? {} : { table: tableView(report.table) }),
  };
}

/** Says what follows from the checks. */
export function conclusionOf(checks: readonly Check[]): string {
  const broken = checks.filter(({ outcome }) => outcome === 'broken').length;
  const open = checks.filter(({ outcome }) => outcome === 'open').length;
  if (broken > 0) {
    return 'Do not rely on this record. Ask the plant for the sealed copy; the ledger knows its digest.';
  }
  const repeated = `All ${checks.length} checks can be repeated offline without this program.`;
  if (open === 0) return `The record is whole. ${repeated}`;
  return `Nothing is broken, but ${open} of ${checks.length} checks could not be made; each says what is missing.`;
}

function filesIn(folder: string): readonly FileFacts[] {
  return readdirSync(folder, { withFileTypes: true })
    .filter((entry) => entry.isFile())
    .map(({ name }) => name)
    .sort()
    .map((name) => {
      const bytes = readFileSync(join(folder, name));
      return { name, bytes: bytes.length, digest: sha256(bytes) };
    });
}

/** Items that are shown by themselves. */
const APART: readonly string[] = [
  'title',
  'verdict',
  'reason',
  'statement of conformity',
  'decision rule',
];

/** Turns a table into what a page shows of it. Rounds nothing but for display. */
export function tableView(table: CertificateTable): TableView {
  const { number, revision, serial, attempt, simulated, verdict, rows } = table;
  const of = (section: Row['section']): readonly Row[] => rows.filter((r) => r.section === section);
  const record = of('record');
  const text = (item: string): string => record.find((row) => row.item === item)?.text ?? '';
  return {
    ...{ number, revision, serial, attempt, simulated, verdict },
    title: text('title'),
    statement: text('statement of conformity'),
    reason: text('reason'),
    rule: text('decision rule'),
    facts: record
      .filter(({ item = '' }) => !APART.includes(item))
      .map((row) => [row.item ?? '', factText(row)] as const),
    stages: stagesIn(of('result')),
    gates: of('gate').map(gateLine),
    acknowledgements: partsIn(of('acknowledgement')),
    equipment: partsIn(of('equipment')),
    deviations: of('deviation').map((row) => row.text ?? ''),
  };
}

function factText({ text, value, unit }: Row): string {
  if (value === undefined) return text ?? '';
  return withUnit(shortened(value), unit);
}

const withUnit = (value: string, unit = ''): string =>
  unit === 'count' || unit === '1' || unit === '' ? value : `${value} ${unit}`;

/** At most four significant digits, for what decides nothing. */
function shortened(text: string): string {
  const value = Number(text);
  if (text === '' || !Number.isFinite(value) || Number.isInteger(value)) return printed(text);
  return printed(String(Number(value.toPrecision(4))));
}

function stagesIn(rows: readonly Row[]): readonly StageResults[] {
  const stages = [...new Set(rows.map(({ stage = '' }) => stage))];
  return stages.map((stage) => ({
    stage,
    rows: rows.filter((row) => (row.stage ?? '') === stage).map(resultLine),
  }));
}

function resultLine(row: Row): ResultLine {
  const read = resultIn(row);
  const common = {
    label: row.label ?? '',
    side: row.side ?? '',
    unit: row.unit ?? '',
    reason: row.reason ?? '',
  };
  if (read?.verdict === undefined) {
    const value = row['value shown'] ?? '';
    const unknown = { rule: '?', ruleName: row.rule ?? '', mark: 'none', allowed: '' } as const;
    return {
      ...common,
      ...unknown,
      value,
      expanded: row['U shown'] ?? '',
      verdict: 'not known here',
    };
  }
  const { verdict, limit } = read;
  const result = { ...read, verdict, name: limit.label, side: 'motor' } as const;
  const { value, expanded, unit, allowed } = rowWords(result);
  const carried = read.carriedFrom === undefined ? [] : [`measured by ${read.carriedFrom}`];
  return {
    ...common,
    ...{ value, expanded, allowed, unit: unit === '1' || unit === 'count' ? '' : unit },
    rule: RULES[limit.rule].mark,
    ruleName: RULES[limit.rule].name,
    mark: markOf(verdict),
    verdict: [verdictWords(verdict), ...carried].filter((words) => words !== '').join(', '),
    strip: stripGeometry(result),
  };
}

type Verdict = NonNullable<NonNullable<ReturnType<typeof resultIn>>['verdict']>;

/** As on the printed page: see `drawRowMark`. */
function markOf(verdict: Verdict): ResultLine['mark'] {
  switch (verdict.outcome) {
    case 'conforming':
      return 'tick';
    case 'nonconforming':
      return 'cross';
    case 'conditional':
      return verdict.side === 'inside' ? 'tick' : 'bars';
    case 'inconclusive':
      return 'bars';
    case 'invalid':
    case 'not-run':
      return 'none';
    default:
      return verdict satisfies never;
  }
}

function gateLine(row: Row): GateLine {
  const { label = '', stage = '', reason = '', blames = '', verdict } = row;
  return { name: label, stage, holds: verdict === 'holds', found: reason, blames };
}

/** Rows that belong together by their part. */
function partsIn(rows: readonly Row[]): readonly Facts[] {
  const parts = [...new Set(rows.map(({ part = '' }) => part))];
  return parts.map((part) =>
    rows
      .filter((row) => (row.part ?? '') === part)
      .map(({ item = '', text = '' }) => [item, text] as const),
  );
}
