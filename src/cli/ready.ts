import { EXIT } from '../base/codes.js';
import { SIMULATED_MARK } from '../certificate/certificate.js';
import { readinessProblems, type Check, type CheckState } from '../readiness/readiness.js';
import { assemble } from '../run/assemble.js';
import { defaultKeys } from '../run/places.js';
import { listReadiness, prepareReadiness } from '../run/readiness-list.js';
import { columns } from './columns.js';
import type { Terminal } from './terminal.js';

/** Options of `ready`, as the argument parser hands them over. */
export interface ReadyOptions {
  readonly procedure?: string;
  readonly bench?: string;
  readonly fault: readonly string[];
  readonly data: string;
  readonly keys?: string;
  readonly json?: true;
}

/**
 * Prints the readiness list of a bench for a procedure. No power.
 *
 * @returns 0 when it may test, 69 when it may not.
 */
export async function ready(options: ReadyOptions, to: Terminal): Promise<number> {
  const documents = prepareReadiness(options);
  const { procedure, station } = documents;
  const parts = await assemble({
    documents,
    serial: '', // no item is asked about
    root: options.data,
    keys: options.keys ?? defaultKeys(),
    passphrase: process.env['STALLMARK_PASSPHRASE'],
    faults: options.fault,
    pace: 'fast',
  });
  try {
    const checks = await listReadiness(documents, parts);
    const mayTest = readinessProblems(checks).length === 0;
    if (options.json === true) {
      const { id, issue } = procedure;
      const subject = { bench: station.id, simulated: true, procedure: { id, issue } };
      to.out(JSON.stringify({ ...subject, mayTest, checks }, null, 2));
    } else {
      to.err(`${SIMULATED_MARK}: bench ${station.id} is simulated.`);
      to.out(readyTable(checks));
      to.out(
        overall(checks, `${station.id} for ${procedure.title}, issue ${String(procedure.issue)}`),
      );
    }
    return mayTest ? EXIT.conforming : EXIT.bench;
  } finally {
    parts.ledger.close();
  }
}

/** Shapes that differ without colour; the word stands beside each. */
const MARKS: Readonly<Record<CheckState, string>> = {
  ok: '✓',
  'due soon': '!',
  overdue: '✗',
  failed: '✗',
  'not run': '–',
};

/** Draws the list as a table for people: state, check, age, who may clear it, what was found. */
export function readyTable(checks: readonly Check[]): string {
  const rows = checks.map(({ name, state, age, clear, found, blocks }) => [
    `${MARKS[state]} ${state}${blocks === false && !isReady(state) ? ' (no lock)' : ''}`,
    name,
    age === undefined ? '' : ageText(age),
    clear,
    found,
  ]);
  return columns([['state', 'check', 'age', 'cleared by', 'found'], ...rows]).join('\n');
}

const isReady = (state: CheckState): boolean => state === 'ok' || state === 'due soon';

const UNITS = [
  [86_400, 'd'],
  [3600, 'h'],
  [60, 'min'],
] as const;

/** In the greatest unit of which there are two or more: "45 s", "90 min", "36 h", "12 d". */
function ageText(seconds: number): string {
  const [size, unit] = UNITS.find(([s]) => seconds >= 2 * s) ?? [1, 's'];
  return `${String(Math.floor(seconds / size))} ${unit}`;
}

function overall(checks: readonly Check[], subject: string): string {
  const against = readinessProblems(checks).length;
  const soon = checks.filter(({ state }) => state === 'due soon').length;
  const told = soon === 0 ? '' : `; ${String(soon)} due soon`;
  if (against === 0) return `MAY TEST: ${subject}${told}.`;
  return `MAY NOT TEST: ${subject}; ${String(against)} of ${String(checks.length)} checks stand against it${told}.`;
}
