import { StallmarkError } from '../base/error.js';
import type { Hazard } from '../procedure/procedure.js';

/** The work a permit is for. */
export interface Task {
  readonly bench: string;
  readonly serial: string;
  readonly attempt: number;
  readonly procedureDigest: string;
}

/** A named person's reply to one warning, for one item and one attempt. */
export interface Acknowledgement {
  readonly hazard: Hazard;
  readonly by: string;
  /** ms since the Unix epoch. */
  readonly at: number;
  readonly serial: string;
  readonly attempt: number;
  readonly language: string;
  /** Issue of the wording that was shown. */
  readonly textIssue: number;
  /** How the person answered. */
  readonly means: 'typed at the terminal' | 'command-line option, simulated bench' | 'held button';
}

declare const issuedHere: unique symbol;

/** Leave to apply power once: one bench, one item, one attempt, one procedure. Only `issuePermit` makes one. */
export interface EnergizePermit extends Task {
  readonly [issuedHere]: true;
  readonly expiresAt: number; // ms since the Unix epoch
}

/** ms: time to close the guard, not to walk away. */
export const PERMIT_LIFETIME = 60_000;

// The one module state in the code that can apply power: a cast forges the type, not membership here.
const live = new Set<EnergizePermit>();

/**
 * Returns a permit, or the hazards nobody has acknowledged for this item and attempt within the
 * last minute.
 *
 * @param required - Hazards of the procedure; both mandatory hazards are required even if it is short of one.
 * @param now - ms since the Unix epoch.
 */
export function issuePermit(
  task: Task,
  required: readonly Hazard[],
  acknowledgements: readonly Acknowledgement[],
  now: number,
): EnergizePermit | { readonly outstanding: readonly Hazard[] } {
  const valid = acknowledgements.filter(
    (a) =>
      a.serial === task.serial &&
      a.attempt === task.attempt &&
      a.by.trim() !== '' &&
      a.at <= now &&
      now - a.at < PERMIT_LIFETIME,
  );
  const hazards = new Set<Hazard>([...required, 'crushing', 'sudden-torque']);
  const outstanding = [...hazards].filter((h) => !valid.some((a) => a.hazard === h));
  if (outstanding.length > 0) return { outstanding };
  const expiresAt = Math.min(...valid.map((a) => a.at)) + PERMIT_LIFETIME;
  const permit = Object.freeze({ ...task, expiresAt }) as EnergizePermit;
  live.add(permit);
  return permit;
}

/**
 * Spends the permit, valid or not; the last act of a bench before it applies power.
 *
 * @throws bench/permit-void when the permit was not issued here, is spent, void, expired or for other work.
 */
export function spendPermit(permit: EnergizePermit, task: Task, now: number): void {
  const known = live.delete(permit);
  const same =
    permit.bench === task.bench &&
    permit.serial === task.serial &&
    permit.attempt === task.attempt &&
    permit.procedureDigest === task.procedureDigest;
  if (known && same && now < permit.expiresAt) return;
  const what = `Bench "${task.bench}" stayed off: the permit is spent, void, expired or for other work.`;
  const fix = 'Acknowledge the warnings again, then start the run.';
  throw new StallmarkError([{ code: 'bench/permit-void', what, fix }]);
}

/** Voids every live permit for a bench; every stop does this. */
export function voidPermits(bench: string): void {
  for (const permit of live) if (permit.bench === bench) live.delete(permit);
}
