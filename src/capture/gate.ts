/** Whom a gate points at when it does not hold. */
export type Blame = 'item' | 'stand' | 'link' | 'operator';

/**
 * What a gate is concerned with, in the order in which gates are told: what comes first explains
 * what comes after it.
 */
export const CONCERNS = [
  'capture',
  'clock',
  'sensor',
  'stand',
  'stimulus',
  'response',
  'environment',
] as const;
export type Concern = (typeof CONCERNS)[number];

/**
 * What becomes void when a gate does not hold: every result of its stage, every result of the run,
 * or those characteristics of any stage that name it among the gates they depend on.
 */
export type Reach = 'stage' | 'run' | 'dependents';

/** One condition under which a measurement means something. Recorded whether it holds or not. */
export interface Gate {
  /** Identity, e.g. "agreement" in the catalogue or "converter-clip" of the screening. */
  readonly id: string;
  /** Name for people, e.g. "converter clip". */
  readonly name: string;
  readonly concern: Concern;
  /** The stage it was read on, or "run" when it reaches beyond that stage. */
  readonly scope: string;
  readonly reach: Reach;
  readonly holds: boolean;
  /** What was found and what is allowed, in `unit`; "at-least" for what must not be less. */
  readonly sense: 'at-most' | 'at-least';
  readonly observed: number;
  readonly allowed: number;
  readonly unit: string;
  /**
   * How much of what is allowed is left, 1 = all of it, 0 = none, below 0 = beyond. Where nothing is
   * allowed, 1 when it holds and −observed when not. Never above 0 for a gate that does not hold.
   */
  readonly margin: number;
  readonly blames: Blame;
  /** One sentence for the operator, with numbers. */
  readonly evidence: string;
}

/** What a gate is before it is judged. */
export type GateIdentity = Pick<Gate, 'id' | 'name' | 'concern' | 'reach' | 'sense' | 'blames'>;

/** What judging found. */
export type Finding = Pick<Gate, 'holds' | 'observed' | 'allowed' | 'unit' | 'evidence'>;

/**
 * Completes a finding to the record of its gate.
 *
 * NaN is never within what is allowed. Records carry finite numbers only, so it becomes a huge one.
 */
export function gateOf(identity: GateIdentity, stage: string, found: Finding): Gate {
  const { id, name, concern, reach, sense, blames } = identity;
  const finite = (value: number): number =>
    Number.isFinite(value) ? value : Number.MAX_SAFE_INTEGER;
  const { observed, allowed } = found;
  const holds = found.holds && Number.isFinite(observed) && Number.isFinite(allowed);
  const margin = marginOf({ sense, observed, allowed, holds });
  const scope = reach === 'stage' ? stage : 'run';
  return {
    id,
    name,
    concern,
    scope,
    reach,
    sense,
    blames,
    holds,
    observed: finite(observed),
    allowed: finite(allowed),
    unit: found.unit,
    margin,
    evidence: found.evidence,
  };
}

/** A gate that cannot be judged does not hold: nothing vouches for the scores then. */
export function doubt(allowed: number, unit: string, why: string): Finding {
  return { holds: false, observed: 0, allowed, unit, evidence: `Not judged: ${why}` };
}

/** Reckons the margin of a gate from what was found and what is allowed. Never NaN. */
export function marginOf(gate: Pick<Gate, 'sense' | 'observed' | 'allowed' | 'holds'>): number {
  const { sense, observed, allowed, holds } = gate;
  if (!Number.isFinite(observed) || !Number.isFinite(allowed)) return -1;
  if (allowed === 0) return holds ? 1 : -Math.abs(observed);
  const left = sense === 'at-most' ? allowed - Math.abs(observed) : observed - allowed;
  const share = left / Math.abs(allowed);
  return holds ? share : Math.min(0, share); // what could not be judged has nothing left
}

/** Sorts gates by concern, those of one concern as they came. */
export function inOrder(gates: readonly Gate[]): readonly Gate[] {
  const place = (gate: Gate): number => CONCERNS.indexOf(gate.concern);
  return [...gates].sort((a, b) => place(a) - place(b));
}
