/**
 * First-pass yield of good simulated items: `npx tsx tests/evidence/yield.ts COUNT [FIRST]`.
 *
 * Runs COUNT serials without faults through the shipped procedure, limits and bench, over two
 * processes; prints what came of it and writes it to reports/evidence/yield.md as it came.
 */
import { fork } from 'node:child_process';
import { once } from 'node:events';
import { mkdirSync, writeFileSync } from 'node:fs';
import { fileURLToPath } from 'node:url';
import { acceptanceZone } from '../../src/decision/rule.js';
import type { Limit } from '../../src/procedure/limits.js';
import { SOFTWARE } from '../../src/run/software.js';
import { decisionOn, runItem, shippedDocuments } from '../support/simulated-run.js';

const WORKERS = 2;
const FOLDER = fileURLToPath(new URL('../../reports/evidence/', import.meta.url));

/** What one serial came to, small enough to be sent between processes. */
interface Item {
  readonly serial: string;
  readonly word: string;
  readonly reason: string;
  /** By place in the limits; null when nothing was measured. */
  readonly rows: readonly {
    readonly value: number | null;
    readonly expanded: number | null;
    readonly outcome: string;
  }[];
  readonly gates: readonly {
    readonly name: string;
    readonly observed: number;
    readonly allowed: number;
    readonly unit: string;
    readonly holds: boolean;
  }[];
}

const documents = shippedDocuments();
const serialOf = (i: number): string => `H12-26-${String(i).padStart(5, '0')}`;

async function tryItem(serial: string): Promise<Item> {
  const decision = decisionOn(documents, await runItem(documents, { serial }));
  return {
    serial,
    word: decision.verdict.word,
    reason: decision.reason,
    rows: decision.results.map(({ outcome, expanded, verdict }) => ({
      value: outcome.kind === 'measured' ? outcome.value : null,
      expanded: expanded ?? null,
      outcome: verdict.outcome,
    })),
    gates: decision.gates.map(({ name, observed, allowed, unit, holds }) => ({
      name,
      observed: Math.abs(observed),
      allowed,
      unit,
      holds,
    })),
  };
}

async function work(serials: readonly string[]): Promise<void> {
  for (const serial of serials) process.send?.(await tryItem(serial));
  process.disconnect();
}

async function gather(serials: readonly string[]): Promise<readonly Item[]> {
  const items: Item[] = [];
  const shares = Array.from({ length: WORKERS }, (_, k) =>
    serials.filter((_, i) => i % WORKERS === k),
  ).filter((share) => share.length > 0);
  await Promise.all(
    shares.map(async (share) => {
      const child = fork(fileURLToPath(import.meta.url), ['--worker', ...share]);
      child.on('message', (item) => {
        items.push(item as Item); // sent by `work` above
        process.stderr.write(`\r${items.length} of ${serials.length}`);
      });
      await once(child, 'exit');
      if (child.exitCode !== 0) throw new Error(`a worker ended with ${String(child.exitCode)}`);
    }),
  );
  process.stderr.write('\n');
  if (items.length !== serials.length) throw new Error('a worker lost items');
  return items.toSorted((a, b) => a.serial.localeCompare(b.serial));
}

function meanOf(values: readonly number[]): number {
  return values.reduce((a, b) => a + b, 0) / values.length;
}

function deviationOf(values: readonly number[]): number {
  const mean = meanOf(values);
  return Math.sqrt(values.reduce((a, v) => a + (v - mean) ** 2, 0) / (values.length - 1));
}

const shown = (value: number): string =>
  Number.isFinite(value) ? String(Number(value.toPrecision(4))) : '–';

/** One line about one row: distances count from the mean to the acceptance limit, in sd. */
function rowLine(limit: Limit, i: number, items: readonly Item[]): readonly string[] {
  const found = items.flatMap((item) => item.rows[i]?.value ?? []);
  const [mean, deviation] = [meanOf(found), deviationOf(found)];
  const expanded = meanOf(items.flatMap((item) => item.rows[i]?.expanded ?? []));
  const w = Number.isFinite(expanded) ? expanded : 0;
  const zone = acceptanceZone(limit.tolerance, w, limit.rule);
  const scale = 10 ** -limit.unit.exponent;
  const inSd = (distance: number): string =>
    deviation > 0 ? (distance / deviation).toFixed(1) : '∞';
  const lower = zone !== undefined && zone.kind !== 'at-most' ? inSd(mean - zone.lower) : '';
  const upper = zone !== undefined && zone.kind !== 'at-least' ? inSd(zone.upper - mean) : '';
  const { tolerance } = limit;
  const low = tolerance.kind === 'at-most' ? '' : shown(tolerance.lower * scale);
  const high = tolerance.kind === 'at-least' ? '' : shown(tolerance.upper * scale);
  const bad = items.filter((item) => item.rows[i]?.outcome !== 'conforming').length;
  return [
    `${limit.stage}.${limit.characteristic}`,
    limit.unit.symbol,
    shown(mean * scale),
    shown(deviation * scale),
    shown(expanded * scale),
    low,
    lower,
    high,
    upper,
    limit.rule,
    String(bad),
  ];
}

function gateLines(items: readonly Item[]): readonly (readonly string[])[] {
  const names = [...new Set(items.flatMap((item) => item.gates.map((gate) => gate.name)))];
  return names.map((name) => {
    const all = items.flatMap((item) => item.gates.filter((gate) => gate.name === name));
    const observed = all.map((gate) => gate.observed);
    const [first] = all;
    return [
      name,
      first?.unit ?? '',
      shown(meanOf(observed)),
      shown(deviationOf(observed)),
      shown(Math.min(...observed)),
      shown(Math.max(...observed)),
      shown(first?.allowed ?? NaN),
      String(items.filter((item) => item.gates.some((g) => g.name === name && !g.holds)).length),
    ];
  });
}

function table(head: readonly string[], lines: readonly (readonly string[])[]): string {
  const line = (cells: readonly string[]): string => `| ${cells.join(' | ')} |`;
  return [line(head), line(head.map(() => '-')), ...lines.map(line)].join('\n');
}

function report(items: readonly Item[]): string {
  const { procedure, limits, station } = documents;
  const accepted = items.filter((item) => item.word === 'ACCEPT').length;
  const others = items.filter((item) => item.word !== 'ACCEPT');
  const share = (100 * accepted) / items.length;
  const first = items[0]?.serial ?? '';
  const last = items.at(-1)?.serial ?? '';
  return `# First-pass yield of good simulated items

Simulated bench; not a product record. Made by \`npx tsx tests/evidence/yield.ts\`; figures as they came.

- Software ${SOFTWARE.version}, scoring ${SOFTWARE.scoring}
- Procedure ${procedure.id} issue ${procedure.issue}, limits ${limits.id} issue ${limits.issue}, bench ${station.id}
- Serials ${first} to ${last}, attempt 1, no fault

**${accepted} of ${items.length} accepted: ${share.toFixed(1)} %.**

${others.map((item) => `- ${item.serial} ${item.word}: ${item.reason}`).join('\n') || '- None held or rejected.'}

## Rows

Distances are from the mean to the acceptance limit (the limit moved inwards by U where the rule is
guarded), in standard deviations over the serials.

${table(
  ['row', 'unit', 'mean', 'sd', 'U', 'from', 'sd away', 'to', 'sd away', 'rule', 'not conforming'],
  limits.rows.map((limit, i) => rowLine(limit, i, items)),
)}

## Gates

Magnitudes of what was observed.

${table(['gate', 'unit', 'mean', 'sd', 'least', 'most', 'allowed', 'items held'], gateLines(items))}
`;
}

const [count = '', ...rest] = process.argv.slice(2);
if (count === '--worker') {
  await work(rest);
} else if (/^[1-9][0-9]*$/u.test(count) && Number(count) >= 2) {
  const from = Number(rest[0] ?? 1);
  const serials = Array.from({ length: Number(count) }, (_, i) => serialOf(from + i));
  const text = report(await gather(serials));
  mkdirSync(FOLDER, { recursive: true });
  writeFileSync(`${FOLDER}yield.md`, text);
  process.stdout.write(text);
} else {
  process.stderr.write(
    'Give how many items to run, 2 or more: npx tsx tests/evidence/yield.ts 60\n',
  );
  process.exitCode = 2;
}
