import { readFileSync, renameSync, writeFileSync } from 'node:fs';
import { EXIT } from '../base/codes.js';
import { StallmarkError } from '../base/error.js';
import { withStandVersion } from '../procedure/stand-version.js';
import type { StandModel } from '../procedure/station.js';
import { prepareStand } from '../run/documents.js';
import { measureStand, noteTakeOver, type StandMeasured } from '../run/stand.js';
import { labelOf } from '../run/label.js';
import { atBench, shown, type PowerOptions } from './power.js';
import { stoppable } from './stoppable.js';
import type { Terminal } from './terminal.js';

/** Options of `stand measure`, as the argument parser hands them over. */
export interface StandOptions extends PowerOptions {
  readonly acceptDrift?: string;
}

/**
 * Measures the stand and adds the model to the description of the bench. A stand that moved further
 * than a sound one does is told and not taken over, unless a reason is given.
 *
 * @param text - What the label says in any form that `scan` reads, or the serial alone.
 */
export async function standMeasure(
  text: string,
  options: StandOptions,
  to: Terminal,
): Promise<number> {
  const { serial } = labelOf(text, { ...options, purpose: 'stand' });
  const documents = prepareStand({ ...options, serial });
  const { station } = documents;
  return stoppable(to, (stop) =>
    atBench({ documents, serial, stop }, options, to, async (order, parts) => {
      const measured = await shown(measureStand(order, parts), to);
      const isStored = measured.drifts.length === 0 || options.acceptDrift !== undefined;
      if (isStored) {
        store(station.file, measured);
        const { operator } = order;
        noteTakeOver(measured, { ...options, operator, serial, bench: station.id }, parts);
      }
      tell(measured, { ...options, isStored, file: station.file }, to);
      return isStored ? EXIT.conforming : EXIT.held;
    }),
  );
}

function store(file: string, { now }: StandMeasured): void {
  try {
    const text = withStandVersion(readFileSync(file, 'utf8'), file, now);
    writeFileSync(`${file}.new`, text, { flag: 'wx' });
    renameSync(`${file}.new`, file);
  } catch (cause) {
    if (cause instanceof StallmarkError) throw cause;
    const what = `"${file}" cannot be read or written: ${String(cause)}.`;
    const fix = 'Check the name and the rights of the file; the measurement is in the ledger.';
    throw new StallmarkError([{ code: 'storage/unwritable', what, fix }], { cause });
  }
}

interface Telling {
  readonly json?: true;
  readonly isStored: boolean;
  readonly acceptDrift?: string;
  readonly file: string;
}

function tell(measured: StandMeasured, how: Telling, to: Terminal): void {
  const { now, before, drifts } = measured;
  if (how.json === true) {
    to.out(JSON.stringify({ stored: how.isStored, now, before, drifts }, null, 2));
    return;
  }
  to.out(
    `\n${'Stand model'.padEnd(20)}${`version ${String(before.version)}`.padStart(24)}${`version ${String(now.version)}`.padStart(24)}`,
  );
  for (const [name, key, unit, factor] of ROWS) {
    const shown = (model: StandModel): string =>
      `${plusMinus(model[key] * factor, model.uncertainty[key] * factor)} ${unit}`;
    to.out(`${name.padEnd(20)}${shown(before).padStart(24)}${shown(now).padStart(24)}`);
  }
  to.out('U with k = 2; the item in the nest is part of the stand.\n');
  for (const drift of drifts) to.out(`DRIFT  ${drift}`);
  if (how.isStored) {
    to.out(`Version ${String(now.version)} is in force: ${how.file}`);
    if (drifts.length > 0) to.out(`The drift was accepted: ${how.acceptDrift ?? ''}`);
  } else {
    to.out('Nothing was taken over: dynamic values of runs on this stand are invalid until the');
    to.out('cause is found. To take the new model over all the same: --accept-drift "reason".');
  }
}

const ROWS = [
  ['resonance', 'resonance', 'Hz', 1],
  ['damping ratio', 'damping', '%', 100],
  ['compliance', 'compliance', 'µrad/(N·m)', 1e6],
  ['torque delay', 'torqueDelay', 'ms', 1000],
  ['current delay', 'currentDelay', 'ms', 1000],
] as const;

/** Value and U to the second digit of U. */
function plusMinus(value: number, expanded: number): string {
  const places = expanded > 0 ? Math.max(0, 1 - Math.floor(Math.log10(expanded))) : 4;
  return `${value.toFixed(places)} ± ${expanded.toFixed(places)}`;
}
