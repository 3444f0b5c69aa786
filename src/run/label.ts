import { systemClock } from '../base/clock.js';
import { StallmarkError, throwIfAny } from '../base/error.js';
import type { Label, Reading } from '../identity/identity.js';
import { readLabel } from '../identity/label.js';
import type { Procedure } from '../procedure/procedure.js';
import { referenceProblems } from '../readiness/reference.js';
import { DEFAULT_FOLDERS, readDocuments, type Choice } from './documents.js';

/**
 * Finds the serial in what was given as one: a label in any form, or a serial.
 *
 * @returns The label; its serial is the one to go on with.
 * @throws serial/grammar, serial/unknown-model, and every problem of the documents.
 */
export function labelOf(text: string, choice: Omit<Choice, 'serial'>): Label {
  const named = [choice.procedure, choice.limits, choice.bench].filter((p) => p !== undefined);
  const all = readDocuments(named.length === 3 ? named : [...DEFAULT_FOLDERS, ...named]);
  throwIfAny(all.problems);
  throwIfAny(all.references.flatMap((register) => referenceProblems(text.trim(), register)));
  const procedures =
    choice.procedure === undefined
      ? all.procedures.filter((p) => p.purpose === (choice.purpose ?? 'acceptance'))
      : readDocuments([choice.procedure]).procedures;
  const reading = readText(text, procedures);
  if (reading.kind === 'refused') throw new StallmarkError(reading.problems);
  return reading.label;
}

/** Reads a label against the models of some procedures, or says every reason against it. */
export function readText(text: string, procedures: readonly Procedure[]): Reading {
  const models = procedures.map((p) => p.model);
  return readLabel(text, models, currentYear());
}

/** Year by the clock of this computer, which tells the century of a date on a label. */
export function currentYear(): number {
  return new Date(systemClock.now()).getUTCFullYear();
}
