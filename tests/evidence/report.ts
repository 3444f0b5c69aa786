import { execFileSync } from 'node:child_process';
import { mkdirSync, writeFileSync } from 'node:fs';
import { cpus } from 'node:os';
import { fileURLToPath } from 'node:url';
import { isoInstant, systemClock } from '../../src/base/clock.js';
import { SOFTWARE } from '../../src/run/software.js';
import type { RunDocuments } from '../support/simulated-run.js';

const ROOT = fileURLToPath(new URL('../..', import.meta.url));
const FOLDER = fileURLToPath(new URL('../../reports/evidence/', import.meta.url));

/** Draws a table for Markdown. */
export function table(head: readonly string[], lines: readonly (readonly string[])[]): string {
  const line = (cells: readonly string[]): string =>
    `| ${cells.map((cell) => cell.replaceAll('|', '\\|')).join(' | ')} |`;
  return [line(head), line(head.map(() => '-')), ...lines.map(line)].join('\n');
}

/** A number with so many digits, without power of ten where that reads better; a dash for none. */
export function shown(value: number | undefined, digits = 3): string {
  if (value === undefined || Number.isNaN(value)) return '–';
  if (!Number.isFinite(value)) return '∞';
  const short = Number(value.toPrecision(digits));
  return short !== 0 && Math.abs(short) < 1e-4 ? short.toExponential() : String(short);
}

function git(...args: readonly string[]): string {
  return execFileSync('git', ['-C', ROOT, ...args], { encoding: 'utf8' }).trim();
}

/** What must be known to make a report again. */
export interface Made {
  readonly title: string;
  readonly command: string;
  /** What was run: serials, faults, counts. */
  readonly runs: readonly string[];
}

/** The head of a report: when, with what, on what machine, from which seeds. */
export function headOf({ title, command, runs }: Made, documents: RunDocuments): string {
  const { procedure, limits, station } = documents;
  const changed = git('status', '--porcelain', '--', 'src', 'tests', 'procedures', 'limits') !== '';
  const commit = git('rev-parse', '--short=12', 'HEAD');
  const [{ model } = { model: 'unknown processor' }] = cpus();
  return `# ${title}

Simulated bench; not a product record. Made by \`${command}\`; figures as they came.

- Date ${isoInstant(systemClock.now())}
- Commit ${commit}${changed ? ' with changes not committed' : ''}, program ${SOFTWARE.version}, scoring ${SOFTWARE.scoring}
- Node ${process.version}, ${cpus().length} × ${model.trim()}
- Procedure ${procedure.id} issue ${procedure.issue}, limits ${limits.id} issue ${limits.issue}, bench ${station.id}
${runs.map((line) => `- ${line}`).join('\n')}
`;
}

/** Writes a report and prints it. */
export function publish(name: string, text: string): void {
  mkdirSync(FOLDER, { recursive: true });
  writeFileSync(`${FOLDER}${name}.md`, text);
  process.stdout.write(text);
}

export function meanOf(values: readonly number[]): number {
  return values.reduce((a, b) => a + b, 0) / values.length;
}

/** Standard deviation with n − 1; NaN for fewer than two. */
export function deviationOf(values: readonly number[]): number {
  const mean = meanOf(values);
  return Math.sqrt(values.reduce((a, v) => a + (v - mean) ** 2, 0) / (values.length - 1));
}

/** Value below which a share of the sorted values lies, on straight lines between them. */
export function quantileOf(sorted: readonly number[], share: number): number {
  const place = share * (sorted.length - 1);
  const low = Math.floor(place);
  const [a = NaN, b = a] = sorted.slice(low, low + 2);
  return a + (place - low) * (b - a);
}
