import { EXIT } from '../base/codes.js';
import { systemClock } from '../base/clock.js';
import { StallmarkError } from '../base/error.js';
import type { Acknowledgement, Task } from '../bench/permit.js';
import type { Certificate } from '../certificate/certificate.js';
import { SIMULATED_MARK } from '../certificate/certificate.js';
import type { ItemVerdict } from '../decision/decision.js';
import type { Warning } from '../procedure/procedure.js';
import { attemptItem } from '../run/attempt.js';
import type { Order } from '../run/brief.js';
import { assemble } from '../run/assemble.js';
import { prepare } from '../run/documents.js';
import type { Issued } from '../run/issue.js';
import { defaultKeys } from '../run/places.js';
import { warningPanel } from './panel.js';
import { showProgress } from './progress.js';
import { resultTable } from './table.js';
import type { Terminal } from './terminal.js';

/** Options of `run`, as the argument parser hands them over. */
export interface RunOptions {
  readonly procedure?: string;
  readonly limits?: string;
  readonly bench?: string;
  readonly operator: string;
  readonly acknowledge: readonly string[];
  readonly fault: readonly string[];
  readonly pace: 'fast' | 'real';
  readonly language: string;
  readonly data: string;
  readonly keys?: string;
  readonly json?: true;
  readonly verbose?: true;
}

/** Tests one item in the terminal and returns the exit status of its verdict. */
export async function run(serial: string, options: RunOptions, to: Terminal): Promise<number> {
  const stop = new AbortController();
  const interrupt = (): void => {
    to.err('Stopping: torque to zero, then power off.');
    stop.abort();
  };
  process.on('SIGINT', interrupt);
  process.on('SIGTERM', interrupt);
  try {
    const { certificate, folder } = await testItem(serial, options, stop.signal, to);
    if (options.json === true) to.out(JSON.stringify(summary(certificate, folder), null, 2));
    else showResult(certificate, folder, to);
    return exitOf(certificate.decision.verdict);
  } finally {
    process.off('SIGINT', interrupt);
    process.off('SIGTERM', interrupt);
  }
}

/** Runs one attempt, showing what goes on. */
export async function testItem(
  serial: string,
  options: RunOptions,
  stop: AbortSignal,
  to: Terminal,
): Promise<Issued> {
  const documents = prepare({ ...options, serial });
  const parts = await assemble({
    documents,
    serial,
    root: options.data,
    keys: options.keys ?? defaultKeys(),
    passphrase: process.env['STALLMARK_PASSPHRASE'],
    faults: options.fault,
    pace: options.pace,
    ...(options.verbose === true
      ? {
          watch: (line: string) => {
            to.err(line);
          },
        }
      : {}),
  });
  const acknowledge = (warning: Warning, task: Task): Promise<Acknowledgement> =>
    answerTo(warning, task, options, to);
  const order: Order = { serial, operator: options.operator, documents, acknowledge, stop };
  to.err(`${SIMULATED_MARK}: bench ${documents.station.id} is simulated.`);
  try {
    const attempt = attemptItem(order, parts);
    for (;;) {
      const next = await attempt.next();
      if (next.done === true) return next.value;
      showProgress(next.value, to);
    }
  } finally {
    parts.ledger.close();
  }
}

/**
 * Shows a warning and takes the reply. On a simulated bench the command line may answer; a person
 * types the hazard in words, which no scanner and no bare Enter does.
 */
async function answerTo(
  warning: Warning,
  task: Task,
  options: RunOptions,
  to: Terminal,
): Promise<Acknowledgement> {
  const { hazard } = warning;
  const { language } = options;
  if (!warning.texts.has(language)) throw noText(warning, language);
  to.err(warningPanel(warning, language));
  const reply = (means: Acknowledgement['means']): Acknowledgement => ({
    hazard,
    by: options.operator,
    at: systemClock.now(),
    serial: task.serial,
    attempt: task.attempt,
    language,
    textIssue: warning.issue,
    means,
  });
  if (options.acknowledge.includes(hazard)) return reply('command-line option, simulated bench');
  const typed = await to.ask(`Type "${hazard}" when hands are clear and the guard is closed: `);
  if (typed.trim() === hazard) return reply('typed at the terminal');
  const what = `The warning "${hazard}" was answered with "${typed.trim()}".`;
  const fix = `Read it, then type ${hazard}; the bench stays off until then.`;
  throw new StallmarkError([{ code: 'bench/outstanding-warnings', what, fix }]);
}

function noText(warning: Warning, language: string): StallmarkError {
  const what = `The warning "${warning.hazard}" has no text in language "${language}".`;
  const fix = `Give one of: ${[...warning.texts.keys()].join(', ')}; or add the text to the procedure.`;
  return new StallmarkError([{ code: 'procedure/warning', what, fix }]);
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
    folder,
    results: decision.results.map((r) => ({
      stage: r.limit.stage,
      characteristic: r.limit.characteristic,
      side: r.side,
      ...(r.outcome.kind === 'measured'
        ? { value: r.outcome.value }
        : { reason: r.outcome.reason }),
      ...(r.expanded === undefined ? {} : { expanded: r.expanded }),
      tolerance: r.limit.tolerance,
      unit: r.limit.unit.symbol,
      rule: r.limit.rule,
      verdict: r.verdict.outcome,
    })),
    gates: decision.gates,
  };
}
