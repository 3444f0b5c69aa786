import { EXIT } from '../base/codes.js';
import { SIMULATED_MARK } from '../certificate/certificate.js';
import type { StopProven } from '../readiness/stop-proof.js';
import { assemble } from '../run/assemble.js';
import { defaultKeys } from '../run/places.js';
import { prepareStop, proveStop, stopSentence, type StopOrder } from '../run/stop-proof.js';
import { answerTo, arranged, type AnswerOptions } from './answer.js';
import { showProgress } from './progress.js';
import { labelOf } from './scan.js';
import { stoppable } from './stoppable.js';
import type { Terminal } from './terminal.js';
import { atWork, type Who, type WhoOptions } from './who.js';

/** Options of `stop prove`, as the argument parser hands them over. */
export interface StopOptions extends AnswerOptions, WhoOptions {
  readonly procedure?: string;
  readonly bench?: string;
  readonly fault: readonly string[];
  readonly pace: 'fast' | 'real';
  readonly data: string;
  readonly keys?: string;
  readonly json?: true;
}

/**
 * Proves the stop function of the bench; 0 when it holds, 1 when it was too slow: the bench is locked
 * then.
 *
 * @param text - What the label of the item in the nest says in any form, or the serial alone.
 */
export async function stopProve(text: string, options: StopOptions, to: Terminal): Promise<number> {
  const { serial } = labelOf(text, { ...options, purpose: 'stop' });
  const documents = prepareStop({ ...options, serial });
  const { station } = documents;
  const parts = await assemble({
    documents,
    serial,
    root: options.data,
    keys: options.keys ?? defaultKeys(),
    passphrase: process.env['STALLMARK_PASSPHRASE'],
    faults: options.fault,
    pace: options.pace,
  });
  to.err(`${SIMULATED_MARK}: bench ${station.id} is simulated, and so is the hand on its stop.`);
  const orderWith = (who: Who, stop: AbortSignal): StopOrder => ({
    serial,
    ...who,
    documents,
    acknowledge: (warning, task) => answerTo(warning, task, { ...options, ...who }, to),
    arrange: (instruction) => arranged(instruction, to),
    stop,
    press: () => {
      to.err(
        '      Torque comes now. PRESS THE EMERGENCY STOP of the bench, and leave it pressed.',
      );
    },
  });
  return atWork(options, { parts, station }, to, async (who) => {
    const found = await stoppable(to, async (stop) => {
      const proving = proveStop(orderWith(who, stop), parts);
      for (;;) {
        const next = await proving.next();
        if (next.done === true) return next.value;
        showProgress(next.value, to);
      }
    });
    to.out(options.json === true ? JSON.stringify(found, null, 2) : told(found));
    return found.ok ? EXIT.conforming : EXIT.nonconforming;
  });
}

function told(found: StopProven): string {
  const { bench, item, entry, ok } = found;
  return [
    '',
    `Stop function of bench ${bench}, with ${item} in the nest; entry ${entry}`,
    stopSentence(found),
    ...(ok
      ? []
      : [
          '',
          `Bench ${bench} is LOCKED until a proof holds. Put a tag on it and call maintenance.`,
        ]),
  ].join('\n');
}
