import { EXIT } from '../base/codes.js';
import type { StopProven } from '../readiness/stop-proof.js';
import { prepareStop, proveStop, stopSentence } from '../run/stop-proof.js';
import { labelOf } from '../run/label.js';
import { atBench, shown, type PowerOptions } from './power.js';
import { stoppable } from './stoppable.js';
import type { Terminal } from './terminal.js';

/**
 * Proves the stop function of the bench; 0 when it holds, 1 when it was too slow: the bench is locked
 * then.
 *
 * @param text - What the label of the item in the nest says in any form, or the serial alone.
 */
export async function stopProve(
  text: string,
  options: PowerOptions,
  to: Terminal,
): Promise<number> {
  const { serial } = labelOf(text, { ...options, purpose: 'stop' });
  const documents = prepareStop({ ...options, serial });
  const press = (): void => {
    to.err('      Torque comes now. PRESS THE EMERGENCY STOP of the bench, and leave it pressed.');
  };
  const found = await stoppable(to, (stop) =>
    atBench({ documents, serial, stop }, options, to, (order, parts) =>
      shown(proveStop({ ...order, press }, parts), to),
    ),
  );
  to.out(options.json === true ? JSON.stringify(found, null, 2) : told(found));
  return found.ok ? EXIT.conforming : EXIT.nonconforming;
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
