import { EXIT } from '../base/codes.js';
import { throwIfAny } from '../base/error.js';
import type { Certificate } from '../certificate/certificate.js';
import { SIMULATED_MARK } from '../certificate/certificate.js';
import type { ItemVerdict } from '../decision/decision.js';
import type { Label } from '../identity/identity.js';
import { attemptItem } from '../run/attempt.js';
import { prepare } from '../run/documents.js';
import type { Issued } from '../run/issue.js';
import { preparePlots, writePlots } from '../run/plots.js';
import { labelOf } from '../run/label.js';
import { atBench, shown, type PowerOptions } from './power.js';
import { stoppable } from './stoppable.js';
import { resultTable } from './table.js';
import type { Terminal } from './terminal.js';

/** Options of `run`, as the argument parser hands them over. */
export interface RunOptions extends PowerOptions {
  readonly limits?: string;
  /** Folder for plots; none are written when left out. */
  readonly plots?: string;
}

/**
 * Tests one item in the terminal and returns the exit status of its verdict.
 *
 * @param text - What the label says in any form that `scan` reads, or the serial alone.
 */
export async function run(text: string, options: RunOptions, to: Terminal): Promise<number> {
  if (options.plots !== undefined) throwIfAny(preparePlots(options.plots));
  const label = labelOf(text, options);
  if (label.serial !== text) to.err(`The label, ${label.means}, is that of ${label.serial}.`);
  const issued = await stoppable(to, (stop) => testItem(label, options, stop, to));
  let plots: readonly string[] = [];
  try {
    if (options.plots !== undefined) plots = await writePlots(issued, options.plots);
  } finally {
    showIssued(issued, plots, options, to); // the verdict stands whatever became of the plots
  }
  return exitOf(issued.certificate.decision.verdict);
}

function showIssued(
  { certificate, folder }: Issued,
  plots: readonly string[],
  options: RunOptions,
  to: Terminal,
): void {
  if (options.json === true) {
    const written = options.plots === undefined ? {} : { plots };
    to.out(JSON.stringify({ ...summary(certificate, folder), ...written }, null, 2));
    return;
  }
  showResult(certificate, folder, to);
  if (plots.length > 0) to.out(`${plots.length} plots in ${options.plots ?? ''}/`);
}

/** What of a label decides how its item is tested. */
export type Scanned = Pick<Label, 'serial' | 'revision' | 'lot'>;

/** Runs one attempt, showing what goes on. */
export async function testItem(
  { serial, revision, lot }: Scanned,
  options: RunOptions,
  stop: AbortSignal,
  to: Terminal,
): Promise<Issued> {
  const documents = prepare({
    ...options,
    serial,
    ...(revision === undefined ? {} : { revision }),
  });
  return atBench({ documents, serial, stop }, options, to, (order, parts) =>
    shown(attemptItem({ ...order, ...(lot === undefined ? {} : { lot }) }, parts), to),
  );
}

export function exitOf(verdict: ItemVerdict): number {
  switch (verdict.word) {
    case 'ACCEPT':
      return EXIT.conforming;
    case 'REJECT':
      return EXIT.nonconforming;
    case 'HOLD':
      return EXIT.held;
  }
}

/** Prints table, verdict, reason and paths. The verdict carries the serial: nobody mixes up two items. */
export function showResult(certificate: Certificate, folder: string, to: Terminal): void {
  const { decision, serial, number, attempt } = certificate;
  to.out(`\n${resultTable(decision, to.width)}\n`);
  if (certificate.simulated) to.out(SIMULATED_MARK);
  to.out(verdictBox(`${decision.verdict.word}   ${serial}   attempt ${attempt}`));
  to.out(`${decision.reason}\n`);
  to.out(`Record ${number} in ${folder}/`);
  to.out('  certificate.pdf   certificate.csv   certificate.csv.p7s   capture.parquet   log.jsonl');
}

function verdictBox(text: string): string {
  const rule = '═'.repeat(text.length + 4);
  return `╔${rule}╗\n║  ${text}  ║\n╚${rule}╝`;
}

function summary(certificate: Certificate, folder: string): object {
  const { decision, number, serial, attempt, simulated } = certificate;
  return {
    number,
    serial,
    attempt,
    simulated,
    verdict: decision.verdict.word,
    outcome: decision.verdict.outcome,
    reason: decision.reason,
    ...(decision.itemFault === undefined ? {} : { itemFault: decision.itemFault }),
    ...(certificate.partial === undefined ? {} : { partial: certificate.partial }),
    folder,
    results: decision.results.map((r) => ({
      stage: r.limit.stage,
      characteristic: r.limit.characteristic,
      side: r.side,
      ...(r.outcome.kind === 'measured'
        ? { value: r.outcome.value }
        : { reason: r.outcome.reason }),
      ...(r.expanded === undefined ? {} : { expanded: r.expanded }),
      ...(r.k === undefined ? {} : { k: r.k }),
      tolerance: r.limit.tolerance,
      unit: r.limit.unit.symbol,
      rule: r.limit.rule,
      verdict: r.verdict.outcome,
      ...(r.carriedFrom === undefined ? {} : { carriedFrom: r.carriedFrom }),
      ...('side' in r.verdict ? { verdictSide: r.verdict.side } : {}),
      ...(r.nearLimit === undefined ? {} : { nearLimit: r.nearLimit }),
    })),
    gates: decision.gates,
  };
}
