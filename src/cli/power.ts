import { SIMULATED_MARK } from '../certificate/certificate.js';
import { StallmarkError } from '../base/error.js';
import { isSimulated, type Station } from '../procedure/station.js';
import { assemble } from '../run/assemble.js';
import type { AttemptProgress } from '../run/attempt.js';
import type { Asking, Parts } from '../run/brief.js';
import { defaultKeys } from '../run/places.js';
import { answerTo, arranged, type AnswerOptions } from './answer.js';
import { showProgress } from './progress.js';
import type { Terminal } from './terminal.js';
import { atWork, type WhoOptions } from './who.js';

/** Options of every command that applies power. */
export interface PowerOptions extends AnswerOptions, WhoOptions {
  readonly procedure?: string;
  readonly bench?: string;
  readonly fault: readonly string[];
  readonly pace: 'fast' | 'real';
  readonly data: string;
  readonly keys?: string;
  readonly json?: true;
  readonly verbose?: true;
}

/** What power is wanted for. */
export interface Job<Documents> {
  readonly documents: Documents;
  readonly serial: string;
  /** Faults that the simulation of the item has beyond those asked for. */
  readonly simulate?: readonly string[];
  /** Aborted when the operator stops. */
  readonly stop: AbortSignal;
}

/** An order with documents that may say more than power needs. */
export type OrderFor<Documents> = Omit<Asking, 'documents'> & { readonly documents: Documents };

/**
 * Puts the bench together, has the person log in, and lets the work be done with an order whose
 * questions are answered in the terminal.
 *
 * @throws people/*, usage/argument, keys/*, storage/*, ledger/*, what the work throws.
 */
export async function atBench<Documents extends Asking['documents'], T>(
  { documents, serial, simulate = [], stop }: Job<Documents>,
  options: PowerOptions,
  to: Terminal,
  work: (order: OrderFor<Documents>, parts: Parts) => Promise<T>,
): Promise<T> {
  const { station } = documents;
  refuseAnswers(options.acknowledge, station);
  const watch = (line: string): void => {
    to.err(line);
  };
  const parts = await assemble({
    documents,
    serial,
    root: options.data,
    keys: options.keys ?? defaultKeys(),
    passphrase: process.env['STALLMARK_PASSPHRASE'],
    faults: [...simulate, ...options.fault],
    pace: options.pace,
    ...(options.verbose === true ? { watch } : {}),
  });
  to.err(
    isSimulated(station)
      ? `${SIMULATED_MARK}: bench ${station.id} is ${station.kind}.`
      : `Bench ${station.id} drives hardware. This program is not a safety function: guards, emergency stop and safe torque off are.`,
  );
  return atWork(options, { parts, station }, to, (who) => {
    const order = {
      serial,
      ...who,
      documents,
      acknowledge: (...[warning, task]: Parameters<Asking['acknowledge']>) =>
        answerTo(warning, task, { ...options, ...who }, to),
      arrange: (instruction: string) => arranged(instruction, to),
      stop,
    };
    return work(order, parts);
  });
}

/** Shows what goes on until it has ended. */
export async function shown<T>(
  going: AsyncGenerator<AttemptProgress, T>,
  to: Terminal,
): Promise<T> {
  for (;;) {
    const next = await going.next();
    if (next.done === true) return next.value;
    showProgress(next.value, to);
  }
}

/** On a bench that drives hardware a person answers each warning, every time. */
function refuseAnswers(acknowledge: readonly string[], station: Station): void {
  if (isSimulated(station) || acknowledge.length === 0) return;
  const what = `--acknowledge ${acknowledge.join(', ')} was given, but bench ${station.id} drives hardware: a person answers its warnings.`;
  const fix = 'Leave out --acknowledge, read each warning and answer it.';
  throw new StallmarkError([{ code: 'usage/argument', what, fix }]);
}
